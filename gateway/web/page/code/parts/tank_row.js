// A tank as a row: what it holds, the ruler, the few figures a shift lives by, how good they are and how old.
import { html } from "../html.js";
import { way } from "../go.js";
import { isLive, siteNow, useEachSecond, useRow } from "../live.js";
import { referenceText } from "../numbers.js";
import { clock, span } from "../times.js";
import { word } from "../words.js";
import { Age, measuredAt } from "./age.js";
import { Figure, figureName, reasonText } from "./figure.js";
import { RowTags } from "./mark.js";
import { nextLimit, Ruler } from "./ruler.js";
import { SmallTrend } from "./small_trend.js";
import { stillnessText } from "./stillness.js";

/** `trend`: points of its last hours, where there are any. `grouped`: its product stands above it already. */
export function TankRow({ tag, fixed, trend, grouped = false }) {
  const row = useRow(tag);
  const live = useEachSecond(() => isLive(row));
  if (!row) {
    return html`<li class="tank-row"><a class="tag" href=${way("tank", tag)}>${tag}</a> <span>${word("row.awaited")}</span></li>`;
  }
  const reference = fixed.reference_temperature;
  const amount = row.gsv && row.gsv.none === undefined ? ["gsv", row.gsv] : ["mass", row.mass];
  const part = (name, fig, options = {}, beside = "") =>
    html`<span class="part"><span class="unit">${figureName(name, row)}</span> <${Figure} fig=${fig} old=${!live} ...${options} />${beside && html` <span class="unit">${beside}</span>`}</span>`;
  return html`<li class="tank-row">
    <div class="head">
      <a class="tag" href=${way("tank", tag)}>${tag}</a> ${!grouped && html`<span class="product">${row.product}</span>`}
      <${RowTags} row=${row} live=${live} /> <${Age} time=${measuredAt(row)} />
    </div>
    <div class="line"><${Ruler} row=${row} fixed=${fixed} />${trend && html`<${SmallTrend} points=${trend} fixed=${fixed} />`}</div>
    <div class="parts small">
      ${part("level", row.level)} ${part("temperature", row.temperature)}
      ${part(amount[0], amount[1], {}, amount[0] === "gsv" && reference ? word("figure.at", { temperature: referenceText(reference.value) }) : "")}
      ${part("room", row.room, { down: true })} ${part("pumpable", row.pumpable, { down: true })}
      <${Still} row=${row} live=${live} />
    </div>
    <${Course} row=${row} live=${live} />
    ${row.quality !== "Good" && row.reasons?.length > 0 && html`<p class="small why">${row.reasons.map(reasonText).join("; ")}</p>`}
  </li>`;
}

/** Is a quiet tank moving? Nothing of one that moves, or of which nothing is known. */
function Still({ row, live }) {
  const moves = row.motion === "filling" || row.motion === "emptying";
  if (!live || moves || !row.still) return null;
  return html`<span class=${`part still ${row.still.within ? "" : "fresh"}`}><span class="unit">${word("still.name")}</span> ${stillnessText(row, { short: true })}</span>`;
}

/** Where it is going: rate, and the next limit by the clock. Nothing where it rests. */
function Course({ row, live }) {
  if (!live || (row.motion !== "filling" && row.motion !== "emptying")) return null;
  const next = nextLimit(row);
  const { rate } = row;
  // Which way is said in a word.
  const size = rate?.v ? { ...rate, v: Math.abs(rate.v) } : rate;
  const what = row.activity ? word(`activity.${row.activity}`) : word(`motion.${row.motion}`);
  return html`<p class="small heading" title=${word("caution.monitoring")}>
    <strong>${what}</strong> <${Figure} fig=${size} />
    ${next
      ? html` <strong>${clock(next.at, siteNow())}</strong> ${word(`limit.${next.limit}`)} ${word("course.in", { span: span(next.in_s) })}`
      : html` <span class="quiet">${word("course.unknown")}</span>`}
    ${rate?.r && rate.q !== "Good" && html` <span class="quiet">${reasonText(rate.r)}</span>`}
  </p>`;
}
