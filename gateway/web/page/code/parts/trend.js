// One figure over time, drawn by the vendored uPlot: Good a line, Uncertain a dashed one, no value and no record gaps that say so.
import { html, useEffect, useLayoutEffect, useRef, useState } from "../html.js";
import { plain } from "../numbers.js";
import { useShared } from "../shared.js";
import { locale, taste } from "../taste.js";
import { word } from "../words.js";
import { axisTexts, clockTexts, wideEnough } from "./trend_axes.js";

const PLACE = "/page/vendor/";
const HEIGHT_REM = 12;
let library = null;

/** The library, loaded when the first chart is wanted. */
function loaded() {
  library ??= new Promise((done, failed) => {
    const style = Object.assign(document.createElement("link"), { rel: "stylesheet", href: `${PLACE}uPlot.css` });
    const script = Object.assign(document.createElement("script"), { src: `${PLACE}uPlot.js` });
    script.addEventListener("load", () => done(globalThis.uPlot));
    script.addEventListener("error", () => {
      library = null;
      failed(new Error("uPlot"));
    });
    document.head.append(style, script);
  });
  return library;
}

/**
 * @param lines what `drawn` of trend_points.js gives, in SI
 * @param from,until the time shown, in seconds since 1970
 * @param dimension of numbers.js
 * @param scale [lowest, highest] in SI
 * @param limits [{name, level}] drawn as lines, in SI
 * @param at the second that is looked at, or null; `onAt` is told where a pointer goes
 */
export function Trend({ lines, from, until, dimension, scale, limits = [], zone, at, onAt, label }) {
  useShared(taste);
  const theme = useTheme();
  const place = useRef(null);
  const chart = useRef(null);
  const now = useRef(null);
  const [failed, setFailed] = useState(false);
  const convert = (value) => (value === null ? null : plain(value, dimension));
  now.current = { lines, from, until, scale: scale.map(convert), limits: limits.map((each) => ({ ...each, at: convert(each.level) })), onAt };
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const height = Math.round(HEIGHT_REM * rem);
  const look = [theme, taste.value.units, locale(), dimension, zone, height].join("|");

  useLayoutEffect(() => {
    let gone = false;
    const watcher = new ResizeObserver(() => {
      const width = place.current?.clientWidth;
      if (width && chart.current && width !== chart.current.width) chart.current.setSize({ width, height });
    });
    loaded().then(
      (uPlot) => {
        if (gone) return;
        chart.current = new uPlot(options(uPlot, now, place.current.clientWidth || 300, height, zone), data(now.current.lines, convert), place.current);
        watcher.observe(place.current);
      },
      () => !gone && setFailed(true),
    );
    return () => {
      gone = true;
      watcher.disconnect();
      chart.current?.destroy();
      chart.current = null;
    };
  }, [look]);
  useEffect(() => chart.current?.setData(data(lines, convert)), [lines, from, until, scale[0], scale[1]]);
  useEffect(() => {
    const left = at === null || !chart.current ? -10 : chart.current.valToPos(at, "x");
    chart.current?.setCursor({ left, top: 0 }, false, false);
  }, [at, lines]);
  if (failed) return html`<p>${word("trend.no_chart")}</p>`;
  return html`<div class="chart" role="img" aria-label=${label} ref=${place}></div>`;
}

function useTheme() {
  const [theme, set] = useState(document.documentElement.dataset.theme);
  useEffect(() => {
    const watcher = new MutationObserver(() => set(document.documentElement.dataset.theme));
    watcher.observe(document.documentElement, { attributeFilter: ["data-theme"] });
    return () => watcher.disconnect();
  }, []);
  return theme;
}

function data(lines, convert) {
  return [lines.times, ...[lines.good, lines.uncertain, lines.least, lines.greatest].map((each) => each.map(convert))];
}

function options(uPlot, now, width, height, zone) {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(`--${name}`).trim();
  const ink = colour("ink");
  const rem = parseFloat(style.fontSize);
  const font = `${Math.round(0.8 * rem)}px ${style.fontFamily}`;
  const axis = { stroke: colour("quiet"), font, grid: { stroke: colour("line"), width: 1 }, ticks: { stroke: colour("line"), width: 1 } };
  const line = { stroke: ink, width: 1.75, spanGaps: false, points: { show: true, size: 4, stroke: ink, fill: ink, filter: alone } };
  const bound = { stroke: "transparent", width: 0, points: { show: false } };
  return {
    width,
    height,
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), zone),
    legend: { show: false },
    cursor: { y: false, drag: { x: false, y: false }, points: { show: false } },
    scales: { x: { time: true, range: () => [now.current.from, now.current.until] }, y: { range: () => now.current.scale } },
    axes: [
      { ...axis, size: Math.round(3.1 * rem), space: Math.round(3.2 * rem), values: clockTexts(zone) },
      { ...axis, size: (_, texts) => wideEnough(texts, rem), values: (_, splits, __, ___, step) => axisTexts(splits, step) },
    ],
    series: [{}, line, { ...line, dash: [5, 4] }, bound, bound],
    bands: [{ series: [4, 3], fill: `${colour("lighter")}55` }],
    hooks: {
      drawClear: [(u) => marks(u, now.current, { ink, quiet: colour("quiet"), mark: colour("mark"), paper: colour("paper"), font, rem })],
      setCursor: [(u) => tell(u, now.current)],
    },
  };
}

/** A value with a gap on either side would be no line at all: it is a point. */
function alone(u, series) {
  const values = u.data[series];
  return values.flatMap((value, i) => (value !== null && (values[i - 1] ?? null) === null && (values[i + 1] ?? null) === null ? [i] : []));
}

function tell(u, { onAt }) {
  const { left, idx } = u.cursor;
  if (left >= 0 && idx !== null && idx !== undefined) onAt?.(u.data[0][idx]);
}

/** Under the lines: limits with their names, and what the stretches without a line are. */
function marks(u, { lines, limits, scale }, { ink, quiet, mark, paper, font, rem }) {
  const { ctx } = u;
  const { left, top, width, height } = u.bbox;
  // A pixel of 16 to the letter, on this screen.
  const sharp = ((devicePixelRatio || 1) * rem) / 16;
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
  // Axes leave theirs behind.
  ctx.textAlign = "left";
  ctx.textBaseline = "alphabetic";
  ctx.font = font.replace(/\d+px/, `${Math.round(12.5 * sharp)}px`);
  for (const [from, until, text, dash] of [
    ...lines.unkept.map((each) => [...each, word("trend.unkept"), [2 * sharp, 3 * sharp]]),
    ...lines.bad.map((each) => [...each, word("trend.no_value"), []]),
  ]) {
    const a = Math.max(left, u.valToPos(from, "x", true));
    const b = Math.min(left + width, u.valToPos(until, "x", true));
    if (b < left || a > left + width) continue;
    ctx.setLineDash(dash);
    bracket(ctx, a, Math.max(b, a + 2), top, height, sharp, mark);
    ctx.setLineDash([]);
    const wide = ctx.measureText(text).width;
    if (wide + 8 * sharp < b - a) {
      ctx.fillStyle = quiet;
      ctx.fillText(text, (a + b - wide) / 2, top + height - 14 * sharp);
    }
  }
  const taken = [];
  const shown = limits.filter((limit) => limit.at >= scale[0] && limit.at <= scale[1]);
  for (const limit of shown) {
    const y = u.valToPos(limit.at, "y", true);
    ctx.strokeStyle = ink;
    ctx.lineWidth = sharp;
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + width, y);
    ctx.stroke();
  }
  // After all lines, so that none runs through a name.
  for (const limit of shown) {
    const wide = ctx.measureText(limit.name).width;
    const at = u.valToPos(limit.at, "y", true);
    const { line, x } = freePlace({ at, wide, sharp, left, top, width, height }, taken);
    taken.push({ line, from: x, end: x + wide });
    ctx.fillStyle = paper;
    ctx.fillRect(x - 2 * sharp, line - 7 * sharp, wide + 4 * sharp, 14 * sharp);
    ctx.fillStyle = ink;
    ctx.fillText(limit.name, x, line + 4 * sharp);
  }
  ctx.restore();
}

const ROW = 15;

/** Where a name stands that lies on no other and not beyond the edge: on its line, else beside another, else a row off. */
function freePlace({ at, wide, sharp, left, top, width, height }, taken) {
  const inside = (y) => Math.min(Math.max(y, top + 8 * sharp), top + height - 8 * sharp);
  const first = left + 6 * sharp;
  for (const off of [0, 1, -1, 2, -2, 3, -3]) {
    const line = inside(at + off * ROW * sharp);
    const near = taken.filter((each) => Math.abs(each.line - line) < ROW * sharp);
    const x = Math.max(first, ...near.map((each) => each.end + 12 * sharp));
    if (x + wide <= left + width) return { line, x };
  }
  return { line: inside(at), x: first };
}

/** ⊢────⊣ along the foot: nothing is known from here to there. */
function bracket(ctx, a, b, top, height, sharp, colour) {
  const y = top + height - 6 * sharp;
  ctx.strokeStyle = colour;
  ctx.lineWidth = 1.5 * sharp;
  ctx.beginPath();
  ctx.moveTo(a, y - 5 * sharp);
  ctx.lineTo(a, y + 5 * sharp);
  ctx.moveTo(a, y);
  ctx.lineTo(b, y);
  ctx.moveTo(b, y - 5 * sharp);
  ctx.lineTo(b, y + 5 * sharp);
  ctx.stroke();
}
