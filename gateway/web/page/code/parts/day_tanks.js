// What was in every tank when a day was closed, and what that adds up to by product; first, which tanks to look at and why.
import { html } from "../html.js";
import { way } from "../go.js";
import { referenceText } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, codeWord, exactly, reasonTexts, signOf } from "./account_figures.js";
import { total, written } from "./exact.js";

const SHOWN = ["level", "water_level", "liquid_temperature", "reference_density", "tov", "free_water", "gov", "gsv", "nsv", "mass", "weight_in_air"];
const SUMMED = new Set(["tov", "free_water", "gov", "gsv", "nsv", "mass", "weight_in_air"]);
const STANDARD = new Set(["gsv", "nsv", "reference_density"]);
/** What makes an estimate of a sheet that is Good by itself. */
const LOWER = new Set(["moving", "clock_untrusted"]);

export function DayTanks({ day }) {
  const word = useWords();
  const doubtful = day.tanks.filter((tank) => doubtsOf(word, tank).length > 0 || qualityOf(tank) !== "Good");
  const shown = SHOWN.filter((name) => day.tanks.some((tank) => tank.gauging && hasFigure(tank.gauging.figures[name])));
  return html`
    <section>
      <h3>${word("day.look_at")}</h3>
      ${doubtful.length === 0 && html`<p>${word("day.all_good")}</p>`}
      <ul class="doubts">${doubtful.map((tank) => html`<li key=${tank.tank}><strong>${tank.tank}</strong> <span>${tank.product}</span>: ${[...doubtsOf(word, tank), qualityText(word, tank)].join("; ")}</li>`)}</ul>
    </section>
    <section>
      <h3>${word("day.stock")}</h3>
      <div class="wide" tabindex="0" role="group" aria-label=${word("day.stock")}><table class="stacked">
        <thead><tr>
          <th scope="col">${word("day.tank")}</th>
          ${shown.map((name) => html`<th key=${name} scope="col" class="number">${word(`stock.figure.${name}`)} <span class="unit">${signOf(name)}</span></th>`)}
          <th scope="col">${word("account.quality")}</th><th scope="col">${word("account.sheet_of")}</th>
        </tr></thead>
        ${productsOf(day).map(([product, tanks]) => html`<${ProductRows} key=${product} product=${product} tanks=${tanks} shown=${shown} />`)}
      </table></div>
    </section>
  `;
}

function ProductRows({ product, tanks, shown }) {
  const word = useWords();
  const reference = tanks.map((tank) => referenceText(tank.gauging?.reference_temperature_c)).find(Boolean);
  const estimated = tanks.some((tank) => isEstimate(tank) || (tank.gauging && tank.gauging.quality === "Uncertain"));
  const incomplete = tanks.some((tank) => !tank.gauging || tank.gauging.quality === "Bad");
  return html`<tbody>
    <tr class="group"><th colspan=${shown.length + 3} scope="colgroup">${product}${reference && html` <span class="unit">${word("ticket.standard_at", { temperature: reference })}</span>`}</th></tr>
    ${tanks.map((tank) => html`<${TankRow} key=${tank.tank} tank=${tank} shown=${shown} />`)}
    ${tanks.length > 1 && html`<tr class="sum">
      <th scope="row">${word("day.total", { product })}</th>
      ${shown.map((name) => html`<td key=${name} class="number" data-name=${word(`stock.figure.${name}`)}>${SUMMED.has(name) ? html`<${Total} tanks=${tanks} name=${name} />` : null}</td>`)}
      <td colspan="2">${[incomplete && word("stock.incomplete"), estimated && word("account.estimated")].filter(Boolean).join(", ")}</td>
    </tr>`}
  </tbody>`;
}

function TankRow({ tank, shown }) {
  const word = useWords();
  const { gauging } = tank;
  const estimate = isEstimate(tank);
  return html`<tr>
    <th scope="row"><a href=${way("tank", tank.tank)}>${tank.tank}</a>${tank.owner && html`<br /><span class="small quiet">${tank.owner}</span>`}</th>
    ${shown.map((name) => html`<td key=${name} class="number" data-name=${`${word(`stock.figure.${name}`)} ${STANDARD.has(name) ? referenceText(gauging?.reference_temperature_c) : ""} ${signOf(name)}`}>${
      gauging ? html`<${AccountFigure} figure=${doubted(gauging.figures[name], estimate)} name=${name} unit=${false} />` : html`<span class="novalue">${word("figure.no_value")}</span>`
    }</td>`)}
    <td class="reasons" data-name=${word("account.quality")}>${[qualityText(word, tank), ...flagsOf(word, tank)].join("; ")}</td>
    <td class="instant" data-name=${word("account.sheet_of")}>${gauging ? html`<time datetime=${gauging.instant}>${full(gauging.instant)}</time>` : ""}</td>
  </tr>`;
}

/** The sum of the rows that are shown, and of how many. */
function Total({ tanks, name }) {
  const word = useWords();
  const having = tanks.filter((tank) => !tank.gauging || hasFigure(tank.gauging.figures[name]) || noneDetected(tank.gauging.figures[name]));
  if (having.length === 0) return null;
  const counted = having.filter((tank) => tank.gauging && tank.gauging.figures[name].value !== null);
  const included = counted.length + having.filter((tank) => tank.gauging && noneDetected(tank.gauging.figures[name])).length;
  const doubtful = counted.some((tank) => isEstimate(tank) || tank.gauging.figures[name].quality === "Uncertain");
  const sum = counted.length ? written(total(counted.map((tank) => exactly(name, tank.gauging.figures[name].value)))) : word("figure.no_value");
  return html`<strong>${sum}</strong>${doubtful && html`?<span class="unseen"> ${word("account.estimated")}</span>`}${included < having.length && html`<br /><span class="small">${word("totals.included", { included, of: having.length })}</span>`}`;
}

function hasFigure(figure) {
  return Boolean(figure) && (figure.value !== null || figure.quality === "Bad");
}

function noneDetected(figure) {
  return figure?.value === null && figure.reasons.some((each) => each.code === "none_detected");
}

function isEstimate(tank) {
  return tank.reasons.some((each) => LOWER.has(each.code));
}

function doubted(figure, estimate) {
  return estimate && figure.quality === "Good" ? { ...figure, quality: "Uncertain" } : figure;
}

function qualityOf(tank) {
  if (!tank.gauging) return "Bad";
  return isEstimate(tank) && tank.gauging.quality === "Good" ? "Uncertain" : tank.gauging.quality;
}

function qualityText(word, tank) {
  const reasons = reasonTexts(tank.reasons);
  if (!tank.gauging && reasons.length === 0) reasons.push(word("day.no_sheet"));
  return [word(`quality.${qualityOf(tank)}`), reasons.join("; ")].filter(Boolean).join(": ");
}

/** What is by hand, simulated, moving: in words. */
function flagsOf(word, tank) {
  const { gauging } = tank;
  if (!gauging) return [];
  const flags = gauging.simulated ? [word("row.simulated"), ...doubtsOf(word, tank)] : doubtsOf(word, tank);
  // Every density is some person's word, so that it is no reason to look at the tank.
  for (const name of ["reference_density", "sediment_water"]) if (gauging.figures[name].manual) flags.push(word(`day.manual_${name}`));
  return flags;
}

/** What whoever posts the figures looks at first: what moves, and what stands in for a gauge. */
function doubtsOf(word, { gauging, is_moving: isMoving }) {
  if (!gauging) return [];
  const flags = [];
  const flows = gauging.motion === "filling" || gauging.motion === "emptying";
  if (isMoving || flows) flags.push(flows ? codeWord("motion", gauging.motion) : word("day.moving"));
  const { level, temperature, water } = gauging.sources;
  if (level === "dip") flags.push(word("day.level_by_dip"));
  if (temperature === "manual" || temperature === "last_good") flags.push(word(`day.temperature_${temperature}`));
  if (water === "dip" || water === "last_good") flags.push(word(`day.water_${water}`));
  return flags;
}

function productsOf(day) {
  const found = new Map();
  for (const tank of day.tanks) {
    const product = tank.gauging?.product ?? tank.product;
    if (!found.has(product)) found.set(product, []);
    found.get(product).push(tank);
  }
  return [...found].sort(([one], [other]) => (one < other ? -1 : 1));
}
