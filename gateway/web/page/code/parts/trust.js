// Can it be relied on tonight? Good time of each tank, what holds by hand, what is silent, losses against their limit.
import { html } from "../html.js";
import { way } from "../go.js";
import { row, tags, useEachSecond, useTop } from "../live.js";
import { text, written } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AsOf, useDocument } from "./document.js";
import { InForce, InMaintenance, MAINTENANCE, useEntered } from "./in_force.js";
import { LossesPart } from "./losses_part.js";
import { PlainTable } from "./plain_table.js";

const FIGURES = ["level", "tov", "mass"];
const KINDS = ["uncertain", "bad", "none"];
const AGAIN_MS = 10_000;

export function Trust() {
  return html`<${Tonight} /><${GoodTime} /><${Due} /><${LossesPart} />`;
}

function Tonight() {
  const word = useWords();
  const entered = useEntered();
  const alarms = useTop("alarms") ?? [];
  const hidden = alarms.filter((each) => ["shelved", "suppressed", "out_of_service"].includes(each.alarm.phase));
  const entries = entered.document?.entries ?? [];
  const values = entries.filter((each) => each.quantity !== MAINTENANCE).length;
  return html`<section aria-labelledby="overrides">
      <h2 id="overrides">${word("trust.overrides")}</h2>
      ${entered.document && html`<p><strong>${word("trust.count_values", { count: values })}, ${word("trust.count_work", { count: entries.length - values })}, ${word("trust.count_hidden", { count: hidden.length })}</strong> <a href=${way("handover")}>${word("way.handover")}</a></p>`}
      <${ByHand} />
      <${InForce} entered=${entered} />
    </section>
    <${InMaintenance} entered=${entered} />`;
}

/** Tanks that show a value by hand now, from wherever: the site file may have one too. */
function ByHand() {
  const word = useWords();
  const shown = useEachSecond(() => tags.value.filter((tag) => row(tag).value?.by_hand).join("\n"));
  if (!shown) return html`<p>${word("trust.none_by_hand")}</p>`;
  return html`<p>✎ ${word("trust.by_hand")} ${shown.split("\n").map((tag) => html`<a key=${tag} href=${way("tank", tag)}>${tag}</a> `)}</p>`;
}

function GoodTime() {
  const word = useWords();
  const told = useDocument("/api/1/good-time");
  const { document } = told;
  return html`<section aria-labelledby="good-time">
    <h2 id="good-time">${word("trust.good_time")}</h2>
    <${AsOf} told=${told} />
    ${document && html`<${Shares} document=${document} />`}
  </section>`;
}

function Shares({ document }) {
  const word = useWords();
  const { minutes, tanks } = document;
  if (!minutes) return html`<p>${word("trust.no_minutes")}</p>`;
  // What was not Good for longest stands first.
  const worst = ([, figures]) => Math.min(...FIGURES.map((name) => figures[name].good));
  const rows = Object.entries(tanks)
    .sort((one, other) => worst(one) - worst(other))
    .map(([tank, figures]) => ({
      key: tank,
      cells: { tank: html`<a href=${way("tank", tank)}>${tank}</a>`, ...Object.fromEntries(FIGURES.map((name) => [name, html`<${Share} counts=${figures[name]} minutes=${minutes} />`])) },
    }));
  const columns = [{ name: "tank", title: word("trust.tank") }, ...FIGURES.map((name) => ({ name, title: word(`figure.name.${name}`), number: true }))];
  return html`<p>${word("trust.span", { from: full(document.from), until: full(document.until) })} ${document.since_first_record && html`<strong>${word("trust.since_first")}</strong>`}</p>
    <p class="small">${word("trust.good_how")}</p>
    <${PlainTable} label=${word("trust.good_time")} columns=${columns} rows=${rows} />`;
}

/** Never rounded up: what was not always Good was not Good 100 % of the time. */
function Share({ counts, minutes }) {
  const word = useWords();
  const good = Math.floor((counts.good / minutes) * 1000) / 1000;
  const others = KINDS.filter((name) => counts[name] > 0);
  return html`<strong class="figure">${text(good, "percent")}</strong>${others.map((name) => html`<br key=${name} /><span class="small">${word(`trust.minutes.${name}`, { minutes: written(String(counts[name])) })}</span>`)}`;
}

/** What a site file does not say nobody can be reminded of. */
function Due() {
  const word = useWords();
  const told = useDocument("/lines", { everyMs: AGAIN_MS });
  const silent = (told.document?.instruments ?? []).filter((each) => !each.up);
  return html`<section aria-labelledby="due">
    <h2 id="due">${word("trust.due")}</h2>
    <p>${word("trust.due_unknown")}</p>
    <${AsOf} told=${told} />
    ${told.document && (silent.length === 0 ? html`<p>${word("trust.none_silent", { count: told.document.instruments.length })}</p>` : html`<p><strong>${word("trust.silent")}</strong></p><ul>${silent.map((each) => html`<li key=${each.instrument}><a href=${way("lines", each.line)}>${each.instrument}</a> ${each.last_answer ? word("trust.last_answer", { time: full(each.last_answer) }) : word("lines.never")}</li>`)}</ul>`)}
  </section>`;
}
