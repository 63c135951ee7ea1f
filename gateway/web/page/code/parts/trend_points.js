// Pure: what the ledger keeps of one figure, and what has come since, as lines that a chart can draw.
// Nothing is made up: where no record is there is a gap, where there was no value there is a gap that says so.

export const GOOD = 0;
export const UNCERTAIN = 1;
export const BAD = 2;
const QUALITIES = { Good: GOOD, Uncertain: UNCERTAIN, Bad: BAD };

/**
 * @typedef {object} Point  one figure within one minute or more, in SI
 * @property {number} start  UTC, seconds since 1970
 * @property {number|null} least
 * @property {number|null} greatest
 * @property {number|null} last  null: at its end there was no value
 * @property {0|1|2} worst
 */

/** The points of one figure of `/api/1/tanks/{tank}/trend`; where it has no quality there is no record. @returns {Point[]} */
export function pointsOf(figure) {
  if (!figure) return [];
  return figure.times.flatMap((start, i) =>
    figure.quality[i] === null
      ? []
      : [
          {
            start: Date.parse(start) / 1000,
            least: known(figure.min[i]),
            greatest: known(figure.max[i]),
            last: known(figure.last[i]),
            worst: quality(figure.quality[i]),
          },
        ],
  );
}

/**
 * What has come since, put to the points: it widens the newest one, or begins another.
 * @param {{at: number, value: number|null, quality: string}[]} sheets  in order, `at` in seconds since 1970
 */
export function withLive(points, sheets, step) {
  const all = [...points];
  const begun = points.length ? points[points.length - 1].start : -Infinity;
  for (const { at, value, quality: word } of sheets) {
    if (at < begun) continue;
    const worst = quality(word);
    const now = worst === BAD ? null : known(value);
    const newest = all[all.length - 1];
    if (newest && at < newest.start + step) {
      all[all.length - 1] = {
        start: newest.start,
        least: lesser(newest.least, now),
        greatest: greater(newest.greatest, now),
        last: now,
        worst: Math.max(newest.worst, worst),
      };
    } else {
      const start = newest ? newest.start + Math.floor((at - newest.start) / step) * step : Math.floor(at / step) * step;
      all.push({ start, least: now, greatest: now, last: now, worst });
    }
  }
  return all;
}

/** The point in which a second lies, or null. */
export function pointAt(points, second, step) {
  for (let i = points.length - 1; i >= 0; i--) {
    if (points[i].start <= second) return second < points[i].start + step ? points[i] : null;
  }
  return null;
}

/**
 * As a chart draws it: Good as a line, Uncertain as another one, and between two of unlike quality the worse.
 * Where nothing is known, null; `bad` and `unkept` are the stretches without a value and without a record, from `from` to
 * `until`.
 */
export function drawn(points, step, from, until) {
  const lines = { times: [], good: [], uncertain: [], least: [], greatest: [], bad: [], unkept: [] };
  const add = (time, good, uncertain, least, greatest) => {
    lines.times.push(time);
    lines.good.push(good);
    lines.uncertain.push(uncertain);
    lines.least.push(least);
    lines.greatest.push(greatest);
  };
  if (points.length && points[0].start - from > step) lines.unkept.push([from, points[0].start]);
  points.forEach((point, i) => {
    const before = points[i - 1];
    const after = points[i + 1];
    if (before && apart(before, point, step)) {
      add(before.start + step, null, null, null, null);
      lines.unkept.push([before.start + step, point.start]);
    }
    const doubtful = point.worst !== GOOD;
    const beside = [before, after].some(
      (other) => other && other.worst !== GOOD && other.last !== null && !apart(...inOrder(other, point), step),
    );
    add(
      point.start,
      doubtful ? null : point.last,
      doubtful || beside ? point.last : null,
      point.least,
      point.greatest,
    );
    if (point.worst === BAD) stretch(lines.bad, point.start, point.start + step);
  });
  const newest = points[points.length - 1];
  // The minute that is going on is not kept yet.
  if (newest && until - newest.start > 3 * step) {
    add(newest.start + step, null, null, null, null);
    lines.unkept.push([newest.start + step, until]);
  }
  return lines;
}

/** From the least to the greatest value shown, or null where there is none. */
export function extent(points) {
  let least = null;
  let greatest = null;
  for (const point of points) {
    least = lesser(least, point.least);
    greatest = greater(greatest, point.greatest);
  }
  return least === null ? null : [least, greatest];
}

/** What a scale shows: never so close up that the last digit of a gauge looks like a movement. */
export function range(found, smallest, whole) {
  if (whole) return whole;
  if (!found) return [0, smallest];
  const [least, greatest] = found;
  const rest = Math.max(smallest - (greatest - least), (greatest - least) * 0.1) / 2;
  return [least - rest, greatest + rest];
}

function apart(before, after, step) {
  return after.start - before.start > 1.5 * step;
}

function inOrder(one, other) {
  return one.start < other.start ? [one, other] : [other, one];
}

function stretch(stretches, from, until) {
  const last = stretches[stretches.length - 1];
  if (last && from <= last[1]) last[1] = until;
  else stretches.push([from, until]);
}

function quality(word) {
  // A word that is not known is nothing to rely on.
  return QUALITIES[word] ?? BAD;
}

function known(value) {
  return typeof value === "number" && Number.isFinite(value) ? value : null;
}

function lesser(one, other) {
  if (one === null) return other;
  return other === null || one <= other ? one : other;
}

function greater(one, other) {
  if (one === null) return other;
  return other === null || one >= other ? one : other;
}
