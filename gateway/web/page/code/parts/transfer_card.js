// One transfer that is not over: what of what was ordered has moved, how fast, until when, and what it waits for.
import { html } from "../html.js";
import { way } from "../go.js";
import { siteNow, useRow, useSite } from "../live.js";
import { text } from "../numbers.js";
import { toldBefore, told as spoken } from "../sentences.js";
import { clock, full, span } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, amountText, codeWord, measureAt, reasonTexts } from "./account_figures.js";
import { AmountRuler } from "./amount_ruler.js";
import { OpeningFigures } from "./opening_figures.js";
import { PriorityMark } from "./mark.js";
import { Ruler } from "./ruler.js";
import { TransferButtons } from "./transfer_acts.js";
import { doubtsOf, referenceOf, transferTitle } from "./transfer_words.js";

/** `now`: of the document, in ms. */
export function TransferCard({ transfer, now, done }) {
  const word = useWords();
  const isProposed = transfer.phase === "proposed";
  return html`<article class="transfer" aria-labelledby=${`transfer-${transfer.number}`}>
    <header>
      <h3 id=${`transfer-${transfer.number}`}>
        ${isProposed && html`<${PriorityMark} priority="soon" fresh />`}
        <span>${word("transfer.number", { number: transfer.number })}</span> ${transferTitle(transfer)}
      </h3>
      <p>
        <strong>${codeWord("transfer_phase", transfer.phase)}</strong>
        <span class="quiet">${word("transfer.since", { time: clock(transfer.since, now) })}</span>
        ${transfer.sides.some((side) => side.opening?.simulated) && html`<span>${word("row.simulated")}</span>`}
      </p>
    </header>
    <${Said} transfer=${transfer} now=${now} />
    ${transfer.sides.map(({ tank }) => html`<${TankLine} key=${tank} tank=${tank} />`)}
    <${Course} transfer=${transfer} now=${now} />
    <${TransferButtons} transfer=${transfer} done=${done} />
    <${Doubts} transfer=${transfer} now=${now} />
    <${OpeningFigures} transfer=${transfer} now=${now} />
  </article>`;
}

/** What people said of it. */
function Said({ transfer, now }) {
  const word = useWords();
  const { planned } = transfer;
  const told = [
    ["transfer.product", transfer.product],
    ["transfer.partner", transfer.partner],
    ["transfer.reference", transfer.reference],
    ["transfer.owner", transfer.owner],
    ["transfer.begins", transfer.phase === "planned" && planned.begins ? clock(planned.begins, now) : ""],
    ["transfer.by", transfer.by],
  ].filter(([, text]) => text);
  return html`<dl class="said">
    ${told.map(([name, text]) => html`<div key=${name}><dt>${word(name)}</dt><dd>${text}</dd></div>`)}
  </dl>`;
}

/** The ruled line of one of its tanks, as everywhere. */
function TankLine({ tank }) {
  const row = useRow(tank);
  const fixed = useSite()?.tanks?.[tank];
  return html`<div class="tank-line">
    <a class="tag" href=${way("tank", tank)}>${tank}</a>
    ${row && fixed ? html`<${Ruler} row=${row} fixed=${fixed} />` : null}
  </div>`;
}

/** Ordered against moved, with the ruled line; rate, finish, what it waits for. */
function Course({ transfer, now }) {
  const word = useWords();
  const { planned, progress, phase } = transfer;
  const measure = progress?.measure ?? planned.measure;
  const reference = referenceOf(transfer);
  const moved = progress?.moved?.[measure] ?? null;
  const rests = useRests(transfer.sides);
  const flows = phase === "running" && !rests;
  const ordered = planned.amount;
  const orderedText = ordered === null ? word("transfer.nothing_ordered") : `${amountText(ordered, planned.measure)} ${measureAt(planned.measure, reference)}`;
  const finish = finishText(word, transfer, now);
  const movedText = moved?.value === null || !moved ? word("figure.no_value") : amountText(moved.value, measure);
  return html`
    ${ordered !== null &&
    html`<${AmountRuler} ordered=${ordered} moved=${moved ? moved.value : phase === "planned" ? 0 : null} orderedText=${orderedText} flows=${flows}
      uncertain=${moved?.quality === "Uncertain"} end=${flows && progress.finish ? `${clock(progress.finish, now)} ${word("transfer.done")}` : ""}
      label=${word("transfer.ruler", { moved: moved ? movedText : word("transfer.nothing_yet"), ordered: orderedText })} />`}
    <dl class="course">
      <div><dt>${word("transfer.ordered")}</dt><dd>${orderedText}</dd></div>
      <div><dt>${word("transfer.moved")}</dt><dd>${moved ? html`<${AccountFigure} figure=${moved} name=${measure} /> ${measureAt(measure, reference)}` : word("transfer.nothing_yet")}</dd></div>
      ${ordered !== null && moved && html`<${Missing} progress=${progress} measure=${measure} />`}
      ${(phase === "running" || phase === "proposed") && html`<${Rates} progress=${progress} rests=${rests} />`}
      ${finish && html`<div><dt>${word("transfer.finish")}</dt><dd>${finish}</dd></div>`}
      ${progress?.room_left_m3 !== null && progress && html`<div><dt>${word("transfer.room_left")}</dt><dd>${amountText(progress.room_left_m3, "room")}</dd></div>`}
      ${progress?.pumpable_left_m3 !== null && progress && html`<div><dt>${word("transfer.pumpable_left")}</dt><dd>${amountText(progress.pumpable_left_m3, "pumpable")}</dd></div>`}
      <${WaitsFor} transfer=${transfer} now=${now} />
    </dl>
  `;
}

function Missing({ progress, measure }) {
  const word = useWords();
  const { missing } = progress;
  const isMore = missing.value !== null && missing.value < 0;
  const figure = isMore ? { ...missing, value: -missing.value } : missing;
  return html`<div><dt>${word(isMore ? "transfer.too_much" : "transfer.missing")}</dt><dd><${AccountFigure} figure=${figure} name=${measure} /></dd></div>`;
}

/** The rate of now, which is what is compared with the ship's every hour, and that since the opening. */
function Rates({ progress, rests }) {
  const word = useWords();
  const { rate, mean_rate: mean } = progress;
  const said = (figure) => {
    if (figure.value === null) return html`<span class="novalue">${word("transfer.rate_unknown")}</span> <span class="quiet">${reasonTexts(figure.reasons).join("; ")}</span>`;
    return html`<span class="figure">${text(figure.value, "flow")}${figure.quality === "Uncertain" && html`?<span class="unseen"> ${word("account.estimated")}</span>`}</span>`;
  };
  return html`
    <div><dt>${word("transfer.rate")}</dt><dd>${rests ? word("transfer.nothing_flows") : said(rate)}</dd></div>
    ${mean && mean.value !== null && html`<div><dt>${word("transfer.mean_rate")}</dt><dd>${said(mean)}</dd></div>`}
  `;
}

/** At rest the rate is that of noise: none that anybody compares with the ship's. */
function useRests(sides) {
  const rows = [useRow(sides[0].tank), useRow(sides[sides.length - 1].tank)];
  return rows.every((row) => row?.motion === "at_rest");
}

function finishText(word, { phase, planned, progress }, now) {
  if (phase !== "running" || planned.amount === null) return "";
  if (!progress?.finish) return word("transfer.finish_unknown");
  const left = (Date.parse(progress.finish) - (siteNow() ?? now)) / 1000;
  return word("transfer.finish_at", { time: clock(progress.finish, now), span: span(left) });
}

function WaitsFor({ transfer, now }) {
  const word = useWords();
  const text = waitsForText(word, transfer, siteNow() ?? now);
  return text && html`<div><dt>${word("transfer.waits_for")}</dt><dd><strong>${text}</strong></dd></div>`;
}

/** One sentence; empty where it waits for nothing but the end of the flow. */
function waitsForText(word, { phase, waits_for: waitsFor, progress, since }, now) {
  if (phase === "proposed") return word("transfer.waits_for_word");
  if (phase === "planned") return plannedText(word, progress?.opening_rest_s, now);
  if (phase === "paused") return word("transfer.waits_for_resume", { time: clock(since, now) });
  if (phase !== "settling") return "";
  if (waitsFor) return spoken(waitsFor);
  if (!progress?.settled) return word("transfer.waits_for_rest");
  const left = Math.max(0, (Date.parse(progress.settled) - now) / 1000);
  return word("transfer.settles", { time: clock(progress.settled, now), span: span(left) });
}

/** Settled? That is asked before the opening: a sheet of a tank that still moves is none that both sides sign. */
function plannedText(word, restS, now) {
  const start = word("transfer.waits_for_start");
  if (restS === 0) return `${start}; ${word("transfer.has_settled")}`;
  if (restS > 0) return `${start}; ${word("transfer.settles", { time: clock(now + restS * 1000, now), span: span(restS) })}`;
  return `${start}; ${word("transfer.not_at_rest")}`;
}

/** What whoever reads the ticket will have to know, as far as it is known now. */
function Doubts({ transfer, now }) {
  const word = useWords();
  const doubts = doubtsOf(transfer);
  if (doubts.length === 0 && transfer.marks.length === 0) return null;
  return html`<div class="doubts">
    ${doubts.length > 0 && html`<h4>${word("transfer.doubts")}</h4><ul>${doubts.map((text) => html`<li key=${text}>${text}</li>`)}</ul>`}
    ${transfer.marks.length > 0 && html`<h4>${word("transfer.marks")}</h4><${Marks} marks=${transfer.marks} now=${now} />`}
  </div>`;
}

/** What happened meanwhile. */
export function Marks({ marks, now }) {
  const word = useWords();
  return html`<ul class="marks">
    ${marks.map(
      (mark, index) =>
        html`<li key=${index}><time datetime=${mark.instant} title=${full(mark.instant)}>${clock(mark.instant, now)}</time> ${codeWord("mark", mark.kind)}: ${mark.by ? toldBefore(mark.text) : spoken(mark.text)}${
          mark.by && html` <span class="quiet">${word("account.by", { who: mark.by })}</span>`
        }</li>`,
    )}
  </ul>`;
}
