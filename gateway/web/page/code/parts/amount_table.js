// Amounts of others as rows: what each did to the book, of which document, by whom, and what takes it back.
import { html } from "../html.js";
import { way } from "../go.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { codeWord, exactly, measureWord, signOf } from "./account_figures.js";
import { written } from "./exact.js";
import { ReverseAmountButton } from "./stock_acts.js";

const OUT = new Set(["dispatch", "own_use"]);
const COLUMNS = ["number", "kind", "source", "product", "to_book", "reference", "ticket", "tank", "at", "by", "why"];

/** `done`: given, each that stands can be taken back. */
export function AmountTable({ amounts, complete = true, done = null }) {
  const word = useWords();
  const takenBack = new Map(amounts.filter((each) => each.reverses !== null).map((each) => [each.reverses, each.number]));
  if (amounts.length === 0) return html`<p>${word("amounts.none")}</p>`;
  return html`
    ${!complete && html`<p role="alert"><strong>${word("account.not_all")}</strong></p>`}
    <div class="wide" tabindex="0" role="group" aria-label=${word("stock.part.amounts")}><table class="stacked">
      <thead><tr>${COLUMNS.map((name) => html`<th key=${name} scope="col" class=${name === "to_book" ? "number" : ""}>${word(`amounts.${name}`)}</th>`)}${done && html`<th scope="col"><span class="unseen">${word("act.verb.reverse-ticket")}</span></th>`}</tr></thead>
      <tbody>${[...amounts].sort((a, b) => a.number - b.number).map((each) => html`<${Row} key=${each.number} amount=${each} by=${takenBack.get(each.number) ?? null} done=${done} />`)}</tbody>
    </table></div>
  `;
}

function Row({ amount, by, done }) {
  const word = useWords();
  const sign = signOfBook(amount);
  const value = written(exactly(amount.measure, sign * amount.value));
  const kind = amount.reverses === null ? codeWord("amount_kind", amount.kind) : word("amounts.takes_back", { number: amount.reverses });
  const cell = (name, content, kindOf = "") => html`<td data-name=${word(`amounts.${name}`)} class=${kindOf}>${content}</td>`;
  return html`<tr class=${by === null ? "" : "gone"}>
    <th scope="row" data-name=${word("amounts.number")}>${amount.number}</th>
    ${cell("kind", html`${kind}${by !== null && html`<br /><strong>${word("amounts.taken_back", { number: by })}</strong>`}`)}
    ${cell("source", codeWord("amount_source", amount.source))}
    ${cell("product", amount.product)}
    ${cell("to_book", html`<span class="figure">${value} <span class="unit">${signOf(amount.measure)}</span></span> ${measureWord(amount.measure)}`, "number")}
    ${cell("reference", amount.reference)}
    ${cell("ticket", amount.ticket === null ? "" : html`<a href=${way("transfers", "ticket", amount.ticket)}>${amount.ticket}</a>`)}
    ${cell("tank", amount.tank)}
    ${cell("at", html`<time datetime=${amount.instant}>${full(amount.instant)}</time>`)}
    ${cell("by", amount.by)}
    ${cell("why", amount.why)}
    ${done && html`<td>${by === null && amount.reverses === null && html`<${ReverseAmountButton} amount=${amount} about=${`${kind} ${value} ${signOf(amount.measure)} ${measureWord(amount.measure)}, ${amount.product}, ${amount.reference}`} done=${done} />`}</td>`}
  </tr>`;
}

/** What it does to the book; one that takes another back undoes that. */
function signOfBook({ kind, reverses }) {
  const sign = OUT.has(kind) ? -1 : 1;
  return reverses === null ? sign : -sign;
}
