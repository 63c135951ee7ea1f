// The level of the last hours as a small line beside a row. What is not known is a gap, what is doubtful is dashed.
import { html, useMemo } from "../html.js";
import { word } from "../words.js";

const W = 96;
const H = 28;

/** `points`: [seconds, level or null, quality] in order; `fixed`: the tank of /api/1/site. */
export function SmallTrend({ points, fixed }) {
  // Its row is drawn with every change, the trend is another every few minutes.
  const lines = useMemo(() => drawn(points), [points]);
  if (lines === null) return null;
  return html`<svg class="small-trend" viewBox=${`0 0 ${W} ${H}`} role="img" aria-label=${word("trend.small", { tank: fixed.product })}>
    ${lines.map(({ doubtful, path }, index) => html`<path key=${index} class=${doubtful ? "doubtful" : ""} d=${path} />`)}
  </svg>`;
}

/** Lines to draw; null where there is no course to show. */
function drawn(points) {
  if (!points || points.length < 2) return null;
  const [first, last] = [points[0][0], points[points.length - 1][0]];
  const known = points.filter((point) => point[1] !== null).map((point) => point[1]);
  if (known.length < 2) return null;
  // A still tank shows a still line: half a metre is the least that the height stands for.
  const middle = (Math.max(...known) + Math.min(...known)) / 2;
  const reach = Math.max(0.5, Math.max(...known) - Math.min(...known)) / 2;
  const x = (seconds) => ((seconds - first) / Math.max(1, last - first)) * W;
  const y = (level) => H / 2 - ((level - middle) / reach) * (H / 2 - 2);
  return pieces(points).map((piece) => ({
    doubtful: piece.doubtful,
    path: `M${piece.points.map((point) => `${x(point[0]).toFixed(1)} ${y(point[1]).toFixed(1)}`).join("L")}`,
  }));
}

/** Runs of known points of one kind; a run begins where the one before it ended, unless nothing was known between. */
function pieces(points) {
  const made = [];
  let piece = null;
  for (const point of points) {
    if (point[1] === null) {
      piece = null;
      continue;
    }
    const doubtful = point[2] === "Uncertain";
    if (piece === null || piece.doubtful !== doubtful) {
      piece = { doubtful, points: piece === null ? [] : [piece.points[piece.points.length - 1]] };
      made.push(piece);
    }
    piece.points.push(point);
  }
  return made.filter((each) => each.points.length > 1);
}
