// The gateway itself, for whoever allows, installs and restores it, and what an auditor asks of it.
import { html } from "../html.js";
import { way } from "../go.js";
import { useWords } from "../words.js";
import { Evidence } from "../parts/evidence.js";
import { GatewayItself } from "../parts/gateway_itself.js";

const PARTS = { itself: GatewayItself, evidence: Evidence };

export function GatewayView({ rest }) {
  const word = useWords();
  const [name = "itself"] = rest;
  const Part = PARTS[name];
  return html`
    <h1>${word("way.gateway")}</h1>
    <nav class="parts" aria-label=${word("way.gateway")}>
      ${Object.keys(PARTS).map((each) => html`<a key=${each} href=${each === "itself" ? way("gateway") : way("gateway", each)} aria-current=${each === name ? "page" : undefined}>${word(`gateway.part.${each}`)}</a>`)}
    </nav>
    ${Part ? html`<${Part} />` : html`<p>${word("way.nowhere")}</p>`}
  `;
}
