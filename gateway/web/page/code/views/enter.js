// Entering what people measured or know: of one tank, or of an instrument; and what is in force, with its end and its author.
import { html } from "../html.js";
import { go, way } from "../go.js";
import { useRow, useSite, useTags } from "../live.js";
import { ActButton } from "../parts/act_button.js";
import { density, dip, maintenance, productChange, sedimentWater, temperature } from "../parts/entry_acts.js";
import { InForce, InMaintenance, useEntered } from "../parts/in_force.js";
import { Present } from "../parts/present.js";
import { WaitingForSecond } from "../parts/waiting.js";
import { NotYet } from "../parts/not_yet.js";
import { offered, useSession } from "../session.js";
import { useWords } from "../words.js";

const OF_TANK = { dip, temperature, density, "sediment-water": sedimentWater, "product-change": productChange };

export function EnterView({ rest: [tank = ""] }) {
  const word = useWords();
  const site = useSite();
  const present = useTags();
  const entered = useEntered();
  const { person } = useSession();
  if (!site) return html`<h1>${word("way.enter")}</h1><${NotYet} />`;
  const known = !tank || tank in site.tanks;
  const nobody = person && !Object.keys(OF_TANK).some(offered) && !offered("maintenance");
  return html`<h1>${word("way.enter")}</h1>
    <div class="filter">
      <label for="enter-tank">${word("enter.of")}</label>
      <select id="enter-tank" onChange=${(event) => go("enter", ...(event.target.value ? [event.target.value] : []))}>
        <option value="" selected=${!tank}>${word("enter.choose")}</option>
        ${present.map((tag) => html`<option key=${tag} value=${tag} selected=${tag === tank}>${tag}</option>`)}
      </select>
      ${tank && known && html`<a class="button" href=${way("tank", tank)}>${word("enter.to_tank", { tank })}</a>`}
      <a class="button" href=${way("handover")}>${word("way.handover")}</a>
    </div>
    ${!known && html`<p class="wrong">✗ ${word("enter.no_tank", { tank })}</p>`}
    ${nobody && html`<p>${word("enter.may_nothing", { name: person.name, role: word(`role.${person.role}`) })}</p>`}
    ${known && (tank ? html`<${OfTank} tank=${tank} site=${site} />` : html`<${Instruments} site=${site} />`)}
    <${WaitingForSecond} entered=${entered} />
    <section aria-labelledby="in-force">
      <h2 id="in-force">${tank && known ? word("in_force.of", { tank }) : word("in_force.title")}</h2>
      <${InForce} entered=${entered} tank=${known ? tank : ""} />
    </section>
    <${InMaintenance} entered=${entered} tank=${known ? tank : ""} />`;
}

function OfTank({ tank, site }) {
  const word = useWords();
  const row = useRow(tank);
  const fixed = site.tanks[tank];
  const instruments = fixed.fed_by ?? [];
  return html`<section aria-labelledby="of-tank-head">
    <h2 id="of-tank-head">${word("enter.holds", { tank, product: row?.product ?? fixed.product })}</h2>
    <${Present} tag=${tank} names=${["level", "water", "temperature"]} />
    <ul class="choices">
      ${Object.entries(OF_TANK).map(([action, made]) => html`<${Choice} key=${action} action=${action} spec=${() => made(tank)} about=${tank} />`)}
      ${instruments.length > 0 && html`<${Choice} action="maintenance" spec=${() => maintenance(instruments, tank)} about=${tank} />`}
    </ul>
  </section>`;
}

function Instruments({ site }) {
  const word = useWords();
  useSession();
  if (!offered("maintenance")) return null;
  const all = [...new Set(Object.values(site.tanks).flatMap((fixed) => fixed.fed_by ?? []))].sort();
  return html`<section aria-labelledby="instruments-head">
    <h2 id="instruments-head">${word("enter.instruments")}</h2>
    <ul class="choices"><${Choice} action="maintenance" spec=${() => maintenance(all, site.name)} about=${site.name} /></ul>
  </section>`;
}

function Choice({ action, spec, about }) {
  const word = useWords();
  useSession();
  if (!offered(action)) return null;
  return html`<li><${ActButton} action=${action} spec=${spec} label=${word(`acts.${action}.open`)} about=${about} /> <span class="small quiet">${word(`acts.${action}.short`)}</span></li>`;
}
