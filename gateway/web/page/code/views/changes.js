// Who changed what: the audit trail, newest first, with what stood before and after.
import { html, useState } from "../html.js";
import { get } from "../ask.js";
import { way } from "../go.js";
import { useSite } from "../live.js";
import { DayFields, dayBefore, useToday } from "../parts/day_fields.js";
import { AsOf, Sentences, useDocument } from "../parts/document.js";
import { told } from "../sentences.js";
import { useSession } from "../session.js";
import { full } from "../times.js";
import { hasWord, useWords } from "../words.js";

const USUAL_DAYS = 31;
const AT_ONCE = 100;

export function ChangesView() {
  const word = useWords();
  const { person, may } = useSession();
  // Asking would be refused: nobody is asked what he cannot answer.
  if (may.includes("read-changes")) return html`<${Trail} person=${person} />`;
  return html`<div>
    <h1>${word("way.changes")}</h1>
    <p>${word(person ? "changes.not_for" : "changes.signed_in")} ${!person && html`<a href=${way("person")}>${word("strip.sign_in")}</a>`}</p>
  </div>`;
}

function Trail({ person }) {
  const word = useWords();
  const today = useToday();
  const [span, setSpan] = useState(null);
  const [wanted, setWanted] = useState("");
  const asked = span ?? { from: dayBefore(today, USUAL_DAYS), until: "" };
  // Another person may see more: asked for again when somebody else is signed in.
  const told = useDocument(today === null ? null : pathOf(asked, null), { turn: person?.name ?? "" });
  return html`<div>
    <h1>${word("way.changes")}</h1>
    <p class="small">${word("changes.chain")}</p>
    <div class="fields">
      <${DayFields} from=${asked.from} until=${asked.until} change=${setSpan} />
      <label>${word("changes.find")} <input type="search" value=${wanted} onInput=${(event) => setWanted(event.target.value)} /></label>
    </div>
    <${AsOf} told=${told} />
    ${told.document && html`<${Rows} key=${`${pathOf(asked, null)} ${told.document.newest_hash}`} first=${told.document} asked=${asked} wanted=${wanted.trim().toLowerCase()} />`}
  </div>`;
}

/** Of a list that is paged by the number of its rows: `before` is the last one that is shown. */
function pathOf({ from, until }, before) {
  const query = new URLSearchParams({ from, at_most: String(AT_ONCE) });
  // The last day is in it: up to the beginning of the next.
  if (until) query.set("until", dayBefore(until, -1));
  if (before !== null) query.set("before", String(before));
  return `/api/1/changes?${query}`;
}

function Rows({ first, asked, wanted }) {
  const word = useWords();
  const [older, setOlder] = useState({ rows: [], before: first.before, error: null, waits: false });
  const rows = [...first.rows, ...older.rows];
  const found = wanted ? rows.filter((each) => JSON.stringify(each).toLowerCase().includes(wanted)) : rows;
  const more = async () => {
    setOlder({ ...older, waits: true, error: null });
    try {
      const next = await get(pathOf(asked, older.before));
      setOlder({ rows: [...older.rows, ...next.rows], before: next.before, error: null, waits: false });
    } catch (error) {
      setOlder({ ...older, error, waits: false });
    }
  };
  return html`<div>
    ${rows.length === 0 && html`<p>${word("changes.none")}</p>`}
    ${rows.length > 0 && found.length < rows.length && html`<p class="small">${word("changes.found", { count: found.length, of: rows.length })}</p>`}
    <ol class="changes">${found.map((each) => html`<${Change} key=${each.number} change=${each} />`)}</ol>
    ${older.error && html`<${Sentences} error=${older.error} />`}
    ${older.before !== null && html`<button disabled=${older.waits} onClick=${more}>${word("changes.older")}</button>`}
  </div>`;
}

function Change({ change }) {
  const word = useWords();
  const site = useSite();
  const { number, time, by, action, asked, why, before, after, text, hash } = change;
  const key = [`acts.title.${action}`, `act.title.${action.replaceAll(" ", "_")}`].find(hasWord);
  return html`<li class="change">
    <p>
      <strong>${key ? word(key) : told(action)}</strong> ${asked.tank && html` <strong>${asked.tank}</strong>`}
      ${by && html` <span>${word("changes.by", { by })}</span>`} <time datetime=${time} title=${time}>${full(time)}</time> <span class="unit">${site?.time_zone}</span>
      ${" "}<span class="quiet small" title=${hash}>${word("changes.number", { number })}</span>
    </p>
    ${why && html`<p>${word("changes.why", { why })}</p>`}
    ${text && html`<p><code>${text}</code></p>`}
    <dl class="small facts">
      ${Object.entries(asked).map(([name, value]) => html`<div key=${name}><dt>${name}</dt><dd>${plain(value)}</dd></div>`)}
    </dl>
    ${(before || after) &&
    html`<details><summary>${word("changes.before_after")}</summary>
      <dl class="small"><dt>${word("changes.before")}</dt><dd><${Plain} value=${before} /></dd><dt>${word("changes.after")}</dt><dd><${Plain} value=${after} /></dd></dl>
    </details>`}
  </li>`;
}

const plain = (value) => (typeof value === "string" ? value : JSON.stringify(value));

/** A document of the gateway as a list of its members: what stands there, and nothing made of it. */
function Plain({ value }) {
  const word = useWords();
  if (value === null || value === undefined) return html`<span class="quiet">${word("changes.nothing")}</span>`;
  if (typeof value !== "object") return html`${String(value)}`;
  return html`<ul class="plain">${Object.entries(value).map(([name, each]) => html`<li key=${name}>${!Array.isArray(value) && html`<span class="quiet">${name}</span> `}<${Plain} value=${each} /></li>`)}</ul>`;
}
