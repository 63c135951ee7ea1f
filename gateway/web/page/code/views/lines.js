// For the technician: how each line and instrument does, what came over the wire, and what can be made of it.
import { html, useState } from "../html.js";
import { way } from "../go.js";
import { siteNow, useSite, useTop } from "../live.js";
import { text } from "../numbers.js";
import { Age } from "../parts/age.js";
import { AsOf, useDocument } from "../parts/document.js";
import { reasonText } from "../parts/figure.js";
import { InMaintenance, MAINTENANCE, useEntered } from "../parts/in_force.js";
import { ReadingTable } from "../parts/reading_table.js";
import { clock, span } from "../times.js";
import { useWords } from "../words.js";

const AGAIN_MS = 5_000;
const COUNTS = ["late_answers", "unsolicited_frames", "second_master_suspicions", "second_answers", "shifts"];

export function LinesView({ rest }) {
  const word = useWords();
  const told = useDocument("/lines", { everyMs: AGAIN_MS });
  const [wanted, setWanted] = useState("");
  const { document } = told;
  const entered = useEntered();
  const works = (entered.document?.entries ?? []).filter((each) => each.quantity === MAINTENANCE);
  const lines = (document?.lines ?? []).filter((each) => !rest[0] || each.line === rest[0]);
  return html`<h1>${word("way.lines")}</h1>
    <${AsOf} told=${told} />
    <p class="small">${word("lines.safety")}</p>
    ${document &&
    html`<div class="field"><label>${word("lines.find")} <input type="search" value=${wanted} onInput=${(event) => setWanted(event.target.value)} /></label></div>`}
    ${lines.map((line) => html`<${Line} key=${line.line} line=${line} document=${document} wanted=${wanted.trim().toLowerCase()} works=${works} />`)}
    <${InMaintenance} entered=${entered} />`;
}

function Line({ line, document, wanted, works }) {
  const word = useWords();
  const site = useSite();
  const ran = (Date.parse(document.time) - Date.parse(document.started)) / 1000;
  const instruments = document.instruments
    .filter((each) => each.line === line.line && each.instrument.toLowerCase().includes(wanted))
    .sort((a, b) => Number(a.up) - Number(b.up) || failures(b) - failures(a));
  const lost = (useTop("lines") ?? []).find((each) => each.name === line.line && !each.connected);
  const told = COUNTS.filter((name) => line[name] > 0);
  return html`<section aria-labelledby=${`line-${line.line}`}>
    <h2 id=${`line-${line.line}`}>${line.line} <span class="quiet small">${line.path}</span></h2>
    <p>
      ${line.connected ? word("lines.connected") : html`<strong>${word("lines.lost")}</strong>`}
      ${lost?.since && html` <strong>${word("lines.lost_since", { time: clock(lost.since, siteNow()) })}</strong>`}
      ${line.since && html`${" · "}<span class="quiet">${word("lines.counted", { time: clock(line.since, Date.parse(document.time)), span: span((Date.parse(document.time) - Date.parse(line.since)) / 1000) })}</span>`}
      ${line.on_standby && html` · <strong>${word("lines.standby")}</strong>`}
      ${" · "}${word("lines.busy", { share: text(ran > 0 ? line.busy_s / ran : 0, "percent") })}
      ${" · "}${word("lines.lateness", { ms: within(line.lateness, word) })}
      ${line.second_master_suspected && html` · <strong>${word("alarm.second_master")}</strong>`}
    </p>
    ${told.length > 0 && html`<p>${told.map((name) => html`<span key=${name} class="count">${word(`lines.${name}`, { count: line[name] })}</span> `)}</p>`}
    <ul>${instruments.map((each) => html`<${Instrument} key=${each.instrument} instrument=${each} tanks=${tanksOf(site, each.instrument)} work=${works.find(({ about }) => about === each.instrument)} />`)}</ul>
  </section>`;
}

/** `work`: what somebody has said of working on it. */
function Instrument({ instrument, tanks, work }) {
  const word = useWords();
  const [open, setOpen] = useState(false);
  const errors = Object.entries(instrument.errors);
  return html`<li class="instrument">
    <div class="head">
      <button class="disclose" aria-expanded=${open} onClick=${() => setOpen(!open)}>${open ? "−" : "+"} <strong>${instrument.instrument}</strong></button>
      ${instrument.up ? word("lines.answers") : html`<strong>${word("lines.silent")}</strong>`}
      ${instrument.last_answer ? html`<${Age} time=${instrument.last_answer} />` : html`<span class="quiet">${word("lines.never")}</span>`}
      <span class="quiet">${word("lines.requests", { count: instrument.requests })}</span>
      <span class="quiet">${word("lines.response", { ms: within(instrument.response_time, word), timeout: span1(instrument.timeout_s) })}</span>
      ${tanks.map((tag) => html`<a key=${tag} href=${way("tank", tag)}>${tag}</a>`)}
    </div>
    <p class="small">
      ${errors.length > 0
        ? html`${errors.map(([kind, count]) => html`<span key=${kind} class="count"><strong>${count}</strong> ${reasonText({ code: kind })}</span> `)}<span class="quiet">${word("lines.of_requests", { count: instrument.requests })}</span>`
        : html`<span class="quiet">${unfailed(instrument, word)}</span>`}
      ${work && html` <strong>[ ${word("lines.maintained", { time: work.ends ? clock(work.ends, siteNow()) : "?", by: work.by })} ]</strong>`}
    </p>
    ${instrument.duplicate_address_suspicions > 0 && html`<p><strong>${word("lines.duplicate", { count: instrument.duplicate_address_suspicions })}</strong></p>`}
    ${open && html`<${Readings} instrument=${instrument.instrument} />`}
  </li>`;
}

/** Asked for only while somebody looks: the words of every signal of the site are many. */
function Readings({ instrument }) {
  const told = useDocument("/readings", { everyMs: AGAIN_MS });
  return html`<div>
    <${AsOf} told=${told} />
    ${told.document && html`<${ReadingTable} readings=${told.document.readings.filter((each) => each.instrument === instrument)} />`}
  </div>`;
}

/** Of one without a failed request: where the way to it is lost, it is asked nothing, and silent all the same. */
function unfailed({ up, requests }, word) {
  if (requests === 0) return word("lines.not_asked");
  return up ? word("lines.no_errors") : "";
}

const failures = (instrument) => Object.values(instrument.errors).reduce((sum, count) => sum + count, 0);

function tanksOf(site, instrument) {
  return Object.entries(site?.tanks ?? {})
    .filter(([, tank]) => tank.fed_by?.includes(instrument))
    .map(([tag]) => tag);
}

/** The bound below which 99 of 100 lie, of a histogram that counts what is not above each bound. */
function within({ bounds_s: bounds, counts }, word) {
  const all = counts[counts.length - 1];
  if (!all) return word("lines.none_yet");
  const at = bounds[counts.findIndex((count) => count >= 0.99 * all)];
  return at === null ? word("lines.above", { bound: span1(bounds[bounds.length - 2]) }) : span1(at);
}

function span1(seconds) {
  return seconds < 1 ? `${Number((seconds * 1000).toPrecision(3))} ms` : span(seconds);
}
