// What the page says, in the reader's language. Texts of the gateway (reasons, names) are shown as they come.
import { Shared, useShared } from "./shared.js";
import { locale, taste } from "./taste.js";

export const LANGUAGES = { en: "English", de: "Deutsch" };

const catalogue = new Shared({});
const spoken = new Shared("en");
/** Sentences of the gateway in the reader's language, by the English phrase; in English each is its own. */
let sentences = {};
let known = [];
/** Nothing more of them is to be had. */
let isWhole = true;

/** What could not be had, as the link was lost, is asked for again. */
export const AGAIN_MS = 5_000;

/** Load a language. Raises where it cannot be had. */
export async function speak(language) {
  const wanted = language in LANGUAGES ? language : "en";
  const answer = await fetch(`/page/languages/${wanted}.json`, { cache: "no-cache" });
  if (!answer.ok) throw new Error(`the language ${wanted} cannot be loaded`);
  const words = await answer.json();
  spoken.value = wanted;
  keep({});
  catalogue.set(words);
  document.documentElement.lang = wanted;
  loadSentences(wanted);
}

/** They come after all that is needed at once: until then, and where they cannot be had, the gateway's English stands. */
async function loadSentences(wanted) {
  isWhole = true;
  // English has no translations; by the phrases alone numbers are told in the reader's units.
  if (wanted === "en" && taste.value.units === "metric" && locale().startsWith("en")) return;
  if (await took(wanted, "sentences")) isWhole = false;
}

/** Whether it is there, for as long as this language is spoken: till then it is asked for again. */
async function took(wanted, part) {
  while (spoken.value === wanted) {
    try {
      await take(wanted, part);
      return spoken.value === wanted;
    } catch {
      await new Promise((go) => setTimeout(go, AGAIN_MS));
    }
  }
  return false;
}

/** Of the language, with what is known already; of English each phrase is its own. */
async function take(wanted, part) {
  const answer = await fetch(`/page/languages/${part}_${wanted === "en" ? "de" : wanted}.json`, { cache: "no-cache" });
  const found = answer.ok ? await answer.json() : {};
  if (spoken.value !== wanted) return;
  const all = { ...withoutSubjects(found), ...found };
  keep({ ...sentences, ...(wanted === "en" ? Object.fromEntries(Object.keys(all).map((phrase) => [phrase, phrase])) : all) });
  drawAgain();
}

/** All that says something. */
export function drawAgain() {
  // Another object.
  catalogue.set({ ...catalogue.value });
}

function keep(found) {
  sentences = found;
  known = Object.keys(found);
}

/**
 * Every phrase of the gateway that is known here; the same array as long as they are the same. Those of answers to
 * acts, and of what goes wrong, are many and come when they are asked for first.
 */
export function phrases() {
  if (!isWhole) {
    isWhole = true;
    for (const part of ["answers", "troubles"]) took(spoken.value, part);
  }
  return known;
}

/** "{signal}: the instrument sends …" is also told without its subject, where that has just been named. */
function withoutSubjects(found) {
  const told = {};
  for (const [phrase, own] of Object.entries(found)) {
    const [subject] = /^\{\w+\}: /.exec(phrase) ?? [];
    if (subject && own.startsWith(subject)) told[phrase.slice(subject.length)] = own.slice(subject.length);
  }
  return told;
}

/** A phrase of the gateway in the reader's language, with the same names in it; undefined where there is none. */
export function phraseFor(phrase) {
  return Object.hasOwn(sentences, phrase) ? sentences[phrase] : undefined;
}

/** The text of a key; {name} in it is replaced by values.name. Where values.count stands, the key has forms ".one" and ".other" by values.count. */
export function word(key, values = {}) {
  const words = catalogue.value;
  let text = words[key];
  if (text === undefined && values.count !== undefined) {
    const form = new Intl.PluralRules(spoken.value).select(values.count);
    text = words[`${key}.${form}`] ?? words[`${key}.other`];
  }
  if (text === undefined) return key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (values[name] === undefined ? whole : String(values[name])));
}

/** Whether there is a text of this key. */
export function hasWord(key) {
  return key in catalogue.value;
}

/** Makes a component be drawn again when the language changes. */
export function useWords() {
  useShared(catalogue);
  return word;
}

export function language() {
  return spoken.value;
}
