// One tank of a ticket: opening, closing and what lies between them, figure by figure; the ruled line from one to the other.
import { html } from "../html.js";
import { referenceText, text } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, MEASURES, codeWord, measureAt, reasonTexts, signOf } from "./account_figures.js";
import { written } from "./exact.js";
import { figureOf, sideHas, sideShown } from "./ticket_amounts.js";

const STATES = ["level", "water_level", "liquid_temperature", "vapour_pressure", "reference_density", "observed_density", "ctl", "cpl", "sediment_water"];
const ABSENT = { value: null, quality: "Good", reasons: [], manual: false };

/** `fixed`: the tank of /api/1/site; without it no ruled line is drawn. */
export function TicketSide({ side, fixed }) {
  const word = useWords();
  const { opening, closing } = side;
  const states = STATES.filter((name) => sideHas(side, name));
  const measures = MEASURES.filter((name) => sideHas(side, name));
  const name = word(`transfer.${side.direction}`, { tank: side.tank });
  return html`<section aria-label=${name}>
    <h2>${name}</h2>
    <${LevelRuler} side=${side} fixed=${fixed} />
    <div class="wide"><table>
      <thead><tr>
        <th scope="col">${word("account.figure")}</th>
        ${["opening", "closing", "moved"].map((name) => html`<th key=${name} scope="col" class="number">${word(`ticket.${name}`)}</th>`)}
        <th scope="col">${word("account.quality")}</th>
      </tr></thead>
      <tbody>
        ${states.map((name) => html`<tr key=${name}>
          <th scope="row">${word(`figure.name.${name}`)} <span class="unit">${signOf(name)}</span></th>
          <td class="number"><${AccountFigure} figure=${opening.figures[name]} name=${name} unit=${false} /></td>
          <td class="number"><${AccountFigure} figure=${closing.figures[name]} name=${name} unit=${false} /></td>
          <td></td>
          <td>${qualityText(word, [opening.figures[name], closing.figures[name]])}</td>
        </tr>`)}
        ${measures.map((name) => {
          const shown = sideShown(side, name);
          const cell = (figure, decimals) => html`<td class="number"><${AccountFigure} figure=${figure ?? ABSENT} name=${name} unit=${false} text=${decimals === null ? undefined : written(decimals)} /></td>`;
          const moved = figureOf(side.moved, name);
          return html`<tr key=${name}>
            <th scope="row">${measureAt(name, opening.reference_temperature_c)} <span class="unit">${signOf(name)}</span></th>
            ${cell(opening.figures[name], shown.opening)}${cell(closing.figures[name], shown.closing)}${cell(moved, shown.moved)}
            <td>${qualityText(word, [moved])}</td>
          </tr>`;
        })}
      </tbody>
    </table></div>
    <ul class="small">${[["opening", opening], ["closing", closing]].map(([name, sheet]) => html`<li key=${name}>${sheetText(word, name, sheet)}</li>`)}</ul>
  </section>`;
}

function qualityText(word, figures) {
  const worst = ["Bad", "Uncertain", "Good"].find((quality) => figures.some((figure) => figure?.quality === quality)) ?? "Good";
  const reasons = figures.filter((figure) => figure && figure.quality !== "Good").flatMap((figure) => figure.reasons);
  return [word(`quality.${worst}`), ...reasonTexts(reasons)].join(": ");
}

/** What a sheet rests on: its time, motion, gauge, elements, basis and identity. */
function sheetText(word, name, sheet) {
  const [used, of] = sheet.elements;
  const parts = [
    `${word(`ticket.${name}`)}: ${word("account.sheet_of")} ${full(sheet.instant)} (${sheet.instant.slice(0, 19)}Z)`,
    codeWord("motion", sheet.motion),
    word("ticket.level_by", { source: codeWord("source", sheet.sources.level) }),
  ];
  if (of) parts.push(word("account.elements", { used, of }));
  if (sheet.reference_temperature_c !== null) parts.push(word("ticket.standard_at", { temperature: referenceText(sheet.reference_temperature_c) }));
  parts.push(word("ticket.record", { record: `${sheet.boot} ${sheet.sequence}` }), word("ticket.table", { version: sheet.plan }));
  return parts.join(", ");
}

const Y = 18;

/** From the opening level to the closing level, on the scale of the tank. */
function LevelRuler({ side, fixed }) {
  const word = useWords();
  const [from, to] = [side.opening.figures.level?.value ?? null, side.closing.figures.level?.value ?? null];
  if (!fixed || from === null || to === null) return null;
  const place = (level) => Math.min(100, Math.max(0, ((level - fixed.lowest) / (fixed.full - fixed.lowest)) * 100));
  const label = word("ticket.ruler", { from: text(from, "length"), to: text(to, "length"), full: text(fixed.full, "length") });
  return html`<svg class="ruler" role="img" aria-label=${label}>
    <line class="scale" x1="0" y1=${Y} x2="100%" y2=${Y} />
    ${fixed.limits.map(({ limit, level }) => html`<line key=${limit} class="limit" x1=${`${place(level)}%`} y1=${Y - 7} x2=${`${place(level)}%`} y2=${Y + 7}><title>${word(`limit.${limit}`)} ${text(level, "length")}</title></line>`)}
    <line class="filled" x1=${`${place(Math.min(from, to))}%`} y1=${Y} x2=${`${place(Math.max(from, to))}%`} y2=${Y} />
    <svg x=${`${place(from)}%`} y="0" overflow="visible"><circle class="hollow" cx="0" cy=${Y} r="5" /></svg>
    <svg x=${`${place(to)}%`} y="0" overflow="visible"><line class="stop" x1="0" y1=${Y - 11} x2="0" y2=${Y + 11} /></svg>
    <text class="at" x=${`${place(to)}%`} y=${Y + 20} text-anchor=${place(to) > 50 ? "end" : "start"}>${text(to, "length")}</text>
  </svg>`;
}
