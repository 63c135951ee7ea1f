// A balance as people read it: each amount rounded by itself, and what is a sum is that of the rounded amounts; as on paper.
import { rounded } from "../numbers.js";
import { exactly } from "./account_figures.js";
import { added } from "./exact.js";

const FIGURES = ["opening", "receipts", "dispatches", "own_use", "adjustments", "book", "physical", "gain", "throughput"];

/** By line: a decimal text in the reader's unit, or null where there is no figure. */
export function shownBalance(balance) {
  const values = FIGURES.map((name) => balance[name].value).filter((value) => value !== null);
  // All have as many decimals as are known of the largest.
  const like = values.reduce((most, value) => (Math.abs(value) > Math.abs(most) ? value : most), 0);
  const of = (value) => (value === null || value === undefined ? null : exactly(balance.measure, value, { like }));
  const line = (name) => of(balance[name]?.value);
  const [opening, receipts, dispatches, own_use, adjustments, physical] = [
    "opening",
    "receipts",
    "dispatches",
    "own_use",
    "adjustments",
    "physical",
  ].map(line);
  const book = added([
    [opening, 1],
    [receipts, 1],
    [dispatches, -1],
    [own_use, -1],
    [adjustments, 1],
  ]);
  const throughput = added([
    [dispatches, 1],
    [own_use, 1],
  ]);
  return {
    opening,
    receipts,
    dispatches,
    own_use,
    adjustments,
    book,
    physical,
    gain: balance.gain.value === null ? null : added([[physical, 1], [book, -1]]),
    throughput,
    unaccounted: line("unaccounted"),
    uncertainty: of(balance.uncertainty),
    // It adds up with nothing, and what is looked into may be less than a whole unit.
    tolerance: balance.tolerance === null ? null : exactly(balance.measure, balance.tolerance),
    percent: percentOf(balance, throughput),
  };
}

/** Of the throughput, two places; null where of nothing: a part of what is shown as nothing says nothing. */
function percentOf(balance, throughput) {
  const [gain, whole] = [balance.gain.value, balance.throughput.value];
  if (gain === null || !whole || throughput === null || Number(throughput) === 0) return null;
  const percent = (100 * gain) / whole;
  return Number.isFinite(percent) ? rounded(percent, 2) : null;
}

/** "yes", "no" or "unknown", by what is kept and not by what is shown: a hair beyond is beyond. */
export function withinTolerance(balance) {
  const [gain, tolerance] = [balance.gain.value, balance.tolerance];
  if (gain === null || tolerance === null) return "unknown";
  return Math.abs(gain) <= tolerance ? "yes" : "no";
}
