// Book against physical, product by product, as a statement: line under line, each sum that of the lines above it.
import { html } from "../html.js";
import { referenceText } from "../numbers.js";
import { useWords } from "../words.js";
import { AccountFigure, isMass, measureWord, reasonTexts, signOf } from "./account_figures.js";
import { shownBalance, withinTolerance } from "./balance_sums.js";
import { written } from "./exact.js";
import { PriorityMark } from "./mark.js";

const LINES = [
  ["opening", ""],
  ["receipts", "+"],
  ["dispatches", "−"],
  ["own_use", "−"],
  ["adjustments", "±"],
  ["book", "="],
  ["physical", ""],
  ["gain", "="],
];

export function Balances({ day }) {
  const word = useWords();
  if (day.balances.length === 0) return html`<p>${word("balance.none")}</p>`;
  return html`<div class="balances">
    ${day.balances.map((balance) => {
      const month = day.month.find((each) => each.product === balance.product && each.measure === balance.measure) ?? null;
      return html`<${BalanceOf} key=${`${balance.product} ${balance.measure}`} balance=${balance} month=${month} day=${day} />`;
    })}
  </div>`;
}

function BalanceOf({ balance, month, day }) {
  const word = useWords();
  const { product, measure } = balance;
  const columns = [["day", balance], ["month", month]].filter(([, each]) => each).map(([name, each]) => [name, each, shownBalance(each)]);
  const reference = isMass(measure) ? "" : referenceOf(day, product);
  return html`<section class="balance" aria-label=${product}>
    <h3>${product} <span class="unit">${measureWord(measure)}${reference && ` ${reference}`}</span></h3>
    <table>
      <thead><tr><th scope="col"><span class="unit">${signOf(measure)}</span></th>${columns.map(([name]) => html`<th key=${name} scope="col" class="number">${word(`balance.${name}`)}</th>`)}</tr></thead>
      <tbody>
        ${LINES.map(([line, sign]) => html`<tr key=${line} class=${`line-${line}`}>
          <th scope="row"><span class="sign" aria-hidden="true">${sign}</span> ${word(`balance.${line}`)}</th>
          ${columns.map(([name, each, shown]) => html`<td key=${name} class="number"><${Amount} figure=${each[line]} measure=${measure} text=${shown[line]} /></td>`)}
        </tr>`)}
        <tr><th scope="row">${word("balance.percent")}</th>${columns.map(([name, , shown]) => html`<td key=${name} class="number">${shown.percent === null ? html`<span class="quiet">${word("figure.not_applicable")}</span>` : `${written(shown.percent)} %`}</td>`)}</tr>
        <tr><th scope="row">${word("balance.throughput")}</th>${columns.map(([name, each, shown]) => html`<td key=${name} class="number"><${Amount} figure=${each.throughput} measure=${measure} text=${shown.throughput} /></td>`)}</tr>
        <tr><th scope="row">${word("balance.uncertainty")}</th>${columns.map(([name, , shown]) => html`<td key=${name} class="number">${shown.uncertainty === null ? html`<span class="quiet">${word("account.not_known")}</span>` : `± ${written(shown.uncertainty)}`}</td>`)}</tr>
        <tr><th scope="row">${word("balance.tolerance")}</th>${columns.map(([name, each, shown]) => html`<td key=${name} class="number">${name === "day" ? html`<span class="quiet">${word("figure.not_applicable")}</span>` : shown.tolerance === null ? html`<span class="quiet">${word("account.not_known")}</span>` : `± ${written(shown.tolerance)}`}</td>`)}</tr>
        ${columns.some(([, each]) => each.unaccounted) && html`<tr><th scope="row">${word("balance.unaccounted")}</th>${columns.map(([name, each, shown]) => html`<td key=${name} class="number">${each.unaccounted ? html`<${Amount} figure=${each.unaccounted} measure=${measure} text=${shown.unaccounted} />` : ""}</td>`)}</tr>`}
        <tr><th scope="row">${word("balance.tanks")}</th>${columns.map(([name, each]) => html`<td key=${name} class="number">${word("totals.included", { included: each.tanks[0], of: each.tanks[1] })}</td>`)}</tr>
        <tr><th scope="row">${word("balance.rests_on")}</th>${columns.map(([name, each]) => html`<td key=${name} class="number">${word("balance.counts", { documents: each.documents, tickets: each.tickets })}</td>`)}</tr>
      </tbody>
    </table>
    ${month && html`<${Verdict} month=${month} />`}
    <${Why} balance=${balance} />
  </section>`;
}

function Amount({ figure, measure, text }) {
  return html`<${AccountFigure} figure=${text === null ? { ...figure, value: null } : figure} name=${measure} unit=${false} text=${text === null ? undefined : written(text)} />`;
}

/** Of the month, never of a day. */
function Verdict({ month }) {
  const word = useWords();
  const verdict = withinTolerance(month);
  return html`<p class="verdict">${verdict === "no" && html`<${PriorityMark} priority="look" />`} <strong>${word(`balance.within_${verdict}`)}</strong></p>`;
}

/** Its quality, and why it is not all that it could be. */
function Why({ balance }) {
  const word = useWords();
  const figures = LINES.map(([name]) => balance[name]);
  const worst = ["Bad", "Uncertain", "Good"].find((quality) => figures.some((figure) => figure.quality === quality));
  const reasons = reasonTexts(figures.flatMap((figure) => figure.reasons));
  const [included, of] = balance.tanks;
  if (included < of) reasons.unshift(word("balance.incomplete", { included, of }));
  if (balance.unaccounted) reasons.unshift(word("balance.nobodys"));
  return html`<p class="small"><strong>${word(`quality.${worst}`)}${worst === "Uncertain" ? `, ${word("account.estimated")}` : ""}</strong></p>
    ${reasons.length > 0 && html`<ul class="small doubts">${reasons.map((text) => html`<li key=${text}>${text}</li>`)}</ul>`}`;
}

function referenceOf(day, product) {
  const found = new Set(day.tanks.filter((each) => each.gauging && each.gauging.product === product).map((each) => referenceText(each.gauging.reference_temperature_c)).filter(Boolean));
  return [...found].join(", ");
}
