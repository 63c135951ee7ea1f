// Sentences of the gateway come in English and with SI: told anew in the reader's language, units and form of numbers.
import { partsOf } from "./known_sentences.js";
import { siteNow } from "./live.js";
import { written } from "./numbers.js";
import { taste } from "./taste.js";
import { clock, full, span } from "./times.js";
import { inForm, isQuantity, retold, retyped } from "./told_numbers.js";
import { AGAIN_MS, drawAgain, hasWord, language, phraseFor, phrases, word } from "./words.js";

/** What finds a sentence by its phrase comes when it is needed first: the first view goes without. */
let recognised = loadRecognised;

function loadRecognised() {
  // Whoever reads the gateway's own language and units has no phrases.
  if (!phrases().length) return;
  recognised = () => undefined;
  import("./recognised.js").then((module) => {
    ({ recognised } = module);
    // With its phrases.
    recognised("");
    drawAgain();
  }, () => setTimeout(() => (recognised = loadRecognised), AGAIN_MS));
}

/** A sentence of the gateway as the reader reads it; what is not known to be one stands as it is. */
export function told(sentence) {
  return sentence ? retelling(sentence).text : "";
}

/** Of an act of somebody, whose own words stand behind the first colon: these stay as they were typed. */
export function toldBefore(sentence) {
  const [words, ...typed] = sentence.split(": ");
  return [told(words), ...typed].join(": ");
}

/** Whether all of it is in the reader's language. */
export function isOwn(sentence) {
  return language() === "en" || retelling(sentence).own;
}

/** {text, own}: own where every word of it is in the reader's language. */
function retelling(sentence) {
  // Mistakes in a file stand one under the other.
  if (sentence.includes("\n")) return joined(sentence.split("\n").map(retelling), "\n") ?? { text: sentence, own: false };
  return whole(sentence) ?? piecewise(sentence) ?? { text: sentence, own: false };
}

/** Of a sentence that is told by one phrase, or is a value; else null. */
function whole(sentence) {
  const parts = partsOf(sentence);
  const own = phraseFor(parts?.phrase ?? sentence);
  if (parts && own === undefined) return passedOn(parts);
  if (parts) return { text: filled(own, parts.values, quotedIn(parts.phrase)), own: true };
  if (own !== undefined) return { text: own, own: true };
  const value = valueOf(sentence);
  if (value !== null) return { text: value, own: true };
  const found = recognised(sentence);
  return found ? { text: filled(phraseFor(found.phrase), found.values, quotedIn(found.phrase)), own: true } : null;
}

/** A phrase without words, "{tank}: {reason}", is as much in the reader's language as what stands in it. */
function passedOn({ phrase, values }) {
  const hasWords = /[a-z]/i.test(phrase.replace(/\{\w+\}/g, ""));
  const texts = Object.values(values).filter((each) => typeof each === "string");
  return { text: filled(phrase, values, quotedIn(phrase)), own: !hasWords && texts.some(isOwn) };
}

/** "TK-101: paused; its ticket is Good": each clause for itself. Null where nothing of it is known. */
function piecewise(sentence) {
  const pieces = sentence.split(": ");
  for (let at = 1; at < pieces.length; at += 1) {
    const rest = whole(pieces.slice(at).join(": "));
    if (rest) return headed(pieces.slice(0, at), rest);
  }
  const clauses = sentence.split("; ");
  if (clauses.length > 1) return joined(clauses.map(retelling), "; ");
  if (pieces.length > 1) {
    const rest = retelling(pieces.slice(1).join(": "));
    const head = headText(pieces[0]);
    return rest.own || rest.text !== sentence || head !== pieces[0] ? headed(pieces.slice(0, 1), rest) : null;
  }
  const items = sentence.split(", ");
  if (items.length === 1) return null;
  const told = items.map(retelling);
  return told.every(({ own }) => own) ? joined(told, ", ") : null;
}

const headed = (heads, rest) => ({ text: [...heads.map(headText), rest.text].join(": "), own: rest.own });

/** What stands before a colon may be a name, which is nobody's language; of an alarm, "TK-101 high_high". */
function headText(head) {
  const [, place, alarm] = /^(\S+) (\w+)$/.exec(head) ?? [];
  if (alarm && hasWord(`alarm.${alarm}`)) return `${place} ${word(`alarm.${alarm}`)}`;
  return retelling(head).text;
}

function joined(pieces, mark) {
  if (!pieces.some(({ own }) => own)) return null;
  return { text: pieces.map(({ text }) => text).join(mark), own: pieces.every(({ own }) => own) };
}

function filled(phrase, values, quoted) {
  return phrase.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? (quoted.has(name) ? plain(values[name]) : valueText(values[name], name)) : whole));
}

/** What stands in quotation marks is what somebody has typed, or has to: it stays as it is. */
const plain = (value) => value.text ?? value;
const quotedIn = (phrase) => new Set([...phrase.matchAll(/'\{(\w+)\}'/g)].map(([, name]) => name));

function valueText(value, name) {
  if (name === TYPED) return plain(value);
  if (TO_TYPE.has(name)) return toType(value);
  if (typeof value === "string") return textOf(value, name);
  if ("time" in value) return timeText(value.time);
  if ("seconds" in value) return spanText(value.seconds);
  return retold(value.text, value.value, value.unit);
}

/** Another sentence may stand in it, or a name. */
function textOf(value, name) {
  if (isQuantity(value)) return retyped(value, WAYS[name]);
  if (NAMES.has(name)) return value;
  const text = told(value);
  return text === value && !AS_THEY_ARE.has(name) ? inForm(value) : text;
}

/** Back in time too; and what is said in a tenth of an hour has no fraction of a second. */
const spanText = (seconds) => `${seconds < 0 ? "-" : ""}${span(Math.abs(Number(seconds.toFixed(3))))}`;

/** With its day where that is not today; and always where it is not known what today is. */
function timeText(instant) {
  const now = siteNow();
  return now === null ? full(instant) : clock(instant, now);
}

/** An example in metres would be typed by whoever means feet. */
function toType(example) {
  return /^[\d.]+ m?m$/.test(example) && taste.value.units !== "metric" ? FEET : example;
}

/** By the clock of the site, with that of UTC behind it; or of UTC alone. */
const TIME = /^(?:\d{4}-\d\d-\d\d \d\d:\d\d [\w+-]+ \()?(\d{4}-\d\d-\d\d) (\d\d:\d\d(?::\d\d)?) UTC\)?$/;
const DURATION = /^([+-]?)(\d+(?:\.\d+)?) (s|min|h)$/;
const SECONDS = { s: 1, min: 60, h: 3600 };
/** How what may be rounded is, by the name of the value: there is never more room than there is. */
const WAYS = { room: "down", pumpable: "down", spare: "down", over: "up" };
const FEET = "31 ft 7-5/16 in";
/** What somebody is to type stays as it is. */
const TO_TYPE = new Set(["example", "decimal", "grouped", "known", "ways"]);

/** What the site gave a name to: a tank may be called as something that the gateway says, "ship". */
const NAMES = new Set(["tank", "second", "product", "instrument", "line", "host", "file", "version"]);
/** Sentences as well, or names, or numbers that count nothing. */
const AS_THEY_ARE = new Set(["text", "name", "signal", "code_words", "by"]);
/** What somebody has given as a reason. */
const TYPED = "typed";

/** Of a text that is a time, a duration or a quantity alone; null of any other. */
function valueOf(text) {
  const [, day, time] = TIME.exec(text) ?? [];
  if (day) return timeText(`${day}T${time}Z`);
  const [, way, number, unit] = DURATION.exec(text) ?? [];
  // Of a fraction of a second nothing is cut off.
  if (number && unit === "s" && number.includes(".")) return `${way}${written(number)} s`;
  if (number) return `${way}${spanText(Number(number) * SECONDS[unit])}`;
  return isQuantity(text) ? retyped(text) : null;
}
