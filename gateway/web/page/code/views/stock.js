// Stock: what the tanks hold now; closed days; what others measured; densities; gain and loss against tolerance.
import { html } from "../html.js";
import { way } from "../go.js";
import { useWords } from "../words.js";
import { AmountsPart } from "../parts/amounts_part.js";
import { DayPart } from "../parts/day_part.js";
import { DensitiesPart } from "../parts/densities_part.js";
import { LossesPart } from "../parts/losses_part.js";
import { StockNow } from "../parts/stock_now.js";

const PARTS = { now: StockNow, day: DayPart, amounts: AmountsPart, densities: DensitiesPart, losses: LossesPart };

export function StockView({ rest }) {
  const word = useWords();
  const [name = "now", ...more] = rest;
  const Part = PARTS[name];
  return html`
    <h1 class="onscreen">${word("way.stock")}</h1>
    <nav class="parts onscreen" aria-label=${word("way.stock")}>
      ${Object.keys(PARTS).map((each) => html`<a key=${each} href=${each === "now" ? way("stock") : way("stock", each)} aria-current=${each === name ? "page" : undefined}>${word(`stock.part.${each}`)}</a>`)}
    </nav>
    ${Part ? html`<${Part} rest=${more} />` : html`<p>${word("way.nowhere")}</p>`}
  `;
}
