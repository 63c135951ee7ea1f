// A table of which each row becomes a list of named cells where it does not fit.
import { html } from "../html.js";

/** `columns`: [{name, title, number}], the first names the row; `rows`: [{key, cells: by name}]. */
export function PlainTable({ label, columns, rows }) {
  const [first, ...others] = columns;
  return html`<div class="wide" tabindex="0" role="group" aria-label=${label}><table class="stacked">
    <thead><tr>${columns.map(({ name, title, number }) => html`<th key=${name} scope="col" class=${number ? "number" : ""}>${title}</th>`)}</tr></thead>
    <tbody>${rows.map(({ key, cells }) => html`<tr key=${key}>
      <th scope="row" data-name=${first.title}>${cells[first.name]}</th>
      ${others.map(({ name, title, number }) => html`<td key=${name} data-name=${title} class=${number ? "number" : ""}>${cells[name]}</td>`)}
    </tr>`)}</tbody>
  </table></div>`;
}
