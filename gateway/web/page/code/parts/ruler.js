// The ruled line: a tank from datum to full, its limits as ticks, the level as a heavy stop, and where it is going.
import { html } from "../html.js";
import { isLive, siteNow, useEachSecond } from "../live.js";
import { text } from "../numbers.js";
import { clock } from "../times.js";
import { word } from "../words.js";
import { figureText } from "./figure.js";

/** Of the line, below the top of the drawing; in what a letter is 16 of. */
const Y = 18;
/** On a wall it grows with its letters. */
const rem = (length) => `${length / 16}rem`;

/** Part of the line at a level, in per cent; what lies beyond its ends is said. */
function place(level, fixed) {
  return ((level - fixed.lowest) / (fixed.full - fixed.lowest)) * 100;
}

const within = (percent) => Math.min(100, Math.max(0, percent));

/** Whether the level that is known lies beyond an end of the line: "above", "below" or null. */
export function beyond(level, fixed) {
  const known = level?.v ?? level?.last?.v;
  if (known === undefined || known === null) return null;
  return known > fixed.full ? "above" : known < fixed.lowest ? "below" : null;
}

/** What the drawing says, as a sentence. */
export function rulerText(row, fixed, live = isLive(row)) {
  const said = [word("ruler.level", { level: figureText(row.level), full: text(fixed.full, "length") })];
  if (!live) said.unshift(word("row.not_live"));
  const out = beyond(row.level, fixed);
  if (out) said.push(word(`ruler.${out}`));
  const next = live ? nextLimit(row) : null;
  if (next) said.push(word(`ruler.${row.motion}`, { limit: word(`limit.${next.limit}`), time: clock(next.at, siteNow()) }));
  for (const { limit, level } of fixed.limits) said.push(`${word(`limit.${limit}`)} ${text(level, "length")}`);
  return said.join("; ");
}

/** The limit that the level is moving to, soonest first; null where it rests or nobody knows. */
export function nextLimit(row) {
  if (row.motion !== "filling" && row.motion !== "emptying") return null;
  return row.times?.length ? row.times.reduce((soonest, each) => (each.in_s < soonest.in_s ? each : soonest)) : null;
}

/** `fixed`: the tank of /api/1/site. `tall`: with the limits' values written out. */
export function Ruler({ row, fixed, tall = false }) {
  // Wherever it stands: what is no longer heard must not go on moving to a limit.
  const live = useEachSecond(() => isLive(row));
  const level = row.level ?? {};
  const isKnown = level.v !== null && level.v !== undefined;
  const shownLevel = isKnown ? level.v : level.last?.v;
  const at = shownLevel === undefined ? null : within(place(shownLevel, fixed));
  const doubtful = level.q === "Uncertain" || !live ? "uncertain" : "";
  const next = isKnown && live ? nextLimit(row) : null;
  const to = next ? within(place(next.level, fixed)) : null;
  const out = beyond(level, fixed);
  const water = row.water?.v > 0 ? Math.max(1, within(place(row.water.v, fixed))) : null;
  return html`<svg class=${`ruler ${tall ? "tall" : ""} ${to === null && out === null ? "" : "moving"}`} role="img" aria-label=${rulerText(row, fixed, live)}>
    <line class="scale" x1="0" y1=${rem(Y)} x2="100%" y2=${rem(Y)} />
    ${[0, 25, 50, 75, 100].map((x) => html`<line key=${x} class="tick" x1=${`${x}%`} y1=${rem(Y)} x2=${`${x}%`} y2=${rem(Y + 4)} />`)}
    ${fixed.limits.map(({ limit, level: height }) => {
      const x = `${within(place(height, fixed))}%`;
      return html`<g key=${limit}><line class="limit" x1=${x} y1=${rem(Y - 7)} x2=${x} y2=${rem(Y + 7)}><title>${word(`limit.${limit}`)} ${text(height, "length")}</title></line></g>`;
    })}
    ${tall && html`<${LimitLabels} fixed=${fixed} />`}
    ${isKnown && html`<line class=${`filled ${doubtful}`} x1="0" y1=${rem(Y)} x2=${`${at}%`} y2=${rem(Y)} />`}
    ${!isKnown && at !== null && html`<line class="gap" x1=${`${Math.max(0, at - 3)}%`} y1=${rem(Y)} x2=${`${Math.min(100, at + 3)}%`} y2=${rem(Y)} />`}
    ${to !== null && html`<line class="stretch" x1=${`${at}%`} y1=${rem(Y)} x2=${`${to}%`} y2=${rem(Y)} />`}
    ${water !== null && html`<g class="water"><line class="water" x1="0" y1=${rem(Y + 4)} x2=${`${water}%`} y2=${rem(Y + 4)} /><line class="water" x1="0" y1=${rem(Y + 7)} x2=${`${water}%`} y2=${rem(Y + 7)} /></g>`}
    ${at !== null &&
    html`<svg x=${`${at}%`} y="0" overflow="visible">
      ${isKnown
        ? html`${out
              ? html`<${Shape} of="out" path=${out === "above" ? `M0 ${Y - 11}l11 11l-11 11` : `M0 ${Y - 11}l-11 11l11 11`} />`
              : html`<line class=${`stop ${doubtful}`} x1="0" y1=${rem(Y - 11)} x2="0" y2=${rem(Y + 11)} />`}
            ${live && row.motion === "filling" && html`<${Shape} of="arrow" path=${`M4 ${Y - 8}l9 8l-9 8z`} />`}
            ${live && row.motion === "emptying" && html`<${Shape} of="arrow" path=${`M-4 ${Y - 8}l-9 8l9 8z`} />`}
            ${level.q === "Uncertain" && html`<text class="doubt" x="0" y=${rem(6)} text-anchor="middle">?</text>`}`
        : html`<circle class="hollow" cx="0" cy=${rem(Y)} r=${rem(5)} />`}
    </svg>`}
    ${to !== null && html`<text class="at" x=${`${to}%`} y=${rem(tall ? -16 : Y + 20)} text-anchor=${to > 50 ? "end" : "start"}>${clock(next.at, siteNow())} ${word(`limit.${next.limit}`)}</text>`}
    ${out && html`<text class="at" x=${out === "above" ? "100%" : "0%"} y=${rem(tall ? -16 : Y + 20)} text-anchor=${out === "above" ? "end" : "start"}>${word(`ruler.${out}`)}</text>`}
    ${tall && at !== null && html`<text class=${`at ${live ? "" : "old"}`} x=${`${at}%`} y=${rem(-2)} text-anchor=${at > 80 ? "end" : at < 20 ? "start" : "middle"}>${levelText(level, isKnown)}</text>`}
    ${at === null && html`<text x="0" y=${rem(Y - 6)}>${word("figure.no_value")}</text>`}
  </svg>`;
}

/** At the stop; a path has no units of its own. */
function Shape({ of, path }) {
  return html`<svg x="-1rem" y="0" width="2rem" height="2.25rem" viewBox="-16 0 32 36" overflow="visible"><path class=${of} d=${path} /></svg>`;
}

/** The value at the stop; at the hollow mark, of when it is. */
function levelText(level, isKnown) {
  if (isKnown) return text(level.v, "length");
  return word("figure.last_good", { value: text(level.last.v, "length"), time: clock(level.last.t, siteNow()) });
}

/** Values under the ticks; the second of two that stand close together goes a line lower. */
function LimitLabels({ fixed }) {
  let before = -Infinity;
  let line = 0;
  return html`${fixed.limits.map(({ limit, level }) => {
    const at = within(place(level, fixed));
    line = at - before < 14 ? line + 1 : 0;
    before = at;
    return html`<text key=${limit} class="of-limit" x=${`${at}%`} y=${rem(Y + 22)} dy=${`${line * 1.2}em`} text-anchor=${at > 50 ? "end" : "start"}>${word(`limit.${limit}`)} ${text(level, "length")}</text>`;
  })}`;
}
