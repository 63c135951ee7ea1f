// What the page says, in the reader's language. Texts of the gateway (reasons, names) are shown as they come.
import { Shared, useShared } from "./shared.js";

export const LANGUAGES = { en: "English", de: "Deutsch" };

const catalogue = new Shared({});
const spoken = new Shared("en");

/** Load a language. Raises where it cannot be had. */
export async function speak(language) {
  const known = language in LANGUAGES ? language : "en";
  const answer = await fetch(`/page/languages/${known}.json`, { cache: "no-cache" });
  if (!answer.ok) throw new Error(`the language ${known} cannot be loaded`);
  const words = await answer.json();
  spoken.value = known;
  catalogue.set(words);
  document.documentElement.lang = known;
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
