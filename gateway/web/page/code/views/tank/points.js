// The trends in words: a slider to look at one time, a sentence for each chart, and a table of the points.
import { html, useState } from "../../html.js";
import { text } from "../../numbers.js";
import { pointAt } from "../../parts/trend_points.js";
import { full, span } from "../../times.js";
import { word } from "../../words.js";
import { dimensionOf, titleOf } from "./value.js";
import { qualityWord } from "./why.js";

const QUALITIES = ["Good", "Uncertain", "Bad"];
const UNITS = {
  level: "m", water_level: "m", liquid_temperature: "degC", vapour_pressure: "Pa", tov: "m3", gsv: "m3", mass: "kg", total_mass: "kg", room: "m3", observed_density: "kg/m3",
};
const DOWN = { room: true };

/** What one figure was in the point of a second. */
export function pointText(name, points, second, step) {
  const point = pointAt(points, second, step);
  return point ? valueOf(name, point) : word("trend.unkept");
}

function valueOf(name, point) {
  const quality = QUALITIES[point.worst];
  if (point.last === null) return `${word("figure.no_value")} (${qualityWord(quality)})`;
  return `${text(point.last, dimensionOf(name, UNITS[name]), { down: DOWN[name] })} ${qualityWord(quality)}`;
}

/** A chart as a sentence. */
export function summaryText(name, dimension, points, found, lines) {
  const known = points.filter((point) => point.last !== null);
  if (!found || known.length === 0) return word("trend.says_nothing", { figure: titleOf(name) });
  const [first, last] = [known[0], known[known.length - 1]];
  const told = [
    word("trend.says", {
      figure: titleOf(name),
      first: text(first.last, dimension),
      from: full(first.start * 1000),
      last: text(last.last, dimension),
      until: full(last.start * 1000),
      least: text(found[0], dimension),
      greatest: text(found[1], dimension),
    }),
  ];
  const length = (stretches) => stretches.reduce((sum, [from, until]) => sum + until - from, 0);
  if (lines.bad.length) told.push(word("trend.says_bad", { span: span(length(lines.bad)) }));
  if (lines.unkept.length) told.push(word("trend.says_unkept", { span: span(length(lines.unkept)) }));
  if (points.some((point) => point.worst === 1)) told.push(word("trend.says_uncertain"));
  return told.join(" ");
}

/** From the first to the last known value that is shown: "+0.4 m³ since …", with a mark where either is doubtful. */
export function changeText(name, points) {
  const known = points.filter((point) => point.last !== null);
  if (known.length < 2) return "";
  const [first, last] = [known[0], known[known.length - 1]];
  const change = last.last - first.last;
  const dimension = name === "liquid_temperature" ? "temperatureDifference" : dimensionOf(name, UNITS[name]);
  const shown = `${change > 0 ? "+" : ""}${text(change, dimension)}${first.worst || last.worst ? " ?" : ""}`;
  return word("trend.changed", { change: shown, time: full(first.start * 1000) });
}

/** One time, by keyboard or thumb. `said`: what was then, for a second. */
export function Look({ from, until, step, at, onAt, said }) {
  const places = Math.max(1, Math.round((until - from) / step));
  const place = at === null ? places : Math.min(places, Math.max(0, Math.round((at - from) / step)));
  const second = (which) => from + Math.min(which, places - 0.01) * step;
  return html`<label class="trend-look"
    >${word("trend.look")}
    <input
      type="range"
      min="0"
      max=${places}
      value=${place}
      aria-valuetext=${`${full(second(place) * 1000)}: ${said(second(place))}`}
      onInput=${(event) => onAt(second(Number(event.target.value)))}
    />
  </label>`;
}

/** Every point that is drawn, newest first: made when it is opened. */
export function Points({ names, series, step }) {
  const [isOpen, open] = useState(false);
  const starts = isOpen ? [...new Set(names.flatMap((name) => series[name].map((point) => point.start)))].sort((one, other) => other - one) : [];
  const found = isOpen ? Object.fromEntries(names.map((name) => [name, new Map(series[name].map((point) => [point.start, point]))])) : {};
  return html`<details class="trend-points" open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary>${word("trend.table")}</summary>
    ${isOpen &&
    html`<div class="wide" tabindex="0" role="region" aria-label=${word("trend.table")}>
      <table>
        <caption>${word("trend.table_of", { span: span(step) })}</caption>
        <thead>
          <tr>
            <th scope="col">${word("tank.time")}</th>
            ${names.map((name) => html`<th key=${name} scope="col">${titleOf(name)}</th><th scope="col">${word("trend.from_to")}</th>`)}
          </tr>
        </thead>
        <tbody>
          ${starts.map((start, i) => [
            i > 0 &&
            starts[i - 1] - start > 1.5 * step &&
            html`<tr key=${`gap-${start}`}><th scope="row">${full((start + step) * 1000)}</th><td colspan=${2 * names.length}>${word("trend.no_record_for", { span: span(starts[i - 1] - start - step) })}</td></tr>`,
            html`<tr key=${start}>
              <th scope="row">${full(start * 1000)}</th>
              ${names.map((name) => html`<${Cells} key=${name} name=${name} point=${found[name].get(start)} />`)}
            </tr>`,
          ])}
        </tbody>
      </table>
    </div>`}
  </details>`;
}

function Cells({ name, point }) {
  if (!point) return html`<td>${word("trend.unkept")}</td><td></td>`;
  const dimension = dimensionOf(name, UNITS[name]);
  const reach = point.least === null ? "" : `${text(point.least, dimension)} … ${text(point.greatest, dimension)}`;
  return html`<td>${valueOf(name, point)}</td><td class="quiet">${reach}</td>`;
}
