// How old something is: "4 s ago", counted on by the page itself.
import { html } from "../html.js";
import { siteNow, useEachSecond } from "../live.js";
import { full, span } from "../times.js";
import { word } from "../words.js";

export function Age({ time }) {
  const text = useEachSecond(() => {
    const now = siteNow();
    return now === null || !time ? "" : word("age.ago", { span: span((now - Date.parse(time)) / 1000) });
  });
  return html`<time class="quiet" datetime=${time} title=${time && full(time)}>${text}</time>`;
}
