// What a site file would change, as the gateway tells it: mistakes, sentences, and today's figures by both plans.
import { html } from "../html.js";
import { DIMENSIONS, text } from "../numbers.js";
import { useWords, word } from "../words.js";
import { lineDiff } from "./line_diff.js";

/** `leadTo(line)`: to a line of the text; none where there is no text to lead to. */
export function Check({ check, leadTo = null }) {
  const said = useWords();
  return html`<div class="site-check">
    ${check.well
      ? html`<p role="status"><strong>${said("site.well")}</strong> ${check.changes.length === 0 && said("site.changes_nothing")}</p>`
      : html`<div role="alert"><p class="wrong"><strong>${said("site.mistakes", { count: check.mistakes.length })}</strong></p><${Mistakes} mistakes=${check.mistakes} leadTo=${leadTo} /></div>`}
    ${check.changes.length > 0 && html`<h3>${said("site.changes")}</h3><ul class="lines">${check.changes.map((each) => html`<li key=${each}>${each}</li>`)}</ul>`}
    ${check.warnings.length > 0 && html`<h3>${said("site.warnings")}</h3><ul class="lines">${check.warnings.map((each) => html`<li key=${each}>${each}</li>`)}</ul>`}
    ${check.remarks.length > 0 && html`<details><summary>${said("site.remarks", { count: check.remarks.length })}</summary><ul class="lines">${check.remarks.map((each) => html`<li key=${each}>${each}</li>`)}</ul></details>`}
    ${check.well && html`<${Figures} tanks=${check.tanks} unchanged=${check.unchanged} />`}
  </div>`;
}

export function Mistakes({ mistakes, leadTo }) {
  return html`<ol class="mistakes">
    ${mistakes.map(
      ({ text: sentence, line }, number) => html`<li key=${number}>
        ${line !== null && leadTo ? html`<button type="button" class="plain" onClick=${() => leadTo(line)}>${word("site.line", { line })}</button> ` : null}${sentence}
      </li>`,
    )}
  </ol>`;
}

function Figures({ tanks, unchanged }) {
  const said = useWords();
  const compared = tanks.filter((each) => each.figures.length > 0);
  const others = tanks.filter((each) => each.figures.length === 0);
  return html`<h3>${said("site.figures")}</h3>
    <p class="small">${said("site.figures_how")} ${said("site.unchanged", { count: unchanged })}</p>
    ${others.map((each) => html`<p key=${each.tank}><strong>${each.tank}</strong> ${word(`site.tank.${each.state}`)}${each.note && `: ${each.note}`}</p>`)}
    ${compared.length > 0 &&
    html`<div class="wide" tabindex="0" role="group" aria-label=${said("site.figures")}><table>
      <thead><tr><th scope="col">${said("site.figure")}</th><th scope="col" class="number">${said("site.now")}</th><th scope="col" class="number">${said("site.then")}</th><th scope="col" class="number">${said("site.difference")}</th></tr></thead>
      ${compared.map(
        (each) => html`<tbody key=${each.tank}>
          <tr><th scope="rowgroup" colspan="4">${each.tank}</th></tr>
          ${each.figures.map((figure) => html`<${FigureRow} key=${figure.name} figure=${figure} />`)}
        </tbody>`,
      )}
    </table></div>`}`;
}

function FigureRow({ figure }) {
  const { name, before, after, difference } = figure;
  const unit = DIMENSIONS[before.unit];
  const moved = difference !== 0 || before.quality !== after.quality;
  return html`<tr class=${moved ? "moved" : ""}>
    <th scope="row">${word(`figure.${name}`)}</th>
    <td class="number"><${Side} state=${before} /></td>
    <td class="number"><${Side} state=${after} /></td>
    <td class="number">${difference === null ? html`<span class="quiet">${word("site.no_difference")}</span>` : difference === 0 ? word("site.same") : `${difference > 0 ? "+" : ""}${text(difference, unit)}`}</td>
  </tr>`;
}

/** With its quality, also where that stays: a number alone would pass for Good. */
function Side({ state }) {
  const none = word(state.quality === "Bad" ? "figure.no_value" : "figure.not_applicable");
  const why = state.reasons.map((each) => each.text).join("; ");
  return html`<span title=${why || undefined}>${state.value === null ? none : text(state.value, DIMENSIONS[state.unit])}</span> <span class="small quiet">${word(`quality.${state.quality}`)}</span>`;
}

/** More at once nobody reads, and a browser draws slowly. */
const MOST_ROWS = 1500;

/** `before` and `after`: texts. */
export function Difference({ before, after }) {
  const said = useWords();
  const rows = lineDiff(before, after);
  if (!rows.some(({ kind }) => kind === "gone" || kind === "come")) return html`<p>${said("site.texts_same")}</p>`;
  return html`<div class="wide" tabindex="0" role="group" aria-label=${said("site.compare")}><table class="line-diff">
    <caption class="unseen">${said("site.compare")}</caption>
    <thead class="unseen"><tr><th scope="col">${said("site.line_before")}</th><th scope="col">${said("site.line_after")}</th><th scope="col">${said("site.kind")}</th><th scope="col">${said("site.text")}</th></tr></thead>
    <tbody>${rows.slice(0, MOST_ROWS).map((row, number) => html`<${DiffRow} key=${number} row=${row} />`)}</tbody>
  </table></div>
  ${rows.length > MOST_ROWS && html`<p>${said("site.more_lines", { count: rows.length - MOST_ROWS })}</p>`}`;
}

const SIGNS = { same: "", gone: "−", come: "+" };

function DiffRow({ row }) {
  if (row.kind === "skipped") return html`<tr class="skipped"><td colspan="4" class="quiet small">${word("site.skipped", { count: row.count })}</td></tr>`;
  return html`<tr class=${row.kind}>
    <td class="number quiet">${row.before}</td><td class="number quiet">${row.after}</td>
    <td>${SIGNS[row.kind]}${row.kind !== "same" && html`<span class="unseen">${word(`site.line.${row.kind}`)}</span>`}</td><td><code>${row.text}</code></td>
  </tr>`;
}
