// Every sentence behind what is not Good, once, with the figures that it touches; figures point to it by its number.
import { html } from "../../html.js";
import { reasonText } from "../../parts/figure.js";
import { hasWord, word } from "../../words.js";
import { reasonsOf, titleOf } from "./value.js";

/** Of a Good figure these are said at the figure itself. */
const AT_FIGURE = new Set(["not_applicable", "none_detected", "manual"]);
/** So many stand open: what moves and the ruler must not be pushed off a phone. */
const MOST = 5;
const SEVERITY = { Bad: 0, Uncertain: 1, Good: 2 };

/** [{key, text, quality, names}], worst first: the reasons of a sheet's figures. */
export function whyOf(figures) {
  const found = new Map();
  for (const [name, figure] of Object.entries(figures)) {
    for (const reason of reasonsOf(figure)) {
      if (figure.quality === "Good" && AT_FIGURE.has(reason.code)) continue;
      const key = `${reason.code}|${reason.text}`;
      const known = found.get(key) ?? { key, text: reasonText(reason), quality: figure.quality, names: [] };
      if (SEVERITY[figure.quality] < SEVERITY[known.quality]) known.quality = figure.quality;
      // A figure may have the same of two of its inputs.
      if (!known.names.includes(name)) known.names.push(name);
      found.set(key, known);
    }
  }
  return [...found.values()].sort((one, other) => SEVERITY[one.quality] - SEVERITY[other.quality]);
}

/** The numbers of a figure's sentences in that list, from 1. */
export function numbersOf(figure, why) {
  const keys = new Set(reasonsOf(figure).map((reason) => `${reason.code}|${reason.text}`));
  return why.flatMap((each, i) => (keys.has(each.key) ? [i + 1] : []));
}

export function qualityWord(quality) {
  const key = `quality.${quality}`;
  const said = hasWord(key) ? word(key) : quality;
  return quality === "Uncertain" ? `? ${said}` : said;
}

export function Why({ why }) {
  if (why.length === 0) return null;
  const [first, rest] = why.length > MOST + 1 ? [why.slice(0, MOST), why.slice(MOST)] : [why, []];
  return html`<ol class="tank-why">
      ${first.map((each) => html`<${Reason} key=${each.key} ...${each} />`)}
    </ol>
    ${rest.length > 0 &&
    html`<details class="more-why">
      <summary>${word("tank.more_reasons", { count: rest.length })}</summary>
      <ol class="tank-why" start=${MOST + 1}>
        ${rest.map((each) => html`<${Reason} key=${each.key} ...${each} />`)}
      </ol>
    </details>`}`;
}

function Reason({ quality, text, names }) {
  return html`<li>
    <strong>${quality === "Good" ? word("tank.remark") : qualityWord(quality)}:</strong> ${text}
    <span class="touches quiet small"> ${word("tank.touches", { figures: names.map((name) => titleOf(name)).join(", ") })}</span>
  </li>`;
}
