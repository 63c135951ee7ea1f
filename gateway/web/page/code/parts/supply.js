// Stock by product with one unit, days it lasts, room, and what came in: by the gateway's sums, with what they leave out.
import { html } from "../html.js";
import { way } from "../go.js";
import { told as inOwnWords } from "../sentences.js";
import { locale } from "../taste.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, measureAt, reasonTexts } from "./account_figures.js";
import { AsOf, useDocument, useIsOld } from "./document.js";
import { PlainTable } from "./plain_table.js";
import { ReceiptsOfWeek } from "./receipts_of_week.js";
import { celsius } from "./transfer_words.js";

const AGAIN_MS = 30_000;
const NAMES = ["product", "stock", "tanks", "available", "offtake", "cover", "room", "receipts"];
const NUMBERS = new Set(["stock", "available", "offtake", "cover", "room", "receipts"]);

export function Supply() {
  const word = useWords();
  const told = useDocument("/api/1/outlook", { everyMs: AGAIN_MS });
  const old = useIsOld(told);
  const { document } = told;
  return html`<section aria-labelledby="supply">
      <h2 id="supply">${word("outlook.by_product")}</h2>
      <${AsOf} told=${told} />
      ${document && html`<div class=${old ? "old" : ""}><${Products} document=${document} /></div>`}
    </section>
    <${ReceiptsOfWeek} days=${document?.days ?? null} />`;
}

function Products({ document }) {
  const word = useWords();
  const { products, days, closed } = document;
  const columns = NAMES.map((name) => ({ name, title: word(`outlook.head.${name}`), number: NUMBERS.has(name) }));
  const rows = products.map((each) => ({ key: each.product, cells: cellsOf(each, word) }));
  return html`
    ${document.oldest && html`<p>${word("stock.oldest", { time: full(document.oldest) })}${document.simulated ? html` <strong>${word("row.simulated")}</strong>` : ""}</p>`}
    <${PlainTable} label=${word("outlook.by_product")} columns=${columns} rows=${rows} />
    <p class="small">${word("outlook.mean", { from: days[0], until: days.at(-1), closed: closed.length, of: days.length })}
      ${" "}<a href=${way("stock", "day")}>${word("stock.part.day")}</a></p>
    ${document.days_trouble && html`<p role="alert"><strong>${document.days_trouble}</strong></p>`}
    <${NotKnown} products=${products} />
    <p class="small">${word("outlook.out_of_service")}</p>
  `;
}

function cellsOf(each, word) {
  const { measure } = each;
  const reference = celsius(each.reference_temperature);
  const figure = (name, of = measure, after = "") => html`<${AccountFigure} figure=${each[name]} name=${of} />${each[name].value === null ? "" : after}`;
  const [included, of] = each.stock.tanks;
  return {
    product: html`${each.product} <span class="unit">${measureAt(measure, reference)}</span>`,
    stock: figure("stock"),
    tanks: html`${word("outlook.tanks", { included, of })}${included < of ? html` <strong>${word("stock.incomplete")}</strong>` : ""}`,
    available: figure("available"),
    offtake: figure("offtake", measure, html`<span class="unit"> ${word("outlook.a_day")}</span>`),
    cover: html`<${Cover} cover=${each.cover} />`,
    room: html`${figure("room", "room")}${each.room.tanks[0] < each.room.tanks[1] ? html` <span class="small">${word("outlook.tanks", { included: each.room.tanks[0], of: each.room.tanks[1] })}</span>` : ""}`,
    receipts: figure("receipts"),
  };
}

/** Rounded down: what lasts 2.96 days does not last 3. */
function Cover({ cover }) {
  const word = useWords();
  if (cover.value === null) return html`<span class="novalue">${word("figure.no_value")}</span>`;
  const days = new Intl.NumberFormat(locale(), { minimumFractionDigits: 1, maximumFractionDigits: 1 }).format(Math.floor(cover.value * 10) / 10);
  return html`<strong class="figure" title=${reasonTexts(cover.reasons).join("; ")}>${days}${cover.quality === "Uncertain" && html`<span aria-hidden="true">?</span><span class="unseen"> ${word("account.estimated")}</span>`}</strong> <span class="unit">${word("outlook.days")}</span>`;
}

/** Tanks that sums leave out, tanks on which somebody works, and why a number of days is not told. */
function NotKnown({ products }) {
  const word = useWords();
  const told = products.flatMap(({ left_out: out, in_maintenance: work }) => [
    ...out.map(({ tank, text }) => [`out ${tank}`, html`<strong>${word("stock.left_out")}</strong> <a href=${way("tank", tank)}>${tank}</a>: ${inOwnWords(text)}`]),
    ...work.map((tank) => [`work ${tank}`, html`[ ${word("row.maintenance")} ] <a href=${way("tank", tank)}>${tank}</a>`]),
  ]);
  // Days that are not closed are the same for all: said once.
  const why = new Map();
  for (const { product, cover } of products.filter((each) => each.cover.value === null)) {
    const text = reasonTexts(cover.reasons).join("; ");
    why.set(text, [...(why.get(text) ?? []), product]);
  }
  for (const [text, names] of why) told.push([text, html`<strong>${word("outlook.no_cover", { products: names.join(", ") })}</strong> ${text}`]);
  return told.length === 0 ? html`<p>${word("outlook.all_in")}</p>` : html`<ul class="doubts">${told.map(([key, text]) => html`<li key=${key}>${text}</li>`)}</ul>`;
}
