// What whoever takes over the shift has to know, on one sheet of paper: what `tank-gateway enter list` tells.
import { html } from "../html.js";
import { siteNow, useEachSecond, useSite } from "../live.js";
import { alarmName, placeName } from "../parts/alarm_words.js";
import { MAINTENANCE, NotKnown, stateOf, useEntered } from "../parts/in_force.js";
import { told } from "../sentences.js";
import { full } from "../times.js";
import { actName } from "../parts/act_name.js";
import { retyped } from "../told_numbers.js";
import { hasWord, useWords } from "../words.js";

const HIDDEN = ["shelved", "suppressed", "out_of_service"];

export function HandoverView() {
  const word = useWords();
  const site = useSite();
  const entered = useEntered();
  const { document, wrong } = entered;
  const age = useEachSecond(() => (document ? Math.floor(((siteNow() ?? 0) - Date.parse(document.time)) / 60_000) : 0));
  if (!site || !document) return html`<h1>${word("way.handover")}</h1><${NotKnown} wrong=${wrong} />`;
  const sheets = sheetsOf(document, word).filter(({ rows }) => rows.length);
  const remarks = [
    ...(document.products ?? []).flatMap((each) => each.remarks.map((text) => `${each.tank} ${word("quantity.product")}: ${told(text)}`)),
    ...document.entries.filter((each) => each.quantity !== MAINTENANCE && (each.trouble || each.other)).map((each) => `${each.about} ${word(`quantity.${each.quantity}`)}: ${told(each.trouble || each.other)}`),
  ];
  return html`<div class="handover">
    <h1>${word("way.handover")}: ${site.name}</h1>
    <p>
      ${word("handover.at", { time: full(document.time), zone: site.time_zone, utc: document.time.slice(0, 19).replace("T", " ") })}
      ${age > 0 && ` ${word("handover.age", { count: age })}`} ${site.simulated && html`<strong>${word("row.simulated")}</strong>`}
    </p>
    ${wrong && html`<${NotKnown} wrong=${wrong} />`}
    <div class="buttons"><button type="button" class="chief" onClick=${() => print()}>${word("handover.print")}</button></div>
    ${!sheets.length && !remarks.length ? html`<p class="large">${word("handover.nothing")}</p>` : null}
    ${sheets.map(({ name, heads, rows }) => html`<${Sheet} key=${name} name=${name} heads=${heads} rows=${rows} />`)}
    ${remarks.map((each) => html`<p key=${each}>${each}</p>`)}
    <p class="small">${word("caution.monitoring")}</p>
    <p class="signed">${word("handover.signed")}</p>
  </div>`;
}

function Sheet({ name, heads, rows }) {
  const word = useWords();
  return html`<section aria-labelledby=${`handover-${name}`}>
    <h2 id=${`handover-${name}`}>${word(`handover.${name}`)} <span class="quiet">${rows.length}</span></h2>
    <div class="wide" tabindex="0" role="region" aria-label=${word(`handover.${name}`)}>
      <table>
        <thead><tr>${heads.map((head) => html`<th key=${head} scope="col">${word(`handover.head.${head}`)}</th>`)}</tr></thead>
        <tbody>${rows.map((row) => html`<tr key=${row.join(" ")}>${row.map((text, place) => html`<td key=${place}>${text}</td>`)}</tr>`)}</tbody>
      </table>
    </div>
  </section>`;
}

function sheetsOf(document, word) {
  const time = (text) => (text ? full(text) : "");
  const said = (prefix, name) => (hasWord(`${prefix}.${name}`) ? word(`${prefix}.${name}`) : name.replaceAll("_", " "));
  const values = document.entries.filter((each) => each.quantity !== MAINTENANCE);
  const works = document.entries.filter((each) => each.quantity === MAINTENANCE);
  const alarm = (each) => [placeName(each.tank), alarmName(each), word(`phase.${each.phase}`), time(each.since), each.by ?? "", time(each.until), each.why];
  const transfer = (each) => [
    String(each.number),
    said("transfer_phase", each.phase),
    said("transfer_kind", each.kind),
    each.sides.map((side) => side.tank).join(", "),
    each.product ?? "",
    each.partner ?? "",
    time(each.since),
    told(each.waits_for) || (each.progress?.settled ? word("handover.settles", { time: time(each.progress.settled) }) : ""),
  ];
  const transfers = document.transfers ?? [];
  const ofTransfers = ["transfer", "state", "kind", "tanks", "product", "partner", "since", "waits"];
  const ofAlarms = ["tank", "alarm", "state", "since", "by", "until", "why"];
  return [
    { name: "open", heads: ofAlarms, rows: document.alarms.filter((each) => !HIDDEN.includes(each.phase)).map(alarm) },
    { name: "hidden", heads: ofAlarms, rows: document.alarms.filter((each) => HIDDEN.includes(each.phase)).map(alarm) },
    {
      name: "entered",
      heads: ["tank", "what", "value", "by", "entered", "until", "state", "why"],
      rows: values.map((each) => [each.about, word(`quantity.${each.quantity}`), retyped(each.block.value), each.by, time(each.block.entered ?? each.at), time(each.ends), word(stateOf(each)), each.why]),
    },
    { name: "products", heads: ["tank", "product", "from", "by", "why"], rows: (document.products ?? []).flatMap((each) => changesOf(each, time)) },
    { name: "maintenance", heads: ["instrument", "by", "since", "until", "why"], rows: works.map((each) => [each.about, each.by, time(each.at), time(each.ends), each.why]) },
    { name: "waiting", heads: ["request", "what", "by", "since", "until", "why"], rows: (document.waiting ?? []).map((each) => [String(each.request), [actName(each.asked), each.asked.tank].filter(Boolean).join(", "), each.by, time(each.at), time(each.ends), each.asked.why ?? ""]) },
    { name: "proposed", heads: ofTransfers, rows: transfers.filter((each) => each.phase === "proposed").map(transfer) },
    { name: "transfers", heads: ofTransfers, rows: transfers.filter((each) => each.phase !== "proposed").map(transfer) },
    { name: "days", heads: ["day", "ended"], rows: (document.days?.unclosed ?? []).map((each) => [each.day, time(each.ended)]) },
  ];
}

/** The newest change of a tank, and those to come. */
function changesOf({ tank, history }, time) {
  const first = Math.max(0, history.findLastIndex((each) => !each.planned));
  return history.slice(first).filter(({ by }) => by !== null).map((each) => [tank, each.product, time(each.since), each.by, each.why]);
}
