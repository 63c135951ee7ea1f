// Numbers of sentences, which stand in the gateway's own units and form, for this reader.
import { DIMENSIONS, feetAndInches, formOf, isMetric, rounded, written } from "./numbers.js";

/** Units as they stand in the gateway's sentences: in SI, and as the reader sees them. */
const TOLD = {
  m: [1, "m"], mm: [1e-3, "mm"], cm: [1e-2, "cm"], degC: [1, "°C"], m3: [1, "m³"], "m3/h": [1 / 3600, "m³/h"], "kg/m3": [1, "kg/m³"],
  kg: [1, "kg"], t: [1000, "t"], Pa: [1, "Pa"], kPa: [1000, "kPa"], "%": [0.01, "%"],
  // As they stand on displays.
  "°C": [1, "°C"], "m³": [1, "m³"], "m³/h": [1 / 3600, "m³/h"], "kg/m³": [1, "kg/m³"],
};
const M_AN_INCH = 0.0254;
const LONG_M = 1;

/**
 * A number of a sentence for this reader. `told`: as it stands there, "-12 mm", by which it is seen what digits are
 * known; `value`: the same in SI; `unit`: of that, as documents name it, K for how far temperatures are apart. `way`:
 * "down" of what there is at most, "up" of what there is at least, so that another unit does not round past it.
 */
export function retold(told, value, unit, way = "") {
  const [, plus, number, sign] = /^(\+?)(-?\d+(?:\.\d+)?) (\S+)$/.exec(ungrouped(told)) ?? [];
  if (number === undefined || !(sign in TOLD)) return inForm(told);
  const dimension = unit === "K" ? "temperatureDifference" : DIMENSIONS[unit];
  const form = formOf(dimension);
  if (dimension === "ratio" || isMetric(dimension)) return `${plus}${written(number)} ${TOLD[sign][1]}`;
  // A level in millimetres is one that is read in feet; what is short is a tolerance, or a change.
  if (form.feet && (sign !== "mm" || Math.abs(value) >= LONG_M)) return `${plus}${feetAndInches(value)}`;
  const own = form.feet ? { sign: "in", of: (m) => m / M_AN_INCH, places: 0 } : form;
  const step = (TOLD[sign][0] * (own.of(1) - own.of(0))) / 10 ** (number.split(".")[1]?.length ?? 0);
  const least = dimension.startsWith("temperature") ? 1 : 0;
  // Of an inch, which is long, a digit more: a tolerance of some millimetres must not be rounded away.
  const places = Math.max(least, Math.round(-Math.log10(step)) + (form.feet ? 1 : 0));
  const shownNumber = way === "up" ? negated(rounded(-own.of(value), places, true)) : rounded(own.of(value), places, way === "down");
  return `${plus}${written(shownNumber)} ${own.sign}`;
}

const negated = (decimalText) => (decimalText.startsWith("-") ? decimalText.slice(1) : Number(decimalText) ? `-${decimalText}` : decimalText);

/** What somebody has typed, where it is one number in a unit of the gateway's own; else as it stands. */
export function retyped(typed, way = "") {
  const [number, unit] = quantityOf(typed);
  return unit ? retold(typed, Number(number) * TOLD[unit][0], SI[unit] ?? unit, way) : typed;
}

/** {text, value, unit} of how far two temperatures are apart; null of any other text. */
export function celsiusApart(text) {
  const [number, unit] = quantityOf(text);
  return unit === "degC" || unit === "°C" ? { text, value: Number(number), unit: "K" } : null;
}

const NUMBER = /^([+-]?)(\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)((?: \S+)?)$/;

/**
 * A number that has a mark in it, with or without a unit that stays as it is ("21.305 mA", "1,204"), in the reader's
 * form: where a comma is for decimals, what stands as it came would be read a thousand times too large or too small.
 */
export function inForm(text) {
  return text.replace(NUMBER, (_, way, number, unit) => `${way}${written(number.replaceAll(",", ""))}${unit}`);
}

/** Whether a text is such a number. */
export function isQuantity(text) {
  return quantityOf(text).length > 0;
}

/** [number, unit] as they stand in it; empty for any other text. */
function quantityOf(text) {
  const [, number, unit] = /^(\+?-?\d+(?:\.\d+)?) (\S+)$/.exec(ungrouped(text)) ?? [];
  return unit in TOLD && ((SI[unit] ?? unit) in DIMENSIONS) ? [number, unit] : [];
}

const SI = {
  mm: "m", cm: "m", kPa: "Pa", t: "kg", "m3/h": "m3/s", "m³/h": "m3/s", "°C": "degC", "m³": "m3", "kg/m³": "kg/m3", "%": "1",
};

/** 1,204 m3: with marks between thousands, as the gateway's own sentences have them. */
function ungrouped(text) {
  return text.replace(/^[+-]?\d{1,3}(?:,\d{3})+(?=[. ])/, (grouped) => grouped.replaceAll(",", ""));
}
