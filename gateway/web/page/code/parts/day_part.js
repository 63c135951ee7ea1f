// The close of a day as one revision has it: book against physical of each product, the month to its end, and its tanks.
import { html } from "../html.js";
import { go, way } from "../go.js";
import { told } from "../sentences.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { Balances } from "./balances.js";
import { CloseDayButton } from "./stock_acts.js";
import { DayTanks } from "./day_tanks.js";
import { AmountTable } from "./amount_table.js";
import { AsOf, useDocument } from "./document.js";
import { FileButton } from "./file_button.js";
import { dayBefore, useToday } from "./day_fields.js";

const MONTH = 31;
const SHOWN = 10;
const DAY = /^\d{4}-\d\d-\d\d$/;

/** `rest`: [day, revision], or nothing: the newest that is closed. */
export function DayPart({ rest }) {
  const word = useWords();
  const wanted = DAY.test(rest[0] ?? "") ? rest[0] : null;
  const today = useToday();
  // Which there are is asked for without their tanks: of many days they are long.
  const recent = useDocument(wanted === null ? today && `/days?brief=yes&from=${dayBefore(today, MONTH)}` : null);
  const closed = [...new Set((recent.document?.days ?? []).map((each) => each.day))].sort();
  const name = wanted ?? closed[closed.length - 1] ?? null;
  // A day ends within the two that follow its date.
  const one = useDocument(name && `/days?from=${name}&until=${dayBefore(name, -3)}`);
  const revisions = (one.document?.days ?? []).filter((each) => each.day === name).sort((a, b) => a.revision - b.revision);
  const day = revisions.find((each) => String(each.revision) === rest[1]) ?? revisions[revisions.length - 1] ?? null;
  const told = name === null ? recent : one;
  const reload = () => (recent.reload(), one.reload());
  const isThere = told.document !== null && (name === null || one.document !== null);
  return html`
    <div class="acts onscreen">
      <label>${word("day.choose")} <input type="date" value=${day?.day ?? wanted ?? ""} max=${today} onChange=${(event) => event.target.value && go("stock", "day", event.target.value)} /></label>
      <${CloseDayButton} day=${day?.day ?? null} done=${reload} />
      ${day !== null &&
      html`<button type="button" onClick=${() => window.print()}>${word("ticket.print")}</button>
        <${FileButton} path=${`/api/1/reports/reconciliation.pdf?day=${day.day}&revision=${day.revision}`} name=${`reconciliation-${day.day}`} form="pdf" label=${word("ticket.pdf")} />`}
    </div>
    ${(told.document === null || told.error) && html`<${AsOf} told=${told} />`}
    ${isThere && day === null && html`<p>${wanted === null ? word("day.none") : word("day.not_closed", { day: wanted })}</p>`}
    ${wanted === null && html`<${Recent} names=${closed} />`}
    ${day !== null && html`<${Close} day=${day} revisions=${revisions} document=${one.document} />`}
  `;
}

/** Closed days to choose from, the newest first. */
function Recent({ names }) {
  const word = useWords();
  if (names.length < 2) return null;
  return html`<p class="onscreen">${word("day.recent")} ${[...names].reverse().slice(0, SHOWN).map((name) => html`<a key=${name} class="button" href=${way("stock", "day", name)}>${name}</a> `)}</p>`;
}

function Close({ day, revisions, document }) {
  const word = useWords();
  const newest = revisions[revisions.length - 1];
  const hours = (Date.parse(day.end) - Date.parse(day.begin)) / 3_600_000;
  return html`<article class="paper statement">
    <header>
      <p class="quiet">${document.site} · ${document.time_zone}</p>
      <h2>${word("day.title", { day: day.day, revision: day.revision, of: revisions.length })}</h2>
      ${day.simulated && html`<p><strong>${word("row.simulated")}</strong></p>`}
      ${day !== newest && html`<p class="taken-back" role="note"><strong>${word("day.older")}</strong> <a href=${way("stock", "day", day.day, newest.revision)}>${word("day.revision", { number: newest.revision })}</a></p>`}
      <dl class="said">
        <div><dt>${word("day.from")}</dt><dd>${full(day.begin)} (${day.begin.slice(0, 19)}Z)</dd></div>
        <div><dt>${word("day.until")}</dt><dd>${full(day.end)} (${day.end.slice(0, 19)}Z), ${hours} h</dd></div>
        <div><dt>${word("day.closed")}</dt><dd>${full(day.made)} ${word("account.by", { who: day.by || word("account.gateway") })}</dd></div>
        <div><dt>${word("account.quality")}</dt><dd>${word(`quality.${day.quality}`)}${day.quality === "Uncertain" ? `, ${word("account.estimated")}` : ""}</dd></div>
        <div><dt>${word("day.opens_from")}</dt><dd>${openingText(word, day.opening)}</dd></div>
      </dl>
      ${day.why && html`<p><strong>${word("day.why")}</strong> ${whyText(day)}</p>`}
      <${Revisions} revisions=${revisions} shown=${day} />
    </header>
    <${Balances} day=${day} />
    <${DayTanks} day=${day} />
    <${DayAmounts} day=${day} />
    <footer><p class="small">${word("day.sums")}</p><p class="small">${word("day.tolerance")}</p><p>${document.site} day ${day.day} revision ${day.revision} · ${document.notice}</p></footer>
  </article>`;
}

/** What differs, as the gateway found it, or in the words of whoever had it closed. */
const whyText = ({ why, by }) => (by ? why : told(why));

function openingText(word, key) {
  const [, day, revision] = key.split(" ");
  return day ? word("day.close_of", { day, revision }) : word("day.no_opening");
}

/** What came late or was corrected: each revision stays, and says why it was made. */
function Revisions({ revisions, shown }) {
  const word = useWords();
  if (revisions.length < 2) return null;
  return html`<h3>${word("day.revisions")}</h3>
    <ol class="revisions">${revisions.map((each) => html`<li key=${each.revision}>
      <a href=${way("stock", "day", each.day, each.revision)} aria-current=${each === shown ? "true" : undefined}>${word("day.revision", { number: each.revision })}</a>
      ${" "}${full(each.made)} ${word("account.by", { who: each.by || word("account.gateway") })}${each.why && `: ${whyText(each)}`}
    </li>`)}</ol>`;
}

/** What others measured of that day: it makes the book. */
function DayAmounts({ day }) {
  const word = useWords();
  const told = useDocument(`/amounts?from=${encodeURIComponent(day.begin)}&until=${encodeURIComponent(day.end)}`);
  return html`<section>
    <h3>${word("amounts.of_day")}</h3>
    ${told.document === null ? html`<${AsOf} told=${told} />` : html`<${AmountTable} amounts=${told.document.amounts} complete=${told.document.complete} />`}
    <p class="onscreen"><a class="button" href=${way("stock", "amounts")}>${word("stock.part.amounts")}</a></p>
  </section>`;
}
