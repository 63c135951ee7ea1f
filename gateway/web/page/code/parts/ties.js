// What is to be known of the two who stand for something: two names are not yet two people.
import { html } from "../html.js";
import { told } from "../sentences.js";
import { useWords } from "../words.js";

/** `told`: {in_the_way, ties} as the gateway tells them to this person; nothing where there is nothing to be known. */
export function Ties({ told: { in_the_way: inTheWay, ties } }) {
  const word = useWords();
  if (!inTheWay && !ties.length) return null;
  return html`<div class="ties">
    ${inTheWay && html`<p class="wrong">${word("second.in_the_way")} <span class="small">(${told(inTheWay)})</span></p>`}
    ${ties.length > 0 && html`<p><strong>${word("second.known")}</strong> ${tiesText(ties, word)}</p>`}
  </div>`;
}

export const tiesText = (ties, word) => ties.map((each) => word(`second.tie.${each.what}`, each)).join("; ");
