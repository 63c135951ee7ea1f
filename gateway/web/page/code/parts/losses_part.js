// Gain and loss day by day, and of the month so far against its tolerance: as a drawing, and as the numbers behind it.
import { html, useState } from "../html.js";
import { way } from "../go.js";
import { useWords } from "../words.js";
import { AccountFigure, measureWord, signOf } from "./account_figures.js";
import { shownBalance, withinTolerance } from "./balance_sums.js";
import { dayBefore, useToday } from "./day_fields.js";
import { AsOf, useDocument } from "./document.js";
import { written } from "./exact.js";
import { LossChart } from "./loss_chart.js";
import { PriorityMark } from "./mark.js";

export function LossesPart() {
  const word = useWords();
  const [month, setMonth] = useState(null);
  const yesterday = dayBefore(useToday(), 1);
  const wanted = month ?? yesterday?.slice(0, 7) ?? null;
  // The last day of a month ends in the next one.
  const told = useDocument(wanted && `/days?brief=yes&from=${wanted}-01&until=${dayBefore(`${nextMonth(wanted)}-01`, -3)}`);
  const days = newest(told.document?.days ?? []).filter((each) => each.day.startsWith(wanted));
  const products = [...new Map(days.flatMap((day) => day.month).map((each) => [`${each.product} ${each.measure}`, each])).values()];
  return html`<section aria-labelledby="losses">
    <h2 id="losses">${word("stock.part.losses")}</h2>
    <p>${word("day.tolerance")}</p>
    <div class="fields"><label>${word("losses.month")} <input type="month" value=${wanted} onChange=${(event) => event.target.value && setMonth(event.target.value)} /></label></div>
    <${AsOf} told=${told} />
    ${told.document !== null && !told.document.complete && html`<p role="alert"><strong>${word("account.not_all")}</strong></p>`}
    ${told.document !== null && days.length === 0 && html`<p>${word("losses.none", { month: wanted })}</p>`}
    ${products.map(({ product, measure }) => html`<${Product} key=${`${product} ${measure}`} product=${product} measure=${measure} days=${days} />`)}
  </section>`;
}

function nextMonth(month) {
  const [year, number] = month.split("-").map(Number);
  return number === 12 ? `${year + 1}-01` : `${year}-${String(number + 1).padStart(2, "0")}`;
}

/** Each day by its newest revision, in order. */
function newest(days) {
  const found = new Map();
  for (const day of days) if (!found.has(day.day) || found.get(day.day).revision < day.revision) found.set(day.day, day);
  return [...found.values()].sort((one, other) => (one.day < other.day ? -1 : 1));
}

function Product({ product, measure, days }) {
  const word = useWords();
  const of = (balances) => balances.find((each) => each.product === product && each.measure === measure) ?? null;
  const points = days.map((day) => ({ day: day.day, revision: day.revision, own: of(day.balances), month: of(day.month) }));
  const last = points[points.length - 1];
  const verdict = last.month ? withinTolerance(last.month) : "unknown";
  return html`<section class="balance wide-balance" aria-label=${product}>
    <h3>${product} <span class="unit">${measureWord(measure)} ${signOf(measure)}</span></h3>
    <p class="verdict">${verdict === "no" && html`<${PriorityMark} priority="look" />`} <strong>${word(`balance.within_${verdict}`)}</strong></p>
    <${LossChart} points=${points} product=${product} measure=${measure} />
    <div class="wide" tabindex="0" role="group" aria-label=${product}><table class="stacked">
      <thead><tr><th scope="col">${word("losses.day")}</th>${["gain", "percent", "month_gain", "tolerance"].map((name) => html`<th key=${name} scope="col" class="number">${word(`losses.${name}`)}</th>`)}</tr></thead>
      <tbody>${points.map((point) => html`<${Row} key=${point.day} point=${point} measure=${measure} />`)}</tbody>
    </table></div>
  </section>`;
}

function Row({ point, measure }) {
  const word = useWords();
  const { own, month } = point;
  const [day, whole] = [own && shownBalance(own), month && shownBalance(month)];
  const cell = (name, balance, text) => html`<td class="number" data-name=${word(`losses.${name}`)}>${balance ? html`<${AccountFigure} figure=${balance.gain} name=${measure} unit=${false} text=${text === null ? undefined : written(text)} />` : ""}</td>`;
  return html`<tr>
    <th scope="row"><a href=${way("stock", "day", point.day)}>${point.day}</a></th>
    ${cell("gain", own, day?.gain ?? null)}
    <td class="number" data-name=${word("losses.percent")}>${day?.percent ? `${written(day.percent)} %` : html`<span class="quiet">${word("figure.not_applicable")}</span>`}</td>
    ${cell("month_gain", month, whole?.gain ?? null)}
    <td class="number" data-name=${word("losses.tolerance")}>${whole?.tolerance ? `± ${written(whole.tolerance)}` : html`<span class="quiet">${word("account.not_known")}</span>`}</td>
  </tr>`;
}
