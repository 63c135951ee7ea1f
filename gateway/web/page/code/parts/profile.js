// Temperature over height: the ruled line upright, with the surface, the water, and every element and what became of it.
import { html, useState } from "../html.js";
import { text } from "../numbers.js";
import { useShared } from "../shared.js";
import { taste } from "../taste.js";
import { word } from "../words.js";

const ROW = 52;
const LEAST_ROWS = 6;
const W = 170;
const X = 116;
const END = 10;

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
  const count = Math.max(rows.length, LEAST_ROWS);
  const height = count * ROW;
  const y = (metres) => height - END - ((Math.min(Math.max(metres, lowest), top) - lowest) / (top - lowest)) * (height - 2 * END);
  const rowY = (i) => ((i + 0.5) * height) / rows.length;
  const seen = looked === null ? null : rows[looked];
  return html`<div class=${`profile ${old ? "old" : ""}`}>
    <div class="profile-drawing">
      <svg viewBox=${`0 0 ${W} ${height}`} width="10.625rem" height=${`${count * 3.25}rem`} role="img" aria-label=${saidOf(level, water, top)}>
        <line class="scale" x1=${X} x2=${X} y1=${END} y2=${height - END} />
        ${[lowest, top].map((end) => html`<g key=${end}><line class="tick" x1=${X - 6} x2=${X} y1=${y(end)} y2=${y(end)} /></g>`)}
        ${level !== null && html`<line class="wet" x1=${X} x2=${X} y1=${y(level)} y2=${height - END} />`}
        ${water > 0 && html`<g class="water"><line x1=${X - 4} x2=${X - 4} y1=${Math.min(y(water), height - END - 4)} y2=${height - END} /><line x1=${X - 8} x2=${X - 8} y1=${Math.min(y(water), height - END - 4)} y2=${height - END} /></g>`}
        ${level !== null && html`<line class=${`surface ${doubtful ? "doubtful" : ""}`} x1=${X - 14} x2=${X + 14} y1=${y(level)} y2=${y(level)} />`}
        ${rows.map(({ element, state }, i) => html`<g key=${element.height}>
          <path class="leader" d=${`M${X + 8} ${y(element.height)}L${W - 12} ${rowY(i)}H${W}`} />
          <g transform=${`translate(${X} ${y(element.height)})`}>${MARKS[state]}</g>
        </g>`)}
        <${Labels} y=${y} lowest=${lowest} top=${top} level=${level} height=${height} water=${water} />
      </svg>
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
  return [name, word(`profile.${state}`), share, element.reason?.text].filter(Boolean).join("; ");
}

function saidOf(level, water, top) {
  const said = [word("profile.scale", { top: text(top, "length") })];
  said.push(level === null ? word("profile.no_surface") : word("profile.surface_at", { level: text(level, "length") }));
  if (water > 0) said.push(word("profile.water_to", { level: text(water, "length") }));
  return said.join("; ");
}

/** Values at the left; one that would lie on another goes beside it. */
function Labels({ y, lowest, top, level, height, water }) {
  const wanted = [
    ...(level === null ? [] : [[y(level), text(level, "length"), "surface-label"], [y(level) + 14, word("profile.surface"), ""]]),
    [y(top), text(top, "length"), ""],
    [y(lowest), text(lowest, "length"), ""],
    ...(water > 0 ? [[height - END - 18, word("profile.water", { level: text(water, "length") }), ""]] : []),
  ];
  const placed = [];
  for (const [at, told, kind] of wanted) {
    // What comes first is what people look for; an end of the scale is told by its tick as well.
    if (placed.every(([other]) => Math.abs(other - at) >= 13)) placed.push([at, told, kind]);
  }
  return placed.map(([at, told, kind]) => html`<text key=${told} class=${kind} x=${X - 18} y=${at + 4} text-anchor="end">${told}</text>`);
}
