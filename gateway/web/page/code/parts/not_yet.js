// In the place of what is not there yet: it comes, or nobody is signed in who may see it.
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
