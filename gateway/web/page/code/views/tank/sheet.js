// The calculation sheet: every step with its value, what it rests on, and the relation that it follows.
import { html, useState } from "../../html.js";
import { referenceText } from "../../numbers.js";
import { useAsked } from "../../parts/asked.js";
import { reasonText } from "../../parts/figure.js";
import { Trouble, Waiting } from "../../parts/said.js";
import { told } from "../../sentences.js";
import { full } from "../../times.js";
import { hasWord, word } from "../../words.js";
import { AT_REFERENCE, titleOf, Value } from "./value.js";
import { qualityWord } from "./why.js";

/** `turn`: of the sheet that is shown; it is asked for again, at most each 5 s, while this is open. */
export function Sheet({ tag, turn, old }) {
  const [isOpen, open] = useState(false);
  return html`<details class="tank-sheet" open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary><h2>${word("tank.sheet")}</h2></summary>
    ${isOpen && html`<${Steps} tag=${tag} turn=${turn} old=${old} />`}
  </details>`;
}

function Steps({ tag, turn, old }) {
  const { document, error, again } = useAsked(`/api/1/tanks/${encodeURIComponent(tag)}/sheet`, turn, 5000);
  if (!document) return error ? html`<${Trouble} error=${error} again=${again} />` : html`<${Waiting} about=${word("tank.sheet")} />`;
  const steps = document.steps.filter((step) => step.applies);
  const symbols = new Map(steps.map((step) => [step.name, step.symbol]));
  const reference = document.reference_temperature;
  return html`
    ${error && html`<${Trouble} error=${error} again=${again} />`}
    <p class="tank-caution">${word("caution.methods")} ${document.simulated && word("caution.simulated")}</p>
    <p class="quiet small">
      ${word("tank.of", { time: full(document.time) })} ${reference ? word("tank.reference", { temperature: referenceText(reference.value) }) : word("tank.no_reference")}
    </p>
    <h3>${word("sheet.inputs")}</h3>
    <div class="wide" tabindex="0" role="region" aria-label=${word("sheet.inputs")}>
      <table>
        <thead><tr><th scope="col">${word("sheet.input")}</th><th scope="col" class="number">${word("tank.value")}</th><th scope="col">${word("tank.quality")}</th><th scope="col">${word("sheet.source")}</th><th scope="col">${word("tank.time")}</th></tr></thead>
        <tbody>
          ${document.inputs.map(
            (input, i) =>
              html`<tr key=${i}>
                <th scope="row">${inputName(input.name)}</th>
                <td class="number"><${Value} name=${input.name} figure=${input} old=${old} /></td>
                <td class="told">${qualityWord(input.quality)}${input.reason && html`<span class="small">: ${reasonText(input.reason)}</span>`}</td>
                <td>${input.source}${input.manual && ` ✎ ${word("row.by_hand")}`}</td>
                <td class="small">${input.time && full(input.time)}</td>
              </tr>`,
          )}
        </tbody>
      </table>
    </div>
    <h3>${word("sheet.steps")}</h3>
    <div class="wide" tabindex="0" role="region" aria-label=${word("sheet.steps")}>
      <table>
        <thead><tr><th scope="col">${word("sheet.symbol")}</th><th scope="col">${word("sheet.step")}</th><th scope="col" class="number">${word("tank.value")}</th><th scope="col">${word("tank.quality")}</th><th scope="col">${word("sheet.rests_on")}</th><th scope="col">${word("sheet.method")}</th></tr></thead>
        <tbody>
          ${steps.map(
            (step) =>
              html`<tr key=${step.name}>
                <td><strong>${step.symbol}</strong></td>
                <th scope="row">${titleOf(step.name, step.title)}${AT_REFERENCE.has(step.name) && reference && html` <span class="quiet">${word("tank.at", { temperature: referenceText(reference.value) })}</span>`}</th>
                <td class="number" title=${step.value === null ? undefined : `${step.value} ${step.unit}`}><${Value} name=${step.name} figure=${{ ...step, reason: step.reasons[0] }} old=${old} /></td>
                <td class="told">${qualityWord(step.quality)}${step.reasons.filter((each) => step.quality !== "Good").map((each) => html`<p key=${each.text} class="small">${reasonText(each)}</p>`)}</td>
                <td>${step.inputs.filter((name) => symbols.has(name)).map((name) => symbols.get(name)).join(", ") || html`<span class="quiet">${word("sheet.measured")}</span>`}</td>
                <td>${step.clause}</td>
              </tr>`,
          )}
        </tbody>
      </table>
    </div>
    <ul class="small quiet">${document.cautions.map((caution) => html`<li key=${caution}>${told(caution)}</li>`)}</ul>`;
}

/** An input is not the figure that it becomes: a gauge may give ullage where the figure is a level. */
function inputName(name) {
  const key = `sheet_input.${name}`;
  if (hasWord(key)) return word(key);
  const numbered = /^(element|flow)_(\d+)$/.exec(name);
  return numbered ? word(`sheet_input.${numbered[1]}`, { number: numbered[2] }) : titleOf(name, name.replaceAll("_", " "));
}
