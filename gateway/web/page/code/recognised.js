// Sentences of which nobody tells the parts: answers to acts, marks of transfers, what a link says of a failure. They are found by
// the phrases of the catalogue, and only where one phrase fits in one way: what is not certain stands as it came.
import { phrases } from "./words.js";
import { celsiusApart } from "./told_numbers.js";

/** So many letters of a phrase are its own, at least: what has fewer fits everything. */
const LEAST_LETTERS = 3;
const MOST_KEPT = 2000;
/** Values of which more is known than that they are text, by their names. */
const FORMS = {
  ...Object.fromEntries(["number", "count", "revision", "code", "of"].map((name) => [name, "\\d[\\d,]*"])),
  much: "[+-]?\\d[\\d,]*(?:\\.\\d+)? [^\\s,;:]+",
  moment: "\\d{4}-\\d\\d-\\d\\d \\d\\d:\\d\\d [^;:]+",
};
/** What stands behind these words, or before these, is how far temperatures are apart: 5 degC of that are 9 °F, and not 41. */
const APART_BEHIND = /\b(?:by|over|than)(?: over)? $/;
const APART_BEFORE = /^ from the table's\b/;
/** A value ends where another clause begins; a last one behind a colon may have colons of its own. */
const WITHIN = "(?:(?!; |: ).)+";
const AT_THE_END = "(?:(?!; ).)+";

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
  for (const { phrase, names, apart, early, late } of compiled) {
    const values = early.exec(sentence)?.slice(1);
    if (!values) continue;
    // As short as can be and as long as can be must be the same.
    const others = late.exec(sentence).slice(1);
    if (values.some((value, at) => value !== others[at])) return undefined;
    return { phrase, values: Object.fromEntries(names.map((name, at) => [name, known(withUnit(phrase, name, names[at + 1], values[at], values[at + 1]), apart[at])])) };
  }
  return undefined;
}

const known = (value, isApart) => (isApart && celsiusApart(value)) || value;

/** "700 to 760 kg/m3": both are in the unit that stands once, and must not be told in two. */
function withUnit(phrase, name, next, value, after) {
  const [, unit] = /^[+-]?[\d.,]+( \S+)$/.exec(after ?? "") ?? [];
  return unit && /^[+-]?[\d.,]+$/.test(value) && phrase.includes(`{${name}} to {${next}}`) ? value + unit : value;
}

function pattern(phrase) {
  const pieces = phrase.split(/\{(\w+)\}/);
  const names = pieces.filter((_, at) => at % 2);
  const words = pieces.filter((_, at) => at % 2 === 0);
  const made = (lazy) =>
    new RegExp(`^${words.map((each, at) => quoted(each) + (at < names.length ? hole(names[at], !words[at + 1] && each.endsWith(": "), lazy) : "")).join("")}$`);
  const apart = names.map((_, at) => APART_BEHIND.test(words[at]) || APART_BEFORE.test(words[at + 1]));
  return { phrase, names, apart, early: made("?"), late: made(""), letters: words.join("").replace(/[^a-z]/gi, "").length, marks: words.join("").length };
}

function hole(name, isReason, lazy) {
  return `(${FORMS[name] ?? (isReason ? AT_THE_END : WITHIN)}${FORMS[name] ? "" : lazy})`;
}

function quoted(words) {
  return words.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
}
