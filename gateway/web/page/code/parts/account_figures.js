// Figures of the accounts' documents: {value, unit, quality, reasons, manual} in SI, and amounts by measure.
import { html } from "../html.js";
import { decimal, referenceText, shown, sign, written } from "../numbers.js";
import { told } from "../sentences.js";
import { useShared } from "../shared.js";
import { taste } from "../taste.js";
import { hasWord, word } from "../words.js";
import { reasonText } from "./figure.js";

const MASSES = new Set(["mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass"]);
const ROUNDED_DOWN = new Set(["room", "pumpable"]);
/** Figures of a sheet that are no amounts, by the dimension of their numbers. */
const OTHERS = {
  level: "length",
  ullage: "length",
  water_level: "length",
  liquid_temperature: "temperature",
  temperature_spread: "temperatureDifference",
  vapour_pressure: "pressure",
  reference_density: "density",
  observed_density: "density",
  ctl: "ratio",
  cpl: "ratio",
  sediment_water: "percent",
};
/** What amounts are moved and balances drawn of, in the order of the trade. */
export const MEASURES = [
  "tov",
  "free_water",
  "gov",
  "gsv",
  "nsv",
  "mass",
  "weight_in_air",
  "net_mass",
  "net_weight_in_air",
  "total_mass",
];
/** Measures that are of a reference temperature. */
const STANDARD = new Set(["gsv", "nsv"]);

export function isMass(measure) {
  return MASSES.has(measure);
}

export function dimensionOf(name) {
  return OTHERS[name] ?? (isMass(name) ? "mass" : "volume");
}

/** GSV, weight in air: what a measure is called. */
export function measureWord(measure) {
  return word(`measure.${measure}`);
}

/** GSV at 15 °C. */
export function measureAt(measure, celsius) {
  const reference = STANDARD.has(measure) ? referenceText(celsius) : "";
  return reference ? word("measure.at", { measure: measureWord(measure), temperature: reference }) : measureWord(measure);
}

/** Half up to what is known, as a decimal text in the reader's unit. `like`: the value whose decimals it is to have. */
export function exactly(name, value, { like = null } = {}) {
  return decimal(value, dimensionOf(name), { like, down: ROUNDED_DOWN.has(name) });
}

export function signOf(name) {
  return sign(dimensionOf(name));
}

/** An SI value with its unit: 1,204 m³. */
export function amountText(value, name) {
  const { number, sign: unit } = shown(value, dimensionOf(name), { down: ROUNDED_DOWN.has(name) });
  return unit ? `${number} ${unit}` : number;
}

/** Why, each reason once: those that only pass on the doubt of another are left out where the cause itself is told. */
export function reasonTexts(reasons) {
  const causes = reasons.filter((each) => each.code !== "input_bad" && each.code !== "input_uncertain");
  return [...new Set((causes.length ? causes : reasons).map(documentReason))];
}

/** The gateway's own sentence: of a record it says which tank and how much, which a general word would not. */
function documentReason(reason) {
  return told(reason.text) || reasonText(reason);
}

/** What stands where a figure has no value. */
function absentText(figure) {
  if (figure.quality === "Bad") return word("figure.no_value");
  return figure.reasons.some((each) => each.code === "none_detected") ? word("figure.none_detected") : word("figure.not_applicable");
}

/** Whether it applies to its tank at all. */
export function applies(figure) {
  return Boolean(figure) && (figure.value !== null || figure.quality === "Bad" || figure.reasons.some((each) => each.code === "none_detected"));
}

/**
 * A figure of a document with its unit. `text`: the decimal text that is shown for it, where it follows from others.
 * Uncertain has a `?` and says why; one without a value says so in words.
 */
export function AccountFigure({ figure, name, unit = true, text = undefined, like = null }) {
  useShared(taste);
  if (!figure) return html`<span class="figure quiet">${word("figure.not_applicable")}</span>`;
  if (figure.value === null) {
    const kind = figure.quality === "Bad" ? "novalue" : "quiet";
    return html`<span class=${`figure ${kind}`} title=${reasonTexts(figure.reasons).join("; ")}>${absentText(figure)}</span>`;
  }
  const decimals = text ?? decimalOf(figure, name, like);
  const doubtful = figure.quality === "Uncertain";
  const said = doubtful ? reasonTexts(figure.reasons).join("; ") : undefined;
  return html`<span class="figure" title=${said}>${decimals}${doubtful && html`<span aria-hidden="true">?</span><span class="unseen"> ${word("account.estimated")}</span>`}${
    figure.manual && html`<span title=${word("row.by_hand")}>✎</span>`
  }${unit && signOf(name) ? html` <span class="unit">${signOf(name)}</span>` : null}</span>`;
}

function decimalOf(figure, name, like) {
  if (dimensionOf(name) === "length") return shown(figure.value, "length").number;
  return written(exactly(name, figure.value, { like }));
}

/** The words of a code of the gateway: a kind, a phase, a source. */
export function codeWord(group, code) {
  const key = `${group}.${code}`;
  return hasWord(key) ? word(key) : String(code).replaceAll("_", " ");
}
