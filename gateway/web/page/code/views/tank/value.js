// A figure of the calculation sheet: its number in the reader's unit, or in words why there is none.
import { html } from "../../html.js";
import { siteNow } from "../../live.js";
import { DIMENSIONS, shown, text } from "../../numbers.js";
import { useShared } from "../../shared.js";
import { taste } from "../../taste.js";
import { clock } from "../../times.js";
import { hasWord, word } from "../../words.js";

const OWN = { temperature_spread: "temperatureDifference", fill: "percent", sediment_water: "percent" };
const NEVER_MORE = new Set(["room", "pumpable"]);
/** Those that are brought to the reference temperature, which stands beside them. */
export const AT_REFERENCE = new Set(["gsv", "nsv", "reference_density"]);

export function dimensionOf(name, unit) {
  return OWN[name] ?? DIMENSIONS[unit];
}

/** The title of a figure in the reader's language; of one that the page does not know, as the gateway gives it. */
export function titleOf(name, given = name) {
  const key = `figure_name.${name}`;
  return hasWord(key) ? word(key) : given;
}

export function reasonsOf(figure) {
  return figure.reasons ?? (figure.reason ? [figure.reason] : []);
}

/** "not_applicable" or "none_detected" where a Good figure has no value. */
export function noneOf(figure) {
  return figure.value === null && figure.quality === "Good" ? (figure.reason?.code ?? "not_applicable") : null;
}

export function valueText(name, figure) {
  const none = noneOf(figure);
  if (none) return word(`figure.${none}`);
  if (figure.value === null) return word("figure.no_value");
  return text(figure.value, dimensionOf(name, figure.unit), { down: NEVER_MORE.has(name) });
}

/** `old`: it is no longer the present. */
export function Value({ name, figure, old = false }) {
  useShared(taste);
  const none = noneOf(figure);
  if (none) return html`<span class="quiet">${word(`figure.${none}`)}</span>`;
  const dimension = dimensionOf(name, figure.unit);
  if (figure.value === null) {
    const last = figure.last_good;
    return html`<span class="novalue">${word("figure.no_value")}</span>${last &&
    html`<span class="quiet small last"> ${word("figure.last_good", { value: text(last.value, dimension), time: clock(last.time, siteNow()) })}</span>`}`;
  }
  const { number, sign } = shown(figure.value, dimension, { down: NEVER_MORE.has(name) });
  return html`<span class=${old ? "struck" : ""}>${number}${sign && html` <span class="unit">${sign}</span>`}</span>${figure.quality === "Uncertain" && " ?"}${figure.manual &&
  html` <span title=${word("row.by_hand")}>✎</span>`}`;
}
