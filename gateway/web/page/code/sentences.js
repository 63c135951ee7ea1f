// Sentences of the gateway come in English and with SI: told anew in the reader's language, units and form of numbers.
import { partsOf } from "./known_sentences.js";
import { siteNow } from "./live.js";
import { retold, retyped } from "./numbers.js";
import { clock, span } from "./times.js";
import { language, phraseFor } from "./words.js";

/** A sentence of the gateway as the reader reads it; what is not known to be one stands as it is. */
export function told(sentence) {
  if (!sentence) return "";
  const parts = partsOf(sentence);
  const phrase = phraseFor(parts?.phrase ?? sentence) ?? parts?.phrase ?? sentence;
  if (!parts) return phrase;
  return phrase.replace(/\{(\w+)\}/g, (whole, name) => (name in parts.values ? valueText(parts.values[name]) : whole));
}

/** Whether all of it is in the reader's language. */
export function isOwn(sentence) {
  return language() === "en" || phraseFor(partsOf(sentence)?.phrase ?? sentence) !== undefined;
}

function valueText(value) {
  // Another sentence may stand in it, or what somebody has typed.
  if (typeof value === "string") return retyped(told(value));
  if ("time" in value) return clock(value.time, siteNow() ?? Date.parse(value.time));
  if ("seconds" in value) return span(value.seconds);
  return retold(value.text, value.value, value.unit);
}
