// The site file as a text that is written on: checked by the gateway, compared, and proposed to another person.
import { html, useEffect, useRef, useState } from "../html.js";
import { post } from "../ask.js";
import { Shared, useShared } from "../shared.js";
import { useWords } from "../words.js";
import { ActButton } from "./act_button.js";
import { useOnce } from "./once.js";
import { LONGEST_MS, PERMIT, proposal } from "./site_acts.js";
import { Check, Difference } from "./site_check.js";

/** What was written and not proposed outlives a look at another view; see `begun`. */
export const draft = new Shared(null);

/** One and the same, so that what was told of a text is told of it still. */
const NO_TABLES = Object.freeze({});

/** Writing is begun on what lies on the disk: {text, before, hasReturns, basedOn, tables}. A text area knows one end of lines. */
export function begun(page) {
  const text = page.on_disk.text.replaceAll("\r\n", "\n");
  return { text, before: text, hasReturns: text !== page.on_disk.text, basedOn: page.on_disk.sha256, tables: NO_TABLES };
}

/** As the gateway gets it: lines end as they did. */
const sent = ({ text, hasReturns, tables }) => ({ text: hasReturns ? text.replaceAll("\n", "\r\n") : text, tables });

export function SiteText({ page, reload }) {
  const word = useWords();
  const written = useShared(draft) ?? begun(page);
  const area = useRef(null);
  const [told, tell] = useState(null);
  const [wrong, once, busy] = useOnce();
  const set = (more) => draft.set({ ...written, ...more });
  const isOther = written.basedOn !== page.on_disk.sha256;
  const isWritten = written.text !== written.before || Object.keys(written.tables).length > 0;
  // What was told of another text is not told of this one.
  const check = told !== null && told.text === written.text && told.tables === written.tables ? told.check : null;
  const look = () =>
    once(async () => {
      tell({ text: written.text, tables: written.tables, check: await post("/api/1/site-file/check", sent(written), { longestMs: LONGEST_MS }) });
    });
  const anew = () => {
    draft.set(null);
    tell(null);
  };
  const proposed = () => {
    anew();
    reload();
  };
  const taken = async (event) => {
    const [file] = event.target.files;
    if (file) set({ text: (await file.text()).replaceAll("\r\n", "\n") });
    // The same file, chosen again, may say something else by now.
    event.target.value = "";
  };
  return html`<section aria-labelledby="site-text">
    <h2 id="site-text">${word("site.text_title")}</h2>
    ${isOther && isWritten && html`<p class="wrong" role="alert">${word("site.other_on_disk")}</p>`}
    <label for="site-area">${word("site.area")}</label>
    <${Area} area=${area} text=${written.text} change=${(text) => set({ text })} />
    <label class="small">${word("field.file")} <input type="file" accept=".yaml,.yml,text/yaml" onChange=${taken} /></label>
    <${NewTables} tables=${written.tables} set=${set} />
    <div class="buttons">
      <button type="button" class=${check?.well ? "" : "chief"} aria-disabled=${busy ? "true" : undefined} onClick=${look}>${word(busy ? "site.checking" : "site.check")}</button>
      ${check?.well && isWritten && page.may_write && !isOther && html`<${ActButton} action=${PERMIT} kind="chief" label=${word("site.propose.open")} spec=${() => proposal({ ...sent(written), based_on: written.basedOn }, proposed)} />`}
      ${isWritten && html`<button type="button" onClick=${anew}>${word("site.anew")}</button>`}
    </div>
    ${wrong.length > 0 && html`<div class="wrong" role="alert">${wrong.map((each) => html`<p key=${each}>${each}</p>`)}</div>`}
    ${check && html`<${Check} check=${check} leadTo=${(line) => leadTo(area.current, line)} />`}
    ${written.text !== written.before && html`<h3>${word("site.compare")}</h3><${Settled} text=${written.text}>${(text) => html`<${Difference} before=${written.before} after=${text} />`}<//>`}
  </section>`;
}

/** The text is the browser's own while somebody writes in it. */
function Area({ area, text, change }) {
  return html`<textarea id="site-area" ref=${area} class="pasted site-area" rows="22" wrap="off" spellcheck="false" autocapitalize="none" value=${text} onInput=${(event) => change(event.target.value)}></textarea>`;
}

const PAUSE_MS = 400;

/** What takes its time to draw is drawn when the writing pauses. */
function Settled({ text, children }) {
  const [settled, settle] = useState(text);
  useEffect(() => {
    const timer = setTimeout(() => settle(text), PAUSE_MS);
    return () => clearTimeout(timer);
  }, [text]);
  return children(settled);
}

function NewTables({ tables, set }) {
  const word = useWords();
  const names = Object.keys(tables);
  if (names.length === 0) return null;
  const without = (name) => Object.fromEntries(Object.entries(tables).filter(([each]) => each !== name));
  return html`<p class="small">${word("site.new_tables")}</p>
    <ul>${names.map((name) => html`<li key=${name}><code>${name}</code> <button type="button" onClick=${() => set({ tables: without(name) })}>${word("site.without")}<span class="unseen"> ${name}</span></button></li>`)}</ul>`;
}

/** The line is marked, and in sight. */
function leadTo(area, line) {
  const lines = area.value.split("\n");
  const begin = lines.slice(0, line - 1).reduce((sum, each) => sum + each.length + 1, 0);
  area.focus();
  area.setSelectionRange(begin, begin + (lines[line - 1] ?? "").length);
  const height = area.scrollHeight / Math.max(1, lines.length);
  area.scrollTop = Math.max(0, (line - 1) * height - area.clientHeight / 2);
  area.scrollLeft = 0;
}
