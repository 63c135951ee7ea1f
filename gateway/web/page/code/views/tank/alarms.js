// The alarms of one tank, each with its card: what it is, why, what follows from it, what to do, who has it.
import { html } from "../../html.js";
import { way } from "../../go.js";
import { siteNow, useTop } from "../../live.js";
import { AlarmButtons } from "../../parts/alarm_acts.js";
import { alarmCaution } from "../../parts/alarm_words.js";
import { reasonText } from "../../parts/figure.js";
import { PriorityMark } from "../../parts/mark.js";
import { told } from "../../sentences.js";
import { clock, span } from "../../times.js";
import { hasWord, word } from "../../words.js";

const HIDDEN = ["shelved", "suppressed", "out_of_service"];

export function Alarms({ tag }) {
  const alarms = useTop("alarms");
  const own = (alarms ?? []).filter((each) => each.tank === tag);
  const hidden = own.filter(isHidden);
  return html`<section aria-labelledby="tank-alarms">
    <h2 id="tank-alarms">${word("tank.alarms")}</h2>
    ${alarms === undefined ? html`<p class="quiet">${word("said.waiting", { about: word("tank.alarms") })}</p>` : own.length === 0 && html`<p class="quiet">${word("tank.no_alarms")}</p>`}
    <ul>
      ${own.filter((each) => !isHidden(each)).map((each) => html`<${Card} key=${each.alarm.name} each=${each} />`)}
    </ul>
    ${hidden.length > 0 &&
    html`<details>
      <summary>${word("tank.hidden_alarms", { count: hidden.length })}</summary>
      <ul>
        ${hidden.map((each) => html`<${Card} key=${each.alarm.name} each=${each} />`)}
      </ul>
    </details>`}
    ${own.length > 0 && html`<p><a class="button" href=${way("alarms", tag)}>${word("tank.to_alarms")}</a></p>`}
  </section>`;
}

function isHidden({ alarm }) {
  return HIDDEN.includes(alarm.phase);
}

function Card({ each }) {
  const { alarm, consequence, action, response_s: response } = each;
  const key = `alarm.${alarm.kind}`;
  return html`<li class=${`alarm-card ${isHidden(each) ? "hidden-alarm" : ""}`}>
    <p class=${alarm.phase === "unacknowledged" ? "fresh" : ""}>
      <${PriorityMark} priority=${alarm.priority} fresh=${alarm.phase === "unacknowledged"} />
      ${" "}<strong>${hasWord(key) ? word(key) : alarm.name}</strong>
      ${" "}<span class="quiet">${word(`phase.${alarm.phase}`)}${alarm.by && `, ${alarm.by}`}${alarm.until && `, ${word("tank.until", { time: clock(alarm.until, siteNow()) })}`}</span>
    </p>
    ${alarm.reason && html`<p>${reasonText(alarm.reason)}</p>`}
    <dl>
      <div><dt>${word("alarm_card.since")}</dt><dd>${clock(alarm.raised ?? alarm.since, siteNow())}</dd></div>
      <div><dt>${word("alarm_card.consequence")}</dt><dd>${told(consequence)}</dd></div>
      <div><dt>${word("alarm_card.action")}</dt><dd>${told(action)}</dd></div>
      ${response !== null && html`<div><dt>${word("alarm_card.response")}</dt><dd>${span(response)}</dd></div>`}
      ${alarm.why && html`<div><dt>${word("alarm_card.why")}</dt><dd>${alarm.why}</dd></div>`}
    </dl>
    ${alarmCaution(alarm.kind) && html`<p class="small">⚠ ${alarmCaution(alarm.kind)}</p>`}
    <${AlarmButtons} each=${each} />
  </li>`;
}
