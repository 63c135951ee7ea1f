// The drawing of gain and loss: a bar for each day, a line for the month so far, and the limits that the month has.
import { html } from "../html.js";
import { text } from "../numbers.js";
import { useWords } from "../words.js";
import { dimensionOf } from "./account_figures.js";

const W = 600;
const H = 160;
const EDGE = 8;

/** `points`: [{day, own, month}], the balances of a day and of its month so far; null, or without a gain: a gap. */
export function LossChart({ points, product, measure }) {
  const word = useWords();
  const gains = points.map(({ own }) => own?.gain.value ?? null);
  const months = points.map(({ month }) => month?.gain.value ?? null);
  const limits = points.map(({ month }) => month?.tolerance ?? null);
  const reach = Math.max(...[...gains, ...months, ...limits].filter((value) => value !== null).map(Math.abs), 0) || 1;
  const y = (value) => H / 2 - (value / reach) * (H / 2 - EDGE);
  const step = W / points.length;
  const x = (index) => (index + 0.5) * step;
  const dimension = dimensionOf(measure);
  const last = points.length - 1;
  const label = word("losses.chart", {
    product,
    days: points.length,
    gain: months[last] === null ? word("figure.no_value") : text(months[last], dimension),
    tolerance: limits[last] === null ? word("account.not_known") : text(limits[last], dimension),
  });
  return html`<figure class="losses">
    <svg viewBox=${`0 0 ${W} ${H}`} preserveAspectRatio="none" role="img" aria-label=${label}>
      <line class="scale" x1="0" y1=${H / 2} x2=${W} y2=${H / 2} />
      ${[1, -1].map((way) => runs(limits).map((run, index) => html`<path key=${`${way} ${index}`} class="limit" d=${line(run.map(([at, value]) => [at * step, (at + 1) * step, y(way * value)]))} />`))}
      ${gains.map((gain, index) => gain !== null && html`<line key=${index} class=${`bar ${points[index].own.gain.quality === "Good" ? "" : "doubtful"}`} x1=${x(index)} y1=${H / 2} x2=${x(index)} y2=${y(gain)} />`)}
      ${runs(months).map((run, index) => html`<path key=${index} class="month" d=${`M${run.map(([at, value]) => `${x(at).toFixed(1)} ${y(value).toFixed(1)}`).join("L")}`} />`)}
      ${months.map((value, index) => value !== null && html`<${Point} key=${index} x=${x(index)} y=${y(value)} doubtful=${points[index].month.gain.quality !== "Good"} />`)}
    </svg>
    <figcaption class="small quiet">${word("losses.legend", { reach: text(reach, dimension) })} ${points[0].day} – ${points[last].day}</figcaption>
  </figure>`;
}

/** A line of no length with round ends: a circle would be drawn out with the drawing. Hollow where it is an estimate. */
function Point({ x, y, doubtful }) {
  const d = `M${x.toFixed(1)} ${y.toFixed(1)}h0.01`;
  return html`<path class="point" d=${d} />${doubtful && html`<path class="point hollow" d=${d} />`}`;
}

/** What is known in a row, [[index, value], …]; no line is drawn over what is not. */
function runs(values) {
  const made = [];
  let run = null;
  values.forEach((value, index) => {
    if (value === null) {
      run = null;
      return;
    }
    if (run === null) made.push((run = []));
    run.push([index, value]);
  });
  return made;
}

/** A limit holds for its whole day. */
function line(steps) {
  return `M${steps.map(([from, to, at]) => `${from.toFixed(1)} ${at.toFixed(1)}L${to.toFixed(1)} ${at.toFixed(1)}`).join("L")}`;
}
