// Readings with the words that came over the wire, and on demand every way of reading them.
import { html, useState } from "../html.js";
import { DIMENSIONS, text } from "../numbers.js";
import { useWords, word } from "../words.js";
import { Age } from "./age.js";
import { decodings, hex } from "./decodings.js";
import { reasonText } from "./figure.js";

/** `named`: with the instrument before the signal, where there are several. `old`: they are no longer the present. */
export function ReadingTable({ readings, named = false, old = false }) {
  const word = useWords();
  return html`<div class="wide" tabindex="0" role="region" aria-label=${word("tank.readings")}><table>
    <thead><tr>${["signal", "value", "quality", "raw", "age"].map((name) => html`<th key=${name} scope="col" class=${name === "value" ? "number" : ""}>${word(`readings.${name}`)}</th>`)}</tr></thead>
    <tbody>${readings.map((reading) => html`<${ReadingRow} key=${`${reading.instrument}.${reading.signal}`} reading=${reading} named=${named} old=${old} />`)}</tbody>
  </table></div>`;
}

function ReadingRow({ reading, named, old }) {
  const word = useWords();
  const [open, setOpen] = useState(false);
  const { instrument, signal, value, unit, quality, reason, raw, time } = reading;
  const ways = decodings(raw);
  const name = named ? `${instrument}.${signal}` : signal;
  return html`
    <tr>
      <th scope="row">${name}</th>
      <td class=${`number ${old ? "struck" : ""}`}>${value === null ? html`<span class="novalue">${word("figure.no_value")}</span>` : valueText(value, unit)}</td>
      <td class=${reason ? "told" : ""}>${quality === "Uncertain" && "? "}${word(`quality.${quality}`)}${reason && html`<div class="small">${reasonText(reason)}</div>`}</td>
      <td>
        ${raw.length ? html`<code class="raw">${raw.map(hex).join(" ")}</code>` : html`<span class="raw quiet">${word("reading.nothing_came")}</span>`}
        ${ways.length > 0 && html` <button type="button" class="small-button" aria-expanded=${open} onClick=${() => setOpen(!open)}>${word("readings.decodings")}<span class="unseen"> ${name}</span></button>`}
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

/** Whatever an instrument says: a number with its unit, yes or no. */
function valueText(value, unit) {
  if (typeof value === "boolean") return word(value ? "reading.yes" : "reading.no");
  return unit in DIMENSIONS && unit !== "1" ? text(value, DIMENSIONS[unit]) : `${plain(value)}${unit && unit !== "1" ? ` ${unit}` : ""}`;
}

/** As it is: a technician compares digits. */
function plain(value) {
  return Number.isInteger(value) ? String(value) : String(Number(value.toPrecision(7)));
}
