// What a report will hold, before it is made: its parts, its span by the clock, and whether there is anything to report of.
import { html } from "../html.js";
import { useWords } from "../words.js";
import { full } from "../times.js";
import { dayBefore } from "./day_fields.js";
import { useDocument } from "./document.js";

const CLOSED = new Set(["reconciliation", "stock"]);

export function ReportHolds({ kind, way, wanted, form }) {
  const word = useWords();
  return html`<section class="holds" aria-live="polite">
    <h2>${word("reports.holds")}</h2>
    <p>${word(`reports.holds.${kind}`)}</p>
    ${CLOSED.has(kind) && way === "day" && wanted && html`<${OfDay} day=${wanted} />`}
    ${CLOSED.has(kind) && way === "month" && wanted && html`<${OfMonth} month=${wanted} />`}
    <p class="quiet">${word(`reports.form_means_${form}`)}</p>
  </section>`;
}

function OfDay({ day }) {
  const word = useWords();
  const { document } = useDocument(`/days?brief=yes&from=${day}&until=${dayBefore(day, -3)}`);
  const revisions = (document?.days ?? []).filter((each) => each.day === day);
  if (document === null) return html`<p class="quiet">${word("document.asked")}</p>`;
  const newest = revisions.sort((one, other) => one.revision - other.revision)[revisions.length - 1];
  if (!newest) return html`<p><strong>${word("day.not_closed", { day })}</strong></p>`;
  return html`<p>${word("reports.day_span", { from: full(newest.begin), until: full(newest.end), revision: newest.revision, of: revisions.length })}</p>`;
}

function OfMonth({ month }) {
  const word = useWords();
  const { document } = useDocument(`/days?brief=yes&from=${month}-01&until=${dayBefore(`${month}-01`, -34)}`);
  if (document === null) return html`<p class="quiet">${word("document.asked")}</p>`;
  const days = [...new Set(document.days.map((each) => each.day).filter((day) => day.startsWith(month)))].sort();
  if (days.length === 0) return html`<p><strong>${word("losses.none", { month })}</strong></p>`;
  return html`<p>${word("reports.month_span", { count: days.length, first: days[0], last: days[days.length - 1] })}</p>`;
}
