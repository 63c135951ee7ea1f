// Alarms: worst first, what nobody has acknowledged before the rest; what is hidden in lists of its own; a day of history.
import { html } from "../html.js";
import { go, way } from "../go.js";
import { siteNow, useEachSecond, useLink, useSite, useTags, useTop } from "../live.js";
import { AlarmButtons } from "../parts/alarm_acts.js";
import { actBy, floodOf, grouped } from "../parts/alarm_order.js";
import { alarmName, GATEWAY, placeName } from "../parts/alarm_words.js";
import { DayOfAlarms } from "../parts/day_of_alarms.js";
import { InMaintenance, useEntered } from "../parts/in_force.js";
import { PriorityMark } from "../parts/mark.js";
import { clock, span } from "../times.js";
import { useWords } from "../words.js";

const HIDDEN = ["shelved", "suppressed", "out_of_service"];

export function AlarmsView({ rest: [tank = ""] }) {
  const word = useWords();
  const site = useSite();
  const alarms = useTop("alarms");
  const link = useLink();
  const present = useTags();
  const entered = useEntered();
  if (!site || !alarms) return html`<h1>${word("way.alarms")}</h1><p>${word("page.loading")}</p>`;
  const told = alarms.filter((each) => !tank || (each.tank ?? GATEWAY) === tank);
  const groups = grouped(told);
  const nothing = groups.waiting.length + groups.seen.length === 0;
  return html`<h1>${word("way.alarms")}</h1>
    <div class="filter">
      <label for="of-tank">${word("alarms.of")}</label>
      <select id="of-tank" onChange=${(event) => go("alarms", ...(event.target.value ? [event.target.value] : []))}>
        <option value="" selected=${!tank}>${word("alarms.whole_site")}</option>
        <option value=${GATEWAY} selected=${tank === GATEWAY}>${placeName(null)}</option>
        ${present.map((tag) => html`<option key=${tag} value=${tag} selected=${tag === tank}>${tag}</option>`)}
      </select>
      ${tank && told.length < alarms.length ? html`<p>${word("alarms.elsewhere", { count: alarms.length - told.length })} <a href=${way("alarms")}>${word("alarms.whole_site")}</a></p>` : null}
    </div>
    <${Flood} alarms=${alarms} />
    ${nothing && html`<p class="large">${word(link === "live" ? "alarms.nothing" : "alarms.not_known")}</p>`}
    <${Group} name="waiting" alarms=${groups.waiting} />
    <${Group} name="seen" alarms=${groups.seen} />
    ${HIDDEN.map((name) => html`<${Group} key=${name} name=${name} alarms=${groups[name]} always />`)}
    <${InMaintenance} entered=${entered} tank=${tank} />
    <p class="small quiet">${word("alarms.caution")}</p>
    <${DayOfAlarms} key=${tank} tank=${tank} />`;
}

function Flood({ alarms }) {
  const word = useWords();
  const count = useEachSecond(() => floodOf(alarms, siteNow() ?? 0));
  return count ? html`<p class="flood" role="status"><strong>${word("alarms.flood", { count })}</strong> ${word("alarms.flood_what")}</p>` : null;
}

function Group({ name, alarms, always = false }) {
  const word = useWords();
  if (!alarms.length && !always) return null;
  return html`<section aria-labelledby=${`alarms-${name}`} class=${`alarms ${name}`}>
    <h2 id=${`alarms-${name}`}>${word(`alarms.${name}`)} <span class="quiet">${alarms.length}</span></h2>
    ${!alarms.length && html`<p class="quiet">${word(`alarms.${name}_none`)}</p>`}
    <ul>${alarms.map((each) => html`<${Alarm} key=${`${each.tank ?? ""} ${each.alarm.name}`} each=${each} />`)}</ul>
  </section>`;
}

function Alarm({ each }) {
  const word = useWords();
  const { tank, alarm, consequence, action } = each;
  const fresh = alarm.phase === "unacknowledged" || alarm.phase === "returned";
  const hidden = HIDDEN.includes(alarm.phase);
  const now = siteNow() ?? Date.parse(alarm.since);
  return html`<li class=${`alarm ${fresh ? "fresh-alarm" : ""}`}>
    <div class="what">
      <${PriorityMark} priority=${alarm.priority} fresh=${fresh} />
      <h3 class=${fresh ? "fresh" : "plain"}><a href=${tank ? way("tank", tank) : way("lines")}>${placeName(tank)}</a> ${alarmName(alarm)}</h3>
      ${alarm.order === 1 && !hidden && html`<span class="first-up">${word("alarms.first_up")}</span>`}
      ${alarm.order > 1 && !hidden && html`<span class="quiet small">${word("alarms.nth", { order: alarm.order })}</span>`}
    </div>
    <p class="when">
      ${alarm.raised && html`<span>${word("alarms.since", { time: clock(alarm.raised, now) })} <span class="quiet"><${For} time=${alarm.raised} /></span></span>`}
      <strong>${word(alarm.active ? (hidden ? "alarms.holds" : "alarms.still") : hidden ? "alarms.holds_not" : "alarms.over")}</strong>
      <${ActBy} each=${each} />
    </p>
    ${alarm.reason && html`<p>${alarm.reason.text}</p>`}
    ${hidden ? html`<${WhyHidden} alarm=${alarm} now=${now} />` : html`<p>${word("alarms.who")} <strong>${alarm.by ? word("alarms.has_it", { by: alarm.by, time: clock(alarm.since, now) }) : word("alarms.nobody")}</strong>${alarm.by && alarm.why && ` “${alarm.why}”`}</p>`}
    <dl>
      <dt>${word("alarms.do")}</dt><dd>${action}</dd>
      <dt>${word("alarms.otherwise")}</dt><dd>${consequence}</dd>
    </dl>
    <${AlarmButtons} each=${each} />
  </li>`;
}

function WhyHidden({ alarm, now }) {
  const word = useWords();
  return html`<p>
    <strong>${word(`alarms.is_${alarm.phase}`)}</strong>${alarm.until && html` <strong>${word("alarms.until", { time: clock(alarm.until, now) })}</strong>`}
    ${alarm.by && ` ${word("alarms.by", { by: alarm.by })}`}${alarm.why && ` “${alarm.why}”`}
  </p>`;
}

function For({ time }) {
  const word = useWords();
  const told = useEachSecond(() => span(((siteNow() ?? Date.parse(time)) - Date.parse(time)) / 1000));
  return html`${word("alarms.for", { span: told })}`;
}

/** The end of the response time by the clock, and what is left of it. */
function ActBy({ each }) {
  const word = useWords();
  const end = actBy(each);
  const left = useEachSecond(() => (end === null ? "" : Math.round((end - (siteNow() ?? end)) / 1000)));
  if (end === null) return null;
  const time = clock(end, siteNow() ?? end);
  if (left > 0) return html`<span>${word("alarms.act_by", { time, span: span(left) })}</span>`;
  return html`<strong class=${each.alarm.phase === "unacknowledged" ? each.alarm.priority : ""}>${word("alarms.too_late", { time, span: span(-left) })}</strong>`;
}
