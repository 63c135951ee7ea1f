// What a tank's figures rest on: the newest readings with their words as they came, and the plan with its table.
import { html, useState } from "../../html.js";
import { text } from "../../numbers.js";
import { ReadingTable } from "../../parts/reading_table.js";
import { span } from "../../times.js";
import { hasWord, word } from "../../words.js";

export function Readings({ readings, old }) {
  const [isOpen, open] = useState(false);
  return html`<details open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary><h2>${word("tank.readings")}</h2></summary>
    ${isOpen &&
    (readings.length === 0
      ? html`<p class="quiet">${word("tank.no_readings")}</p>`
      : html`<${ReadingTable} readings=${readings} named old=${old} />`)}
  </details>`;
}

export function Plan({ plan }) {
  const [isOpen, open] = useState(false);
  return html`<details open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary><h2>${word("tank.plan")}</h2></summary>
    ${isOpen && html`<${PlanList} plan=${plan} />`}
  </details>`;
}

function PlanList({ plan }) {
  const { table } = plan;
  const rows = [
    ["plan", plan.id ?? word("tank.no_plan")],
    ["product", plan.product],
    ["method", plan.method],
    ["kind", named("tank_kind", plan.kind) && [named("tank_kind", plan.kind), plan.roof && named("roof", plan.roof)].filter(Boolean).join(", ")],
    ["table", [table.name, table.clause].filter(Boolean).join("; ")],
    ["table_range", `${text(table.lowest, "length")} … ${text(table.highest, "length")}${table.rows ? `; ${word("plan.rows", { rows: table.rows })}` : ""}`],
    ["datum", table.datum],
    ["table_date", table.date],
    ["heel", table.heel > 0 ? text(table.heel, "volume") : word("plan.no_heel")],
    ["notes", table.notes],
    ["reference_height", text(plan.reference_height, "length")],
    ["free_water", named("free_water", plan.free_water)],
    ["margin", text(plan.immersion_margin, "length")],
    ["instruments", Object.entries(plan.instruments).map(([what, source]) => `${what.replaceAll("_", " ")}: ${source}`).join("; ")],
    ["period", span(plan.period_s)],
  ];
  return html`<dl class="tank-plan">
    ${rows.filter(([, value]) => value).map(([name, value]) => html`<div key=${name}><dt>${word(`plan.${name}`)}</dt><dd>${value}</dd></div>`)}
  </dl>`;
}

function named(group, name) {
  const key = `${group}.${name}`;
  return hasWord(key) ? word(key) : (name ?? "").replaceAll("_", " ");
}
