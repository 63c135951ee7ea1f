// What would become of figures, in the reader's units: the sentences of the gateway have metric ones.
import { html } from "../html.js";
import { DIMENSIONS, text } from "../numbers.js";
import { useShared } from "../shared.js";
import { taste } from "../taste.js";
import { hasWord, useWords, word } from "../words.js";

/** `figures`: as the answer to a trial has them. Of those that this page has a name and a unit for. */
export function Becomes({ figures }) {
  useWords();
  const { units } = useShared(taste);
  if (units === "metric" || !figures?.length) return null;
  return html`<ul class="lines">
    ${figures
      .filter(({ name, before, after }) => hasWord(`figure.name.${name}`) && [before, after].every(({ value, unit }) => value === null || DIMENSIONS[unit]))
      .map(({ tank, name, before, after }) => html`<li key=${`${tank} ${name}`}>${tank} ${word(`figure.name.${name}`)}: ${told(before)} → ${told(after)}</li>`)}
  </ul>`;
}

function told({ value, unit, quality }) {
  return `${value === null ? word("figure.no_value") : text(value, DIMENSIONS[unit])}, ${word(`quality.${quality}`)}`;
}
