// What was in the tanks of a transfer when it began: the figures that both sides write down before anything flows.
import { html } from "../html.js";
import { referenceText } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, codeWord, signOf } from "./account_figures.js";

const FIGURES = ["level", "liquid_temperature", "water_level", "free_water", "tov", "gsv", "mass", "reference_density"];

/** `transfer`: one that has an opening; nothing is drawn of one that has none. */
export function OpeningFigures({ transfer }) {
  const word = useWords();
  const sides = transfer.sides.filter((side) => side.opening !== null);
  if (sides.length === 0) return null;
  const names = FIGURES.filter((name) => sides.some((side) => side.opening.figures[name] && (side.opening.figures[name].value !== null || side.opening.figures[name].quality === "Bad")));
  return html`<details class="opening" open=${transfer.phase !== "proposed"}>
    <summary>${word("transfer.opening")}</summary>
    <div class="wide">
      <table>
        <thead>
          <tr><th scope="col">${word("account.figure")}</th>${sides.map(({ tank }) => html`<th key=${tank} scope="col" class="number">${tank}</th>`)}</tr>
        </thead>
        <tbody>
          ${names.map(
            (name) => html`<tr key=${name}>
              <th scope="row">${word(`figure.name.${name}`)}${name === "gsv" && sides[0].opening.reference_temperature_c !== null && html` <span class="unit">${referenceText(sides[0].opening.reference_temperature_c)}</span>`}${
                signOf(name) && html` <span class="unit">${signOf(name)}</span>`
              }</th>
              ${sides.map(({ tank, opening }) => html`<td key=${tank} class="number"><${AccountFigure} figure=${opening.figures[name]} name=${name} unit=${false} /></td>`)}
            </tr>`,
          )}
          <tr>
            <th scope="row">${word("account.quality")}</th>
            ${sides.map(({ tank, opening }) => html`<td key=${tank} class="number">${word(`quality.${opening.quality}`)}</td>`)}
          </tr>
          <tr>
            <th scope="row">${word("account.sheet_of")}</th>
            ${sides.map(({ tank, opening }) => html`<td key=${tank} class="number sheet"><time datetime=${opening.instant}>${full(opening.instant)}</time><br /><span class="quiet">${codeWord("motion", opening.motion)}, ${word("account.elements", { used: opening.elements[0], of: opening.elements[1] })}</span></td>`)}
          </tr>
        </tbody>
      </table>
    </div>
  </details>`;
}
