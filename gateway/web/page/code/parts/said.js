// Sentences in place of what is not there: it is coming, or why it is not.
import { html } from "../html.js";
import { way } from "../go.js";
import { told } from "../sentences.js";
import { word } from "../words.js";
import { hintText } from "./hint_text.js";

/** What went wrong with a request, as the gateway says it, and what can be done. */
export function Trouble({ error, again = null, about = "" }) {
  return html`<div class="trouble" role="status">
    <p>
      ${about && html`<strong>${about}</strong> `}${error.sentences ? error.sentences.map(told).join("; ") : word("said.fault")}${error.hint ? ` (${hintText(error.hint)})` : ""}
      ${error.needsSignIn && html` <a href=${way("person")}>${word("strip.sign_in")}</a>`}
    </p>
    ${again && html`<button type="button" onClick=${again}>${word("said.again")}</button>`}
  </div>`;
}

export function Waiting({ about }) {
  return html`<p class="quiet" role="status">${word("said.waiting", { about })}</p>`;
}
