// Dips that people have entered beside what the gauge said then: newest first, of one tank or of all.
import { html } from "../html.js";
import { way } from "../go.js";
import { text } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AsOf, useDocument } from "./document.js";
import { PriorityMark } from "./mark.js";
import { PlainTable } from "./plain_table.js";

const NAMES = ["time", "tank", "dip", "gauge", "difference", "within", "by"];

/** `tank`: only those of it, three of them at most. */
export function DipsBesideGauges({ tank = "" }) {
  const word = useWords();
  const told = useDocument("/api/1/dips");
  const { document } = told;
  const own = (document?.dips ?? []).filter((each) => !tank || each.tank === tank);
  const rows = (tank ? own.slice(0, 3) : own).map((each) => ({ key: `${each.tank} ${each.time} ${each.as_typed}`, cells: cellsOf(each, word) }));
  return html`<section aria-labelledby="dips-beside-gauges">
    <h2 id="dips-beside-gauges">${word("dips.title")}</h2>
    <p class="small">${word("dips.one_proves_none", { fine: inMillimetres(document?.tolerances.fine), inventory: inMillimetres(document?.tolerances.inventory) })} <code>tank-gateway report dips</code></p>
    <${AsOf} told=${told} />
    ${document && !document.complete && html`<p><strong>${word("dips.not_all")}</strong></p>`}
    ${document && (rows.length === 0 ? html`<p>${word("dips.none")}</p>` : html`<${PlainTable} label=${word("dips.title")} rows=${rows} columns=${NAMES.map((name) => ({ name, title: word(`dips.head.${name}`), number: name === "dip" || name === "gauge" || name === "difference" }))} />`)}
  </section>`;
}

/** Tolerances and differences are in millimetres, as whoever dips has them. */
const inMillimetres = (metres) => (metres === undefined ? "" : `${Number((metres * 1000).toFixed(1))} mm`);
const signed = (metres) => `${metres > 0 ? "+" : ""}${inMillimetres(metres)}`;

function cellsOf(each, word) {
  const { within, not_compared: why } = each;
  return {
    time: html`<time datetime=${each.time}>${full(each.time)}</time>`,
    tank: html`<a href=${way("tank", each.tank)}>${each.tank}</a>`,
    dip: each.level === null ? each.as_typed : text(each.level, "length"),
    gauge: each.gauge === null ? html`<span class="novalue">${word("figure.no_value")}</span>` : text(each.gauge, "length"),
    difference: each.difference === null ? "" : signed(each.difference),
    within: within ? html`${within === "neither" && html`<${PriorityMark} priority="look" /> `}${word(`dips.within.${within}`)}` : word(`dips.not_compared.${why ?? "not_kept"}`),
    by: html`${each.by}${each.why && html` <span class="quiet small">${each.why}</span>`}`,
  };
}
