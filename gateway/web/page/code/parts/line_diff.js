// What differs between two texts, line by line. Pure.

const CONTEXT = 3;
/** So many lines on both sides that differ, and finding the fewest is not worth the wait. */
const MOST = 800;

/**
 * Runs of lines: [{kind: "same" | "gone" | "come" | "skipped", text, before, after}], `before` and `after` the numbers
 * of the line in both texts; of a run that is skipped, `count` says how many lines.
 */
export function lineDiff(before, after) {
  const [one, other] = [linesOf(before), linesOf(after)];
  let head = 0;
  while (head < one.length && head < other.length && one[head] === other[head]) head += 1;
  let tail = 0;
  while (tail < one.length - head && tail < other.length - head && one.at(-1 - tail) === other.at(-1 - tail)) tail += 1;
  const rows = [];
  for (let line = 0; line < head; line += 1) rows.push(same(one[line], line, line));
  rows.push(...between(one.slice(head, one.length - tail), other.slice(head, other.length - tail), head));
  for (let line = tail; line > 0; line -= 1) rows.push(same(one.at(-line), one.length - line, other.length - line));
  return folded(rows);
}

/** However they end; what a last line end leaves is no line. */
function linesOf(text) {
  const lines = text.split(/\r\n|\r|\n/);
  if (lines.at(-1) === "") lines.pop();
  return lines;
}

const same = (text, before, after) => ({ kind: "same", text, before: before + 1, after: after + 1 });

/** Myers, An O(ND) Difference Algorithm and Its Variations, 1986: the greedy one, forwards. */
function between(one, other, offset) {
  const [n, m] = [one.length, other.length];
  const most = Math.min(n + m, MOST);
  const reached = new Map([[1, 0]]);
  const steps = [];
  for (let d = 0; d <= most; d += 1) {
    steps.push(new Map(reached));
    for (let k = -d; k <= d; k += 2) {
      const down = k === -d || (k !== d && reached.get(k - 1) < reached.get(k + 1));
      let x = down ? reached.get(k + 1) : reached.get(k - 1) + 1;
      while (x < n && x - k < m && one[x] === other[x - k]) x += 1;
      reached.set(k, x);
      if (x >= n && x - k >= m) return walked(one, other, steps, offset);
    }
  }
  return [...one.map((text, line) => gone(text, line + offset)), ...other.map((text, line) => come(text, line + offset))];
}

const gone = (text, before) => ({ kind: "gone", text, before: before + 1, after: null });
const come = (text, after) => ({ kind: "come", text, before: null, after: after + 1 });

/** Back from the end, by what was reached at each step. */
function walked(one, other, steps, offset) {
  const rows = [];
  let [x, y] = [one.length, other.length];
  for (let d = steps.length - 1; d >= 0; d -= 1) {
    const reached = steps[d];
    const k = x - y;
    const down = k === -d || (k !== d && reached.get(k - 1) < reached.get(k + 1));
    const fromX = down ? reached.get(k + 1) : reached.get(k - 1);
    const fromY = fromX - (down ? k + 1 : k - 1);
    while (x > fromX && y > fromY && x > 0 && y > 0) rows.push(same(one[(x -= 1)], x + offset, (y -= 1) + offset));
    if (d > 0) rows.push(down ? come(other[(y -= 1)], y + offset) : gone(one[(x -= 1)], x + offset));
  }
  return rows.reverse();
}

/** What is the same is shown near what is not. */
function folded(rows) {
  const shown = new Set();
  rows.forEach(({ kind }, row) => {
    if (kind === "same") return;
    for (let near = row - CONTEXT; near <= row + CONTEXT; near += 1) shown.add(near);
  });
  const found = [];
  rows.forEach((each, row) => {
    if (shown.has(row)) found.push(each);
    else if (found.at(-1)?.kind === "skipped") found.at(-1).count += 1;
    else found.push({ kind: "skipped", count: 1, text: "", before: each.before, after: each.after });
  });
  return found;
}
