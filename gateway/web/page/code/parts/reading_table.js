// Readings of one instrument with the words that came over the wire, and on demand every way of reading them.
import { html, useState } from "../html.js";
import { DIMENSIONS, text } from "../numbers.js";
import { useWords } from "../words.js";
import { Age } from "./age.js";
import { decodings, hex } from "./decodings.js";
import { reasonText } from "./figure.js";

export function ReadingTable({ readings }) {
  const word = useWords();
  return html`<div class="wide"><table>
    <thead><tr>${["signal", "value", "quality", "raw", "age"].map((name) => html`<th key=${name} scope="col" class=${name === "value" ? "number" : ""}>${word(`readings.${name}`)}</th>`)}</tr></thead>
    <tbody>${readings.map((reading) => html`<${ReadingRow} key=${reading.signal} reading=${reading} />`)}</tbody>
  </table></div>`;
}

function ReadingRow({ reading }) {
  const word = useWords();
  const [open, setOpen] = useState(false);
  const { signal, value, unit, quality, reason, raw, time } = reading;
  const ways = raw ? decodings(raw) : [];
  return html`
    <tr>
      <th scope="row">${signal}</th>
      <td class="number">${value === null ? html`<span class="novalue">${word("figure.no_value")}</span>` : valueText(value, unit)}</td>
      <td>${quality === "Uncertain" && "? "}${word(`quality.${quality}`)}${reason && html`<div class="small">${reasonText(reason)}</div>`}</td>
      <td>
        ${raw ? html`<code>${raw.map(hex).join(" ")}</code>` : html`<span class="quiet">${word("readings.no_raw")}</span>`}
        ${ways.length > 0 && html` <button class="small-button" aria-expanded=${open} onClick=${() => setOpen(!open)}>${word("readings.decodings")}</button>`}
      </td>
      <td><${Age} time=${time} /></td>
    </tr>
    ${open &&
    html`<tr><td colspan="5">
      <p class="small">${word("readings.prove")}</p>
      <ul class="decodings">${ways.map(({ kind, order, value: read }) => html`<li key=${kind + order}><span class="quiet">${kind} ${order}</span> ${plain(read)}</li>`)}</ul>
    </td></tr>`}
  `;
}

function valueText(value, unit) {
  const dimension = DIMENSIONS[unit];
  return dimension ? text(value, dimension) : `${plain(value)}${unit ? ` ${unit}` : ""}`;
}

/** As it is: a technician compares digits. */
function plain(value) {
  return Number.isInteger(value) ? String(value) : String(Number(value.toPrecision(7)));
}
