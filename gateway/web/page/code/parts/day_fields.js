// From which day until which: days of the site, as a calendar there shows them.
import { html } from "../html.js";
import { site, siteNow, useLink } from "../live.js";
import { useWords } from "../words.js";

const DAY_MS = 86_400_000;

/** The date at the site, as 2026-11-28; null before the gateway has said what time it is there. */
export function useToday() {
  useLink();
  const now = siteNow();
  return now === null || site.value === null ? null : dateOf(now);
}

/** The date on which an instant lies at the site. */
function dateOf(ms) {
  const zone = site.value?.time_zone ?? "UTC";
  const parts = new Intl.DateTimeFormat("en-CA", { timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit" }).formatToParts(new Date(ms));
  const found = Object.fromEntries(parts.map(({ type, value }) => [type, value]));
  return `${found.year}-${found.month}-${found.day}`;
}

/** So many days before a date; below zero: after it. */
export function dayBefore(date, days) {
  if (date === null) return null;
  return new Date(Date.parse(`${date}T00:00Z`) - days * DAY_MS).toISOString().slice(0, 10);
}

/** `until` is the last day that is in it; empty: up to now. */
export function DayFields({ from, until, change }) {
  const word = useWords();
  return html`<div class="fields">
    <label>${word("days.from")} <input type="date" value=${from} onChange=${(event) => event.target.value && change({ from: event.target.value, until })} /></label>
    <label>${word("days.until")} <input type="date" value=${until} min=${from} onChange=${(event) => change({ from, until: event.target.value })} /></label>
  </div>`;
}
