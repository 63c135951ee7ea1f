// Sentences of which nobody tells the parts: answers to acts, marks of transfers, what a link says of a failure. They are found by
// the phrases of the catalogue, and only where one phrase fits in one way: what is not certain stands as it came.
import { phrases } from "./words.js";

/** So many letters of a phrase are its own, at least: what has fewer fits everything. */
const LEAST_LETTERS = 3;
const MOST_KEPT = 2000;
/** Values that are whole numbers, by their names. */
const COUNTS = new Set(["number", "count", "other", "revision", "code", "of", "ticket", "transfer", "unit", "line"]);
const NUMBER = "\\d[\\d,]*";
/** A value within a sentence ends where another clause begins; the last one may have clauses of its own. */
const WITHIN = "(?:(?!; |: ).)+";

let of = null;
let compiled = [];
let found = new Map();

/** {phrase, values}; undefined where no phrase fits, or more than one way is left. */
export function recognised(sentence) {
  const all = phrases();
  if (all !== of) {
    of = all;
    // What is most of its own words goes first: it tells more.
    compiled = all.filter((each) => each.includes("{")).map(pattern).filter((each) => each.letters >= LEAST_LETTERS);
    compiled.sort((one, other) => other.letters - one.letters || other.marks - one.marks);
    found = new Map();
  }
  if (!found.has(sentence)) {
    if (found.size >= MOST_KEPT) found.clear();
    found.set(sentence, fitting(sentence));
  }
  return found.get(sentence);
}

function fitting(sentence) {
  for (const { phrase, names, early, late } of compiled) {
    const values = early.exec(sentence)?.slice(1);
    if (!values) continue;
    // As short as can be and as long as can be must be the same.
    const others = late.exec(sentence).slice(1);
    if (values.some((value, at) => value !== others[at])) return undefined;
    return { phrase, values: Object.fromEntries(names.map((name, at) => [name, values[at]])) };
  }
  return undefined;
}

function pattern(phrase) {
  const pieces = phrase.split(/\{(\w+)\}/);
  const names = pieces.filter((_, at) => at % 2);
  const words = pieces.filter((_, at) => at % 2 === 0);
  const made = (lazy) =>
    new RegExp(`^${words.map((each, at) => quoted(each) + (at < names.length ? hole(names[at], at === names.length - 1 && !words[at + 1], lazy) : "")).join("")}$`);
  return { phrase, names, early: made("?"), late: made(""), letters: words.join("").replace(/[^a-z]/gi, "").length, marks: words.join("").length };
}

function hole(name, isLast, lazy) {
  if (COUNTS.has(name)) return `(${NUMBER}${lazy})`;
  return isLast ? `(.+${lazy})` : `(${WITHIN}${lazy})`;
}

function quoted(words) {
  return words.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
}
