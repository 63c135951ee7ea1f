// Every sentence behind what is not Good, once, with the figures that it touches; figures point to it by its number.
import { html } from "../../html.js";
import { hasWord, word } from "../../words.js";
import { reasonsOf, titleOf } from "./value.js";

/** Of a Good figure these are said at the figure itself. */
const AT_FIGURE = new Set(["not_applicable", "none_detected", "manual"]);
const SEVERITY = { Bad: 0, Uncertain: 1, Good: 2 };

/** [{key, text, quality, names}], worst first: the reasons of a sheet's figures. */
export function whyOf(figures) {
  const found = new Map();
  for (const [name, figure] of Object.entries(figures)) {
    for (const reason of reasonsOf(figure)) {
      if (figure.quality === "Good" && AT_FIGURE.has(reason.code)) continue;
      const key = `${reason.code}|${reason.text}`;
      const known = found.get(key) ?? { key, text: reason.text, quality: figure.quality, names: [] };
      if (SEVERITY[figure.quality] < SEVERITY[known.quality]) known.quality = figure.quality;
      known.names.push(name);
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
  return html`<ol class="tank-why">
    ${why.map(
      (each) =>
        html`<li key=${each.key}>
          <strong>${each.quality === "Good" ? word("tank.remark") : qualityWord(each.quality)}:</strong> ${each.text}
          <span class="quiet small"> ${word("tank.touches", { figures: each.names.map((name) => titleOf(name)).join(", ") })}</span>
        </li>`,
    )}
  </ol>`;
}
