// Looking ahead: what is there, how long it lasts and what fits, for the planner; what can be relied on, for the manager.
import { html } from "../html.js";
import { way } from "../go.js";
import { useWords } from "../words.js";
import { Supply } from "../parts/supply.js";
import { Trust } from "../parts/trust.js";

const PARTS = { supply: Supply, trust: Trust };

export function OutlookView({ rest }) {
  const word = useWords();
  const [name = "supply"] = rest;
  const Part = PARTS[name];
  return html`
    <h1>${word("way.outlook")}</h1>
    <nav class="parts" aria-label=${word("way.outlook")}>
      ${Object.keys(PARTS).map((each) => html`<a key=${each} href=${each === "supply" ? way("outlook") : way("outlook", each)} aria-current=${each === name ? "page" : undefined}>${word(`outlook.part.${each}`)}</a>`)}
    </nav>
    ${Part ? html`<${Part} />` : html`<p>${word("way.nowhere")}</p>`}
  `;
}
