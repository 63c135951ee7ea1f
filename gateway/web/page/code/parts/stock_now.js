// What the site holds now, by product and by owner: how many tanks each total includes, and which it leaves out and why.
import { html } from "../html.js";
import { useSite } from "../live.js";
import { referenceText } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { exactly, reasonTexts, signOf } from "./account_figures.js";
import { AsOf, useDocument, useIsOld } from "./document.js";
import { total, written } from "./exact.js";
import { celsius } from "./transfer_words.js";

const AGAIN_MS = 10_000;
const SHOWN = ["gsv", "tov", "free_water", "mass", "weight_in_air", "pumpable", "room"];
/** Volumes of different products add up to nothing that anybody can use. */
const OF_ALL = ["mass", "weight_in_air"];

export function StockNow() {
  const word = useWords();
  const told = useDocument("/stock", { everyMs: AGAIN_MS });
  const old = useIsOld(told);
  const { document } = told;
  return html`<section aria-labelledby="stock-now">
    <h2 id="stock-now">${word("stock.now")}</h2>
    <${AsOf} told=${told} />
    ${document !== null && html`<div class=${old ? "old" : ""}><${Stock} document=${document} /></div>`}
  </section>`;
}

function Stock({ document }) {
  const word = useWords();
  const { products, owners, whole } = document;
  const hasOwners = owners.some((line) => line.owner);
  return html`
    <h3>${word("stock.by_product")}</h3>
    <${Lines} lines=${products} head=${word("stock.product")} nameOf=${(line) => line.product} whole=${products.length > 1 ? whole : null} />
    ${hasOwners &&
    html`<h3>${word("stock.by_owner")}</h3>
      <${Lines} lines=${owners} head=${word("stock.owner")} nameOf=${(line) => `${line.owner || word("stock.no_owner")}: ${line.product}`} whole=${null} />`}
    <${LeftOut} lines=${products} />
    ${document.oldest && html`<p class="small quiet">${word("stock.oldest", { time: full(document.oldest) })}</p>`}
  `;
}

function Lines({ lines, head, nameOf, whole }) {
  const word = useWords();
  const references = useReferences(lines);
  // Two masses, where one of the products has its vapour counted: then each says which it is.
  const hasVapour = lines.some((line) => line.figures.total_mass);
  const shown = SHOWN.flatMap((name) => (name === "mass" && hasVapour ? ["mass", "total_mass"] : [name]));
  const title = (name) => word(name === "mass" && hasVapour ? "stock.figure.liquid_mass" : `stock.figure.${name}`);
  return html`<div class="wide" tabindex="0" role="group" aria-label=${head}><table class="stacked">
    <thead><tr>
      <th scope="col">${head}</th>
      ${shown.map((name) => html`<th key=${name} scope="col" class="number">${title(name)} <span class="unit">${name === "gsv" && references.all ? `${references.all} ` : ""}${signOf(name)}</span></th>`)}
      <th scope="col">${word("stock.included")}</th><th scope="col">${word("stock.moving")}</th>
    </tr></thead>
    <tbody>${lines.map((line) => html`<tr key=${nameOf(line)}>
      <th scope="row">${nameOf(line)}${!references.all && references.of[line.product] && html` <span class="unit">${references.of[line.product]}</span>`}${line.simulated && html` <span class="small">${word("row.simulated")}</span>`}</th>
      ${shown.map((name) => html`<td key=${name} class="number" data-name=${`${title(name)} ${name === "gsv" ? (references.of[line.product] ?? "") : ""} ${signOf(name)}`}><${StockCell} told=${line.figures[name]} name=${name} /></td>`)}
      <td data-name=${word("stock.included")}>${countText(word, line.figures, line.members.length)}</td>
      <td data-name=${word("stock.moving")}>${line.moving.join(", ")}</td>
    </tr>`)}</tbody>
    ${whole && html`<tfoot><tr>
      <th scope="row">${word("stock.all_products")}</th>
      ${shown.map((name) => html`<td key=${name} class="number" data-name=${title(name)}>${OF_ALL.includes(name) ? html`<${Sum} lines=${lines} whole=${whole} name=${name} />` : null}</td>`)}
      <td data-name=${word("stock.included")}>${countText(word, only(whole.figures, OF_ALL), whole.members.length)}</td><td></td>
    </tr></tfoot>`}
  </table></div>`;
}

function StockCell({ told, name }) {
  const word = useWords();
  if (!told) return html`<abbr class="quiet" title=${word("figure.not_applicable")}>${word("stock.none")}</abbr>`;
  const { figure } = told;
  if (figure.value === null) return html`<span class="figure novalue">${word("figure.no_value")}</span>`;
  return html`<span class="figure">${written(exactly(name, figure.value))}${figure.quality === "Uncertain" && html`?<span class="unseen"> ${word("account.estimated")}</span>`}</span>`;
}

/** The sum of the lines shown: whoever adds up gets the same. */
function Sum({ lines, whole, name }) {
  const word = useWords();
  const values = lines.map((line) => line.figures[name]?.figure.value ?? null).filter((value) => value !== null);
  if (values.length === 0) return html`<span class="figure novalue">${word("figure.no_value")}</span>`;
  const doubtful = whole.figures[name]?.figure.quality === "Uncertain";
  return html`<span class="figure"><strong>${written(total(values.map((value) => exactly(name, value))))}</strong>${doubtful && html`?<span class="unseen"> ${word("account.estimated")}</span>`}</span>`;
}

function only(figures, names) {
  return Object.fromEntries(Object.entries(figures).filter(([name]) => names.includes(name)));
}

/** Of the figure that includes the fewest: 9 of 10, estimated. */
function countText(word, figures, members) {
  const all = Object.values(figures);
  if (all.length === 0) return word("totals.included", { included: 0, of: members });
  const [included, of] = all.map((each) => each.tanks).reduce((fewest, each) => (each[0] - each[1] < fewest[0] - fewest[1] ? each : fewest));
  const count = word("totals.included", { included, of });
  const isIncomplete = included < of ? `: ${word("stock.incomplete")}` : "";
  return `${count}${isIncomplete}${all.some((each) => each.figure.quality === "Uncertain") ? `, ${word("totals.estimated")}` : ""}`;
}

/** Which tanks are left out and why, and what makes an estimate of the rest. */
function LeftOut({ lines }) {
  const word = useWords();
  const figures = lines.flatMap((line) => Object.values(line.figures));
  const leftOut = new Map(figures.flatMap((each) => each.excluded.map(([tank, reason]) => [tank, reason])));
  // Of those that are left out it is said already.
  const isLeftOut = ({ code, text }) => code === "not_included" && [...leftOut.keys()].some((tank) => text.includes(`${tank} is not in it`));
  const doubts = new Set(figures.filter((each) => each.figure.quality === "Uncertain").flatMap((each) => reasonTexts(each.figure.reasons.filter((reason) => !isLeftOut(reason)))));
  if (leftOut.size === 0 && doubts.size === 0) return null;
  return html`<ul class="doubts">
    ${[...leftOut].sort().map(([tank, reason]) => html`<li key=${tank}><strong>${word("stock.left_out")}</strong> ${tank}: ${reasonTexts([reason]).join("")}</li>`)}
    ${[...doubts].map((text) => html`<li key=${text}><strong>${word("totals.estimated")}</strong> ${text}</li>`)}
  </ul>`;
}

/** At which temperature the standard volumes are: one for all lines, or by product. */
function useReferences(lines) {
  const tanks = useSite()?.tanks ?? {};
  const of = {};
  for (const line of lines) {
    const found = new Set(line.members.map((tag) => celsius(tanks[tag]?.reference_temperature)).filter((value) => value !== null).map(referenceText));
    if (found.size) of[line.product] = [...found].join(", ");
  }
  const texts = new Set(Object.values(of));
  return { of, all: texts.size === 1 ? [...texts][0] : "" };
}
