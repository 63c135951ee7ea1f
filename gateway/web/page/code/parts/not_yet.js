// Of what is not there yet.
import { html } from "../html.js";
import { way } from "../go.js";
import { useLink } from "../live.js";
import { useWords } from "../words.js";

export function NotYet() {
  const word = useWords();
  const heard = useLink();
  if (heard === "refused") return html`<p><a href=${way("person")}>${word("strip.refused")}</a></p>`;
  return html`<p>${word("page.loading")}</p>`;
}
