// A capacity table of this device: checked and compared by the gateway, and put beside what is proposed.
import { html, useState } from "../html.js";
import { post } from "../ask.js";
import { text } from "../numbers.js";
import { useWords, word } from "../words.js";
import { useOnce } from "./once.js";
import { LONGEST_MS } from "./site_acts.js";
import { Mistakes } from "./site_check.js";
import { begun, draft } from "./site_text.js";

const NAME = "tk.csv";

/** `tanks`: their tags. */
export function SiteTable({ page, tanks }) {
  const said = useWords();
  const [tank, setTank] = useState("");
  const [file, setFile] = useState(null);
  const [answer, tell] = useState(null);
  const [wrong, once, busy] = useOnce();
  const taken = async (event) => {
    const [chosen] = event.target.files;
    tell(null);
    if (chosen) setFile({ name: plainName(chosen.name), text: await chosen.text() });
    // The same file, chosen again, may say something else by now.
    event.target.value = "";
  };
  const look = () => once(async () => tell({ tank, file, told: await post("/api/1/site-file/table", { tank, ...file }, { longestMs: LONGEST_MS }) }));
  // What was told of another table, or for another tank, is not told of this one: it may come while another is chosen.
  const told = answer !== null && answer.tank === tank && answer.file === file ? answer.told : null;
  const put = () => {
    const before = draft.value ?? begun(page);
    draft.set({ ...before, tables: { ...before.tables, [file.name]: file.text } });
  };
  return html`<section aria-labelledby="site-table">
    <h2 id="site-table">${said("site.table_title")}</h2>
    <p class="small">${said("site.table_how")}</p>
    <div class="fields">
      <label>${said("site.tank")} <select value=${tank} onChange=${(event) => (setTank(event.target.value), tell(null))}>
        <option value="">${said("field.choose")}</option>${tanks.map((each) => html`<option key=${each} value=${each}>${each}</option>`)}
      </select></label>
      <label>${said("site.table_file")} <input type="file" accept=".csv,text/csv" onChange=${taken} /></label>
      ${file && html`<label>${said("site.table_name")} <input type="text" value=${file.name} maxlength="100" autocapitalize="none" spellcheck="false" onInput=${(event) => (setFile({ ...file, name: event.target.value }), tell(null))} /></label>`}
    </div>
    <div class="buttons">
      <button type="button" disabled=${!tank || !file} aria-disabled=${busy ? "true" : undefined} onClick=${look}>${said(busy ? "site.checking" : "site.table_check")}</button>
      ${told?.well && page.may_write && html`<button type="button" onClick=${put}>${said("site.table_put")}</button>`}
    </div>
    ${wrong.length > 0 && html`<div class="wrong" role="alert">${wrong.map((each) => html`<p key=${each}>${each}</p>`)}</div>`}
    ${told && html`<${Told} told=${told} tank=${tank} name=${file.name} />`}
  </section>`;
}

function Told({ told, tank, name }) {
  const said = useWords();
  return html`<div class="site-check">
    ${told.well ? html`<p role="status"><strong>${said("site.table_well")}</strong> ${told.words}</p>` : html`<div role="alert"><p class="wrong"><strong>${said("site.mistakes", { count: told.mistakes.length })}</strong></p><${Mistakes} mistakes=${told.mistakes} /></div>`}
    ${[...told.warnings, ...told.remarks].length > 0 && html`<ul class="lines">${[...told.warnings, ...told.remarks].map((each) => html`<li key=${each}>${each}</li>`)}</ul>`}
    ${told.well && html`<p>${said("site.table_line", { tank, name })} <code>capacity_table: ${name}</code></p>`}
    <${Largest} largest=${told.largest} before=${told.before} />
    ${told.volumes.length > 0 && html`<details><summary>${said("site.table_levels")}</summary><${Volumes} volumes=${told.volumes} label=${said("site.table_levels")} /></details>`}
  </div>`;
}

/** More at once nobody reads: the first and the last always. */
const MOST_ROWS = 1000;

/** What is in a table that somebody proposes, for whoever is to approve it. */
export function ProposedTable({ table: { name, words, rows, tanks } }) {
  const said = useWords();
  const shown = rows.length <= MOST_ROWS ? rows : [...rows.slice(0, MOST_ROWS - 1), rows.at(-1)];
  return html`<section aria-label=${name}>
    <h4><code>${name}</code></h4>
    <p>${words}</p>
    ${rows.length > 0 &&
    html`<p>${said("site.table_ends", { first: text(rows[0][0], "length"), least: volume(rows[0][1]), last: text(rows.at(-1)[0], "length"), most: volume(rows.at(-1)[1]), count: rows.length })}</p>
      <details><summary>${said("site.table_rows", { count: rows.length })}</summary>
        ${shown.length < rows.length && html`<p class="small">${said("site.table_not_all", { shown: shown.length, count: rows.length })}</p>`}
        <div class="wide" tabindex="0" role="group" aria-label=${said("site.table_rows", { count: rows.length })}><table>
          <thead><tr><th scope="col" class="number">${said("figure.level")}</th><th scope="col" class="number">${said("site.table_volume")}</th></tr></thead>
          <tbody>${shown.map(([level, held]) => html`<tr key=${level}><th scope="row" class="number">${text(level, "length")}</th><td class="number">${volume(held)}</td></tr>`)}</tbody>
        </table></div>
      </details>`}
    ${tanks.map(
      (each) => html`<div key=${each.tank}>
        <p><strong>${each.tank}</strong> ${each.before ? said("site.table_now", { before: each.before }) : said("site.tank.added")}</p>
        <${Largest} largest=${each.largest} before=${each.before} />
        <${Volumes} volumes=${each.volumes} label=${`${each.tank} ${name}`} />
      </div>`,
    )}
  </section>`;
}

function Largest({ largest, before }) {
  return largest && html`<p>${word("site.table_largest", { level: text(largest.level, "length"), difference: signed(largest.after - largest.before), before })}</p>`;
}

function Volumes({ volumes, label }) {
  const said = useWords();
  return html`<div class="wide" tabindex="0" role="group" aria-label=${label}><table>
    <thead><tr><th scope="col" class="number">${said("figure.level")}</th><th scope="col" class="number">${said("site.now")}</th><th scope="col" class="number">${said("site.then")}</th><th scope="col" class="number">${said("site.difference")}</th></tr></thead>
    <tbody>${volumes.map(({ level, before, after }) => html`<tr key=${level}><th scope="row" class="number">${text(level, "length")}</th><td class="number">${volume(before)}</td><td class="number">${volume(after)}</td><td class="number">${before === null || after === null ? "" : signed(after - before)}</td></tr>`)}</tbody>
  </table></div>`;
}

const volume = (value) => (value === null ? word("site.no_volume") : text(value, "volume", { places: 3 }));
const signed = (value) => `${value > 0 ? "+" : ""}${text(value, "volume", { places: 3 })}`;

/** As the gateway takes it for the name of a new table. */
function plainName(name) {
  return name.replace(/[^A-Za-z0-9._-]+/g, "-").replace(/^[^A-Za-z0-9]+/, "") || NAME;
}
