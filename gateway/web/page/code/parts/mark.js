// Marks of what is not normal: a shape and a word, and only then a colour.
import { html } from "../html.js";
import { word } from "../words.js";

const SHAPES = {
  now: html`<path d="M8 0 16 8 8 16 0 8Z" />`,
  soon: html`<path d="M8 1 16 15H0Z" />`,
  look: html`<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="3" />`,
};

/** How soon somebody has to act: now, soon, look. */
export function PriorityMark({ priority, fresh = false }) {
  return html`<span class=${`mark ${priority} ${fresh ? "fresh" : ""}`}>
    <svg viewBox="0 0 16 16" aria-hidden="true" fill="currentColor">${SHAPES[priority]}</svg>${word(`priority.${priority}`)}
  </span>`;
}

/** Everything about a row that nobody may overlook, in words. */
export function RowTags({ row, live }) {
  const told = [];
  if (!live) told.push(["struck-tag", word("row.not_live")]);
  told.push([row.quality === "Good" ? "quiet" : "", `${row.quality === "Uncertain" ? "? " : ""}${word(`quality.${row.quality}`)}`]);
  if (row.by_hand) told.push(["", `✎ ${word("row.by_hand")}`]);
  if (row.maintenance) told.push(["", `[ ${word("row.maintenance")} ]`]);
  if (row.limit_state && row.limit_state !== "normal" && row.limit_state !== "unknown") told.push(["", word(`limit_state.${row.limit_state}`)]);
  if (row.simulated) told.push(["", word("row.simulated")]);
  return html`<span class="tags small">${told.map(([kind, text]) => html`<span key=${text} class=${kind}>${text}</span>`)}  </span>`;
}
