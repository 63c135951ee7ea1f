// The ruled line of an amount: what was ordered is the scale, what has moved is the heavy stop on it.
import { html } from "../html.js";
import { word } from "../words.js";

const Y = 18;
const QUARTERS = [0, 0.25, 0.5, 0.75, 1];

/**
 * `ordered`: SI; `moved`: the same, null where it is not known. `end`: what stands at the end of what is still to come, such as
 * the time by the clock. `flows`: whether it moves now. `uncertain`: whether what has moved is an estimate.
 */
export function AmountRuler({ ordered, moved, label, orderedText = "", end = "", flows = false, uncertain = false }) {
  // Too much may have moved: the scale is as long as it must be, and the order a tick on it.
  const whole = Math.max(ordered, Math.abs(moved ?? 0)) || 1;
  const place = (value) => (Math.max(0, value) / whole) * 100;
  const at = moved === null ? null : place(moved);
  const doubtful = uncertain ? "uncertain" : "";
  const orderedAt = place(ordered);
  const ahead = at !== null && flows && orderedAt > at;
  return html`<svg class="ruler amount" role="img" aria-label=${label}>
    <line class="scale" x1="0" y1=${Y} x2="100%" y2=${Y} />
    ${QUARTERS.map((part) => html`<line key=${part} class="tick" x1=${`${orderedAt * part}%`} y1=${Y} x2=${`${orderedAt * part}%`} y2=${Y + 4} />`)}
    <line class="limit" x1=${`${orderedAt}%`} y1=${Y - 7} x2=${`${orderedAt}%`} y2=${Y + 7}><title>${orderedText}</title></line>
    ${at !== null && html`<line class=${`filled ${doubtful}`} x1="0" y1=${Y} x2=${`${at}%`} y2=${Y} />`}
    ${ahead && html`<line class="stretch" x1=${`${at}%`} y1=${Y} x2=${`${orderedAt}%`} y2=${Y} />`}
    ${at !== null &&
    html`<svg x=${`${at}%`} y="0" overflow="visible">
      <line class=${`stop ${doubtful}`} x1="0" y1=${Y - 11} x2="0" y2=${Y + 11} />
      ${flows && html`<path class="arrow" d=${`M4 ${Y - 8}l9 8l-9 8z`} />`}
      ${uncertain && html`<text class="doubt" x="0" y="6" text-anchor="middle">?</text>`}
    </svg>`}
    ${at === null && html`<text x="0" y=${Y - 6}>${word("figure.no_value")}</text>`}
    ${end && html`<text class="at" x=${`${orderedAt}%`} y=${Y + 20} text-anchor="end">${end}</text>`}
  </svg>`;
}
