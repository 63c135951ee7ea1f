// What alarms did on one day of the site, out of what is kept: each raising, acknowledgement and return, newest first.
import { html, useEffect, useRef, useState } from "../html.js";
import { get } from "../ask.js";
import { siteNow, tags, useSite } from "../live.js";
import { full } from "../times.js";
import { hasWord, useWords } from "../words.js";
import { alarmNameOf, GATEWAY, placeName } from "./alarm_words.js";
import { reasonText } from "./figure.js";
import { PriorityMark } from "./mark.js";
import { instantsOf, utcText, wallOf } from "./zoned.js";

const DAY_MS = 24 * 60 * 60_000;
const ABOUT_ALARMS = /^(alarm_|maintenance_)/;
const MOST = 2000;
/** The gateway reads for a few at once, and has others to read for. */
const AT_ONCE = 3;

/** `tank`: of one place; empty: of the whole site, tank after tank. */
export function DayOfAlarms({ tank }) {
  const word = useWords();
  const site = useSite();
  const zone = site.time_zone;
  const [day, setDay] = useState(() => wallOf(siteNow() ?? Date.now(), zone).slice(0, 10));
  const [found, setFound] = useState(null);
  const turn = useRef(0);
  useEffect(() => () => (turn.current += 1), []);
  const load = async () => {
    const own = (turn.current += 1);
    const span = spanOf(day, zone);
    const places = tank ? [tank] : [GATEWAY, ...tags.value];
    const events = [];
    /** By sentence: the places that it is about. */
    const wrong = new Map();
    const note = (sentence, place) => wrong.set(sentence, [...(wrong.get(sentence) ?? []), placeName(place === GATEWAY ? null : place)]);
    let read = 0;
    const waiting = [...places];
    const reader = async () => {
      for (let place = waiting.shift(); place !== undefined && own === turn.current; place = waiting.shift()) {
        try {
          const { found, unreadable, isCut } = await eventsOf(place, span);
          events.push(...found);
          if (unreadable > 0) note(word("alarm_day.unreadable", { count: unreadable }), place);
          if (isCut) note(word("alarm_day.cut", { count: found.length }), place);
        } catch (error) {
          note((error.sentences ?? [String(error)]).join("; "), place);
        }
        read += 1;
        if (own === turn.current) setFound({ busy: word("alarm_day.loading", { number: read, of: places.length }), events: [], wrong: new Map() });
      }
    };
    await Promise.all(Array.from({ length: AT_ONCE }, reader));
    if (own !== turn.current) return;
    events.sort((a, b) => Date.parse(b.time) - Date.parse(a.time));
    setFound({ events, wrong, day });
  };
  return html`<section aria-labelledby="day-of-alarms" class="day-of-alarms">
    <h2 id="day-of-alarms">${word("alarm_day.title")}</h2>
    <form class="filter" onSubmit=${(event) => (event.preventDefault(), load())}>
      <label for="day-of">${word("alarm_day.of", { zone })}</label>
      <input id="day-of" type="date" value=${day} required onInput=${(event) => setDay(event.target.value)} />
      <button type="submit">${word("alarm_day.show")}</button>
    </form>
    <div role="status">${found?.busy ?? (found && !found.events.length && !found.wrong.size && word("alarm_day.nothing"))}</div>
    ${found && [...found.wrong].map(([sentence, places]) => html`<p key=${sentence} class="wrong">✗ ${places.join(", ")}: ${sentence}</p>`)}
    ${found?.events.length ? html`<${Events} events=${found.events} tank=${tank} />` : null}
  </section>`;
}

function Events({ events, tank }) {
  const word = useWords();
  const heads = ["time", ...(tank ? [] : ["place"]), "what", "alarm", "by", "said"];
  return html`<div class="wide" tabindex="0" role="region" aria-label=${word("alarm_day.title")}>
    <table>
      <thead><tr>${heads.map((head) => html`<th key=${head} scope="col">${word(`alarm_day.${head}`)}</th>`)}</tr></thead>
      <tbody>
        ${events.map((each) => {
          const kind = hasWord(`event.${each.kind}`) ? word(`event.${each.kind}`) : each.kind;
          const { boot, sequence, tank: place } = each.identity;
          return html`<tr key=${`${place} ${boot} ${sequence} ${each.number}`}>
            <td>${full(each.time)}</td>
            ${!tank && html`<td>${placeName(place)}</td>`}
            <td>${kind}</td>
            <td>${each.alarm && html`<${PriorityMark} priority=${each.alarm.priority} />`} ${each.kind.startsWith("alarm_") && each.subject ? alarmNameOf(each.subject) : each.subject}</td>
            <td>${each.by ?? ""}</td>
            <td>${reasonText(each.reason)}</td>
          </tr>`;
        })}
      </tbody>
    </table>
  </div>`;
}

/** From midnight to midnight by the site's clock: 23, 24 or 25 hours. */
function spanOf(day, zone) {
  const next = new Date(Date.parse(`${day}T00:00Z`) + DAY_MS).toISOString().slice(0, 10);
  return { from: utcText(firstOf(day, zone)), until: utcText(firstOf(next, zone)) };
}

function firstOf(day, zone) {
  // Where the clock is put forward over midnight the day begins at one.
  return instantsOf(`${day}T00:00`, zone)[0] ?? instantsOf(`${day}T01:00`, zone)[0];
}

/** {found, unreadable, isCut}: the newest, how many cannot be read, and whether there are more. */
async function eventsOf(place, span) {
  const found = [];
  let before = null;
  let unreadable = 0;
  do {
    const query = new URLSearchParams({ ...span, ...(before === null ? {} : { before }) });
    const document = await get(`/api/1/tanks/${encodeURIComponent(place)}/events?${query}`);
    found.push(...document.events.filter(({ kind }) => ABOUT_ALARMS.test(kind)));
    unreadable += document.unreadable;
    before = document.before;
  } while (before !== null && before !== undefined && found.length < MOST);
  return { found, unreadable, isCut: before !== null && before !== undefined };
}
