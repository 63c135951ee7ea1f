// How old something is: "4 s ago", counted on by the page itself.
import { html } from "../html.js";
import { siteNow, useEachSecond } from "../live.js";
import { full, span } from "../times.js";
import { word } from "../words.js";

/**
 * When the older of level and temperature was measured, as `tank-gateway show` tells a tank's age: the sheet may be of
 * now and rest on what is a minute old. What was entered by hand says so elsewhere. Of a level that is lost it is when it
 * was last good: a sheet of now that has nothing to tell is not fresh.
 */
export function measuredAt(row) {
  const figures = [row.level, row.temperature].filter((fig) => fig && fig.v !== null && fig.v !== undefined && !fig.manual);
  const lost = row.level?.q === "Bad" && row.level.last ? [row.level.last.t] : [];
  return [...lost, ...figures.map((fig) => fig.t ?? row.time)].reduce((oldest, time) => (Date.parse(time) < Date.parse(oldest) ? time : oldest), row.time);
}

export function Age({ time }) {
  const text = useEachSecond(() => {
    const now = siteNow();
    return now === null || !time ? "" : word("age.ago", { span: span((now - Date.parse(time)) / 1000) });
  });
  return html`<time class="quiet" datetime=${time} title=${time && full(time)}>${text}</time>`;
}
