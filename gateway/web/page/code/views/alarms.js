// Alarms: worst first, what nobody has acknowledged before the rest; what is hidden in lists of its own; a day of history.
import { html } from "../html.js";
import { go, way } from "../go.js";
import { row, siteNow, useEachSecond, useLink, useSite, useTags, useTop } from "../live.js";
import { AlarmButtons } from "../parts/alarm_acts.js";
import { actBy, floodOf, grouped } from "../parts/alarm_order.js";
import { alarmCaution, alarmName, GATEWAY, placeName } from "../parts/alarm_words.js";
import { DayOfAlarms } from "../parts/day_of_alarms.js";
import { reasonText } from "../parts/figure.js";
import { InMaintenance, useEntered } from "../parts/in_force.js";
import { PriorityMark } from "../parts/mark.js";
import { NotYet } from "../parts/not_yet.js";
import { told } from "../sentences.js";
import { clock, span } from "../times.js";
import { useWords, word } from "../words.js";

export function AlarmsView({ rest: [wanted = ""] }) {
  const word = useWords();
  const site = useSite();
  const alarms = useTop("alarms");
  const link = useLink();
  const present = useTags();
  // Of a place that is not there nothing would be wrong: an address that was kept, of a tank that has another name now.
  const tank = wanted === GATEWAY || present.includes(wanted) ? wanted : "";
  const entered = useEntered();
  const flood = useEachSecond(() => floodOf(alarms ?? [], siteNow() ?? 0));
  // Of what was never read nothing is judged, and no alarm says so.
  const unread = useEachSecond(() => present.filter((tag) => (!tank || tag === tank) && row(tag).value === null).length);
  if (!site || !alarms) return html`<h1>${word("way.alarms")}</h1><${NotYet} />`;
  const shown = alarms.filter((each) => !tank || (each.tank ?? GATEWAY) === tank);
  const groups = grouped(shown);
  const nothing = groups.waiting.length + groups.seen.length === 0;
  return html`<h1>${word("way.alarms")}</h1>
    <div class="filter">
      <label for="of-tank">${word("alarms.of")}</label>
      <select id="of-tank" onChange=${(event) => go("alarms", ...(event.target.value ? [event.target.value] : []))}>
        <option value="" selected=${!tank}>${word("alarms.whole_site")}</option>
        <option value=${GATEWAY} selected=${tank === GATEWAY}>${placeName(null)}</option>
        ${present.map((tag) => html`<option key=${tag} value=${tag} selected=${tag === tank}>${tag}</option>`)}
      </select>
      ${tank && shown.length < alarms.length ? html`<p>${word("alarms.elsewhere", { count: alarms.length - shown.length })} <a href=${way("alarms")}>${word("alarms.whole_site")}</a></p>` : null}
    </div>
    ${flood > 0 && html`<p class="flood" role="status"><strong>${word("alarms.flood", { count: flood })}</strong> ${word("alarms.flood_what")}</p>`}
    <p class="unseen" role="status">${groups.waiting.length ? word("alarms.heard", { count: groups.waiting.length, worst: wordsOf(groups.waiting[0]) }) : ""}</p>
    <div class="alarm-sides">
      <div>
        ${nothing && html`<p class="large">${word(link === "live" ? "alarms.nothing" : "alarms.not_known")}</p>`}
        ${unread > 0 && html`<p><strong>${word("alarms.unread", { count: unread })}</strong></p>`}
        <${Open} name="waiting" alarms=${groups.waiting} flood=${flood > 0} />
        <${Open} name="seen" alarms=${groups.seen} flood=${flood > 0} />
      </div>
      <div>
        <${Hidden} name="shelved" alarms=${groups.shelved} />
        <${Hidden} name="out_of_service" alarms=${groups.out_of_service} />
        <${Suppressed} alarms=${groups.suppressed} />
        <${InMaintenance} entered=${entered} tank=${tank} />
      </div>
    </div>
    <p class="small quiet">${word("alarms.caution")}</p>
    <${DayOfAlarms} key=${tank} tank=${tank} />`;
}

/** For who hears the page: the worst of those that nobody has acknowledged. */
const wordsOf = ({ tank, alarm }) => `${word(`priority.${alarm.priority}`)}, ${placeName(tank)} ${alarmName(alarm)}`;
const keyOf = ({ tank, alarm }) => `${tank ?? ""} ${alarm.name}`;

function Group({ name, count, children }) {
  const word = useWords();
  return html`<section aria-labelledby=${`alarms-${name}`}>
    <h2 id=${`alarms-${name}`}>${word(`alarms.${name}`)} <span class="quiet">${count}</span></h2>
    ${count ? html`<ul>${children}</ul>` : html`<p class="quiet">${word(`alarms.${name}_none`)}</p>`}
  </section>`;
}

function Open({ name, alarms, flood }) {
  return alarms.length ? html`<${Group} name=${name} count=${alarms.length}>${alarms.map((each) => html`<${Alarm} key=${keyOf(each)} each=${each} flood=${flood} />`)}<//>` : null;
}

function Where({ tank }) {
  return html`<a href=${tank ? way("tank", tank) : way("lines")}>${placeName(tank)}</a>`;
}

/** In a flood the card of what followed is folded: what came first of each tank is read first. */
function Alarm({ each, flood }) {
  const word = useWords();
  const { tank, alarm } = each;
  const fresh = alarm.phase !== "acknowledged";
  const now = siteNow() ?? Date.parse(alarm.since);
  return html`<li class=${`alarm ${fresh ? "fresh-alarm" : ""}`}>
    <div class="what">
      <${PriorityMark} priority=${alarm.priority} fresh=${fresh} />
      <h3 class=${fresh ? "fresh" : "plain"}><${Where} tank=${tank} /> ${alarmName(alarm)}</h3>
      ${alarm.order === 1 && html`<span class="first-up">${word("alarms.first_up")}</span>`}
      ${alarm.order > 1 && html`<span class="quiet small">${word("alarms.nth", { order: alarm.order })}</span>`}
    </div>
    <p class="when">
      ${alarm.raised && html`<span>${word("alarms.since", { time: clock(alarm.raised, now) })} <span class="quiet"><${For} time=${alarm.raised} /></span></span>`}
      <strong>${word(alarm.active ? "alarms.still" : "alarms.over")}</strong>
      <${ActBy} each=${each} />
    </p>
    ${alarm.reason && html`<p>${reasonText(alarm.reason)}</p>`}
    <p>${word("alarms.who")} <strong>${alarm.by ? word("alarms.has_it", { by: alarm.by, time: clock(alarm.since, now) }) : word("alarms.nobody")}</strong>${alarm.by && alarm.why && ` “${alarm.why}”`}</p>
    ${flood && alarm.order > 1 ? html`<details><summary>${word("alarms.do")}</summary><${Card} each=${each} /></details>` : html`<${Card} each=${each} />`}
    <${AlarmButtons} each=${each} />
  </li>`;
}

function Card({ each: { alarm, action, consequence } }) {
  const word = useWords();
  const caution = alarmCaution(alarm.kind);
  return html`<dl>
      <dt>${word("alarms.do")}</dt><dd>${told(action)}</dd>
      <dt>${word("alarms.otherwise")}</dt><dd>${told(consequence)}</dd>
    </dl>
    ${caution && html`<p class="small">⚠ ${caution}</p>`}`;
}

/** Whether what raised it holds, though it is not told: never left open. */
function Holds({ alarm }) {
  const word = useWords();
  return alarm.active ? html`<strong>${word("alarms.holds")}</strong>` : html`<span class="quiet">${word("alarms.holds_not")}</span>`;
}

/** What a person has hidden: until when, who and why; and what to do, where its cause holds. */
function Hidden({ name, alarms }) {
  const word = useWords();
  const now = siteNow() ?? 0;
  return html`<${Group} name=${name} count=${alarms.length}>
    ${alarms.map((each) => {
      const { tank, alarm } = each;
      return html`<li key=${keyOf(each)} class="alarm">
        <div class="what"><${PriorityMark} priority=${alarm.priority} /><h3 class="plain"><${Where} tank=${tank} /> ${alarmName(alarm)}</h3><${Holds} alarm=${alarm} /></div>
        <p>
          ${alarm.until && html`<strong>${word("alarms.until", { time: clock(alarm.until, now) })}</strong> `}${alarm.by && word("alarms.by", { by: alarm.by })}
          ${alarm.why && ` “${alarm.why}”`}
        </p>
        ${alarm.active && html`${alarm.reason && html`<p>${reasonText(alarm.reason)}</p>`}<${Card} each=${each} />`}
        <${AlarmButtons} each=${each} />
      </li>`;
    })}
  <//>`;
}

/** One reason hides many at once: they stand together by tank and reason. */
function Suppressed({ alarms }) {
  const together = new Map();
  for (const each of alarms) {
    const key = `${each.tank ?? ""} ${each.alarm.reason?.text ?? ""}`;
    together.set(key, [...(together.get(key) ?? []), each]);
  }
  return html`<${Group} name="suppressed" count=${alarms.length}>
    ${[...together].map(
      ([key, own]) => html`<li key=${key} class="alarm">
        <h3 class="plain"><${Where} tank=${own[0].tank} /> ${reasonText(own[0].alarm.reason)}</h3>
        <ul class="together-alarms">
          ${own.map((each) => html`<li key=${each.alarm.name}><${PriorityMark} priority=${each.alarm.priority} /> ${alarmName(each.alarm)}${each.alarm.active ? html` <${Holds} alarm=${each.alarm} />` : null}</li>`)}
        </ul>
      </li>`,
    )}
  <//>`;
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
