// Does the gauge agree with the dip? The last dips of a tank, each beside what its gauge said then.
import { html, useState } from "../html.js";
import { rounded, text } from "../numbers.js";
import { full } from "../times.js";
import { retold } from "../told_numbers.js";
import { useWords, word } from "../words.js";
import { useAsked } from "./asked.js";
import { reasonText } from "./figure.js";
import { Trouble, Waiting } from "./said.js";

const MOVES = ["filling", "emptying"];
const NUMBERS = ["tape", "gauge", "difference"];
const HEADS = ["measured", "tape", "gauge", "difference", "within", "by"];

/** Asked for when it is opened. `turn`: when there may be another dip. */
export function DipRecord({ tag, turn }) {
  const word = useWords();
  const [isOpen, open] = useState(false);
  return html`<details open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary><h2>${word("dips.title")}</h2></summary>
    ${isOpen && html`<${Dips} tag=${tag} turn=${turn} />`}
  </details>`;
}

function Dips({ tag, turn }) {
  const [many, setMany] = useState(3);
  const { document, error, again } = useAsked(`/api/1/tanks/${encodeURIComponent(tag)}/dips?at_most=${many}`, turn, 3000);
  if (!document) return error ? html`<${Trouble} error=${error} again=${again} />` : html`<${Waiting} about=${word("dips.title")} />`;
  const { dips, tolerances } = document;
  return html`
    ${error && html`<${Trouble} error=${error} again=${again} />`}
    <p class="small">${word("dips.means", { fine: millimetres(tolerances.fine), inventory: millimetres(tolerances.inventory) })}</p>
    ${dips.length === 0
      ? html`<p class="quiet">${word("dips.none")}</p>`
      : html`<div class="wide" tabindex="0" role="region" aria-label=${word("dips.title")}>
          <table>
            <thead><tr>${HEADS.map((name) => html`<th key=${name} scope="col" class=${NUMBERS.includes(name) ? "number" : ""}>${word(`dips.${name}`)}</th>`)}</tr></thead>
            <tbody>${dips.map((each) => html`<${Row} key=${each.entered} dip=${each} />`)}</tbody>
          </table>
        </div>`}
    ${dips.length === many && html`<button type="button" onClick=${() => setMany(50)}>${word("dips.more")}</button>`}
    <p class="small quiet">${word("caution.dip")} ${word("caution.people")}</p>`;
}

function Row({ dip }) {
  const { gauge, within } = dip;
  const doubts = [
    dip.withdrawn && word("dips.withdrawn"),
    MOVES.includes(dip.motion) && word("dips.moved"),
    gauge && gauge.quality !== "Good" && gauge.reason && reasonText(gauge.reason),
  ].filter(Boolean);
  return html`<tr>
    <th scope="row"><time datetime=${dip.measured}>${full(dip.measured)}</time></th>
    <td class="number">${text(dip.tape, "length")}</td>
    <td class="number">${gaugeText(gauge)}</td>
    <td class="number"><strong>${dip.difference === null ? word("figure.no_value") : millimetres(dip.difference, true)}</strong></td>
    <td class=${doubts.length ? "told" : ""}>${within ? html`<span class=${within === "none" ? "fresh" : ""}>${word(`dips.within.${within}`)}</span>` : ""}${doubts.length > 0 && html`<div class="small">${doubts.join("; ")}</div>`}</td>
    <td>${dip.by}${dip.why && html` <span class="quiet">“${dip.why}”</span>`}</td>
  </tr>`;
}

function gaugeText(gauge) {
  if (gauge === null) return html`<span class="novalue">${word("dips.no_record")}</span>`;
  if (gauge.value === null) return html`<span class="novalue">${word(gauge.source === "dip" ? "dips.no_gauge" : "figure.no_value")}</span>`;
  return `${text(gauge.value, "length")}${gauge.quality === "Uncertain" ? " ?" : ""}`;
}

/** A small length with the digits that a tape tells; `signed`: which way it is off. */
function millimetres(metres, signed = false) {
  const number = rounded(metres * 1000, 0);
  return retold(`${signed && metres > 0 && number !== "0" ? "+" : ""}${number} mm`, Number(number) / 1000, "m");
}
