// Temperature over height: the ruled line upright, with the surface, the water, and every element and what became of it.
import { html, useState } from "../html.js";
import { text } from "../numbers.js";
import { useShared } from "../shared.js";
import { taste } from "../taste.js";
import { word } from "../words.js";
import { reasonText } from "./figure.js";

/** Least height of a row in pixels, by which it is known what would lie on one another. */
const ROW = 52;
const LEAST_ROWS = 6;
/** Places across, and what is left free above and below, in per cent: the drawing is as high as the list beside it. */
const X = 68;
const FREE = 3;

const MARKS = {
  used: html`<circle class="used" r="6" />`,
  left_out: html`<circle class="left-out" r="6" />`,
  failed: html`<path class="failed" d="M-6-6 6 6M6-6-6 6" />`,
  vapour: html`<circle class="vapour" r="2.5" />`,
  unknown: html`<circle class="left-out unknown" r="6" />`,
};

/** What became of an element: the shape and the word that it has. */
export function stateOf(element, level) {
  if (element.value === null) return "failed";
  if (element.used) return "used";
  if (element.submerged) return "left_out";
  if (level === null) return "unknown";
  // Wet, and not covered by the margin.
  return element.height < level ? "left_out" : "vapour";
}

/**
 * `elements` of an inventory, lowest first; `names` beside them. `level` and `water` in m or null, `lowest` to `top` the scale.
 * `old`: it is no longer the present; `doubtful`: the level is Uncertain. `children`: figures that stand below.
 */
export function Profile({ elements, names = [], level, water, lowest = 0, top, old = false, doubtful = false, children }) {
  useShared(taste);
  const [looked, look] = useState(null);
  const rows = elements.map((element, i) => ({ element, name: names[i] ?? "", state: stateOf(element, level) })).reverse();
  const least = Math.max(rows.length, LEAST_ROWS) * ROW;
  const y = (metres) => 100 - FREE - ((Math.min(Math.max(metres, lowest), top) - lowest) / (top - lowest)) * (100 - 2 * FREE);
  const rowY = (i) => `${((i + 0.5) * 100) / rows.length}%`;
  const seen = looked === null ? null : rows[looked];
  return html`<div class=${`profile ${old ? "old" : ""}`}>
    <div class="profile-drawing">
      <div class=${rows.length > LEAST_ROWS ? "" : "profile-least"}>
        <svg role="img" aria-label=${saidOf(level, water, top)}>
          <line class="scale" x1=${`${X}%`} x2=${`${X}%`} y1=${`${FREE}%`} y2=${`${100 - FREE}%`} />
          ${[lowest, top].map((end) => html`<line key=${end} class="tick" x1=${`${X - 4}%`} x2=${`${X}%`} y1=${`${y(end)}%`} y2=${`${y(end)}%`} />`)}
          ${level !== null && html`<line class="wet" x1=${`${X}%`} x2=${`${X}%`} y1=${`${y(level)}%`} y2=${`${100 - FREE}%`} />`}
          ${water > 0 &&
          html`<g class="water">${[X - 2.5, X - 5].map((x) => html`<line key=${x} x1=${`${x}%`} x2=${`${x}%`} y1=${`${Math.min(y(water), 98.5 - FREE)}%`} y2=${`${100 - FREE}%`} />`)}</g>`}
          ${level !== null && html`<line class=${`surface ${doubtful ? "doubtful" : ""}`} x1=${`${X - 8}%`} x2=${`${X + 8}%`} y1=${`${y(level)}%`} y2=${`${y(level)}%`} />`}
          ${rows.map(({ element, state }, i) => html`<g key=${element.height}>
            <line class="leader" x1=${`${X + 5}%`} y1=${`${y(element.height)}%`} x2="93%" y2=${rowY(i)} />
            <line class="leader" x1="93%" y1=${rowY(i)} x2="100%" y2=${rowY(i)} />
            <svg x=${`${X}%`} y=${`${y(element.height)}%`} overflow="visible">${MARKS[state]}</svg>
          </g>`)}
          <${Labels} y=${y} least=${least} lowest=${lowest} top=${top} level=${level} water=${water} />
        </svg>
      </div>
      <ol class="profile-elements" reversed>
        ${rows.map(({ element, name, state }, i) => html`<li key=${element.height}>
          <button
            type="button"
            aria-pressed=${looked === i}
            onFocus=${() => look(i)}
            onClick=${() => look(i)}
          ><${ElementWords} element=${element} state=${state} old=${old} /><span class="unseen">. ${whyOf(element, name, state)}</span></button>
        </li>`)}
      </ol>
    </div>
    <p class="profile-why" aria-hidden="true">${seen ? `${text(seen.element.height, "length")}: ${whyOf(seen.element, seen.name, seen.state)}` : word("profile.how")}</p>
    ${children}
  </div>`;
}

function ElementWords({ element, state, old }) {
  return html`<span class="at-height">${text(element.height, "length")}</span>
    ${" "}<span class=${`of-element ${old ? "struck" : ""}`}>${element.value === null ? word("figure.no_value") : text(element.value, "temperature")}${element.quality === "Uncertain" ? " ?" : ""}</span>
    ${" "}<span class=${`became ${state}`}>${word(`profile.${state}`)}</span>`;
}

function whyOf(element, name, state) {
  const share = state === "used" ? word("profile.share", { percent: text(element.weight, "percent") }) : "";
  return [name, word(`profile.${state}`), share, reasonText(element.reason)].filter(Boolean).join("; ");
}

function saidOf(level, water, top) {
  const said = [word("profile.scale", { top: text(top, "length") })];
  said.push(level === null ? word("profile.no_surface") : word("profile.surface_at", { level: text(level, "length") }));
  if (water > 0) said.push(word("profile.water_to", { level: text(water, "length") }));
  return said.join("; ");
}

/** Values at the left, each so many pixels from its place; one that would lie on another is left out. */
function Labels({ y, least, lowest, top, level, water }) {
  const wanted = [
    ...(level === null ? [] : [[y(level), 0, text(level, "length"), "surface-label"], [y(level), 14, word("profile.surface"), ""]]),
    [y(top), 0, text(top, "length"), ""],
    [y(lowest), 0, text(lowest, "length"), ""],
    ...(water > 0 ? [[y(lowest), -16, word("profile.water", { level: text(water, "length") }), ""]] : []),
  ];
  const placed = [];
  for (const [percent, shift, told, kind] of wanted) {
    const at = (percent * least) / 100 + shift;
    // What comes first is what people look for; an end of the scale is told by its tick as well.
    if (placed.every((other) => Math.abs(other.at - at) >= 13)) placed.push({ at, percent, shift, told, kind });
  }
  return placed.map(({ percent, shift, told, kind }) => html`<text key=${told} class=${kind} x=${`${X - 11}%`} y=${`${percent}%`} dy=${shift + 4} text-anchor="end">${told}</text>`);
}
