// Numbers for people: in the reader's units and form, with no more digits than are known. The page keeps SI; this is the edge.
import { locale, taste } from "./taste.js";

const M3_A_BARREL = 0.158987294928;
const M3_AN_IMPERIAL_GALLON = 0.00454609;
const M_A_FOOT = 0.3048;
const KG_A_LONG_TON = 1016.0469088;
const KG_M3_A_LB_FT3 = 16.018463373960142;
const PA_A_PSI = 6894.757293168361;

const same = (value) => value;
const celsius = { sign: "°C", of: same, places: 1 };
const fahrenheit = { sign: "°F", of: (c) => c * 1.8 + 32, places: 1 };
/** What moves does not move at 0: a small rate to a tenth. */
const rates = { places: 1, fewFrom: 10 };
const metric = {
  length: { sign: "m", of: same, places: 3 },
  temperature: celsius,
  temperatureDifference: celsius,
  volume: { sign: "m³", of: same, places: 1, fewFrom: 1000 },
  mass: { sign: "t", of: (kg) => kg / 1000, places: 1 },
  flow: { sign: "m³/h", of: (v) => v * 3600, ...rates },
  speed: { sign: "mm/min", of: (v) => v * 60_000, places: 1 },
  massFlow: { sign: "t/h", of: (v) => v * 3.6, places: 1 },
  density: { sign: "kg/m³", of: same, places: 1 },
  pressure: { sign: "kPa", of: (pa) => pa / 1000, places: 2 },
  ratio: { sign: "", of: same, places: 5 },
  percent: { sign: "%", of: (v) => v * 100, places: 1 },
};
const FORMS = {
  metric,
  us: {
    ...metric,
    length: { sign: "", of: same, feet: true },
    temperature: fahrenheit,
    temperatureDifference: { sign: "°F", of: (k) => k * 1.8, places: 1 },
    volume: { sign: "bbl", of: (m3) => m3 / M3_A_BARREL, places: 0 },
    mass: { sign: "long tons", of: (kg) => kg / KG_A_LONG_TON, places: 1 },
    flow: { sign: "bbl/h", of: (v) => (v * 3600) / M3_A_BARREL, ...rates },
    speed: { sign: "in/min", of: (v) => (v * 60) / 0.0254, places: 2 },
    massFlow: { sign: "long tons/h", of: (v) => (v * 3600) / KG_A_LONG_TON, places: 1 },
    density: { sign: "lb/ft³", of: (v) => v / KG_M3_A_LB_FT3, places: 2 },
    pressure: { sign: "psi", of: (pa) => pa / PA_A_PSI, places: 2 },
  },
  imperial: {
    ...metric,
    length: { sign: "", of: same, feet: true },
    volume: { sign: "imp gal", of: (m3) => m3 / M3_AN_IMPERIAL_GALLON, places: 0 },
    mass: { sign: "long tons", of: (kg) => kg / KG_A_LONG_TON, places: 1 },
    flow: { sign: "imp gal/h", of: (v) => (v * 3600) / M3_AN_IMPERIAL_GALLON, ...rates },
    massFlow: { sign: "long tons/h", of: (v) => (v * 3600) / KG_A_LONG_TON, places: 1 },
    density: { sign: "lb/ft³", of: (v) => v / KG_M3_A_LB_FT3, places: 2 },
    pressure: { sign: "psi", of: (pa) => pa / PA_A_PSI, places: 2 },
  },
};
export const UNIT_SYSTEMS = Object.keys(FORMS);

/** The dimension of a unit as the gateway's documents name it. */
export const DIMENSIONS = {
  m: "length",
  degC: "temperature",
  m3: "volume",
  kg: "mass",
  "m3/s": "flow",
  "m/s": "speed",
  "kg/s": "massFlow",
  "kg/m3": "density",
  Pa: "pressure",
  1: "ratio",
};

/** A number in SI as the reader sees it: {number, sign}. `down`: never more than there is (room, pumpable). */
export function shown(value, dimension, options = {}) {
  const form = formOf(dimension);
  if (form.feet) return { number: feetAndInches(value), sign: "" };
  return { number: written(decimal(value, dimension, options)), sign: form.sign };
}

export function formOf(dimension) {
  return FORMS[taste.value.units]?.[dimension] ?? metric[dimension];
}

/**
 * The same as a decimal text with a point, for sums of what is shown. `like`: the value in SI whose decimals it is to
 * have, where several that belong together must have as many; else it has its own.
 */
export function decimal(value, dimension, { down = false, places = null, like = null } = {}) {
  const form = formOf(dimension);
  const size = Math.abs(form.of(like ?? value));
  // As it is shown: 999.96 is 1,000.
  const isMany = form.fewFrom && Number(rounded(size, form.places)) >= form.fewFrom;
  return rounded(form.of(value), places ?? (isMany ? 0 : form.places), down);
}

/** A decimal text in the reader's form of numbers. */
export function written(decimalText) {
  return grouped(decimalText, decimalText.split(".")[1]?.length ?? 0);
}

/** The same in one text. */
export function text(value, dimension, options) {
  const { number, sign } = shown(value, dimension, options);
  return sign ? `${number} ${sign}` : number;
}

const SIXTY_F_IN_C = 28 / 1.8;

/** A reference temperature as the trade names it, whatever the reader's units: 15 °C, 20 °C, 60 °F; empty for none. */
export function referenceText(celsius) {
  if (celsius === null || celsius === undefined) return "";
  // Some documents have it in hundredths.
  if (Math.abs(celsius - SIXTY_F_IN_C) < 0.01) return "60 °F";
  return `${grouped(String(celsius), 0, 3)} °C`;
}

/** Whether the reader has it in the unit of the gateway's own sentences. */
export const isMetric = (dimension) => formOf(dimension) === metric[dimension];

/** The unit of a dimension for a heading; empty where the numbers bear it. */
export function sign(dimension) {
  return formOf(dimension).sign;
}

/** The same as a plain number for a chart, whose axis has even steps: what is read in feet and inches is in feet there. */
export function plain(value, dimension) {
  const form = FORMS[taste.value.units]?.[dimension] ?? metric[dimension];
  return form.feet ? value / M_A_FOOT : form.of(value);
}

/** The unit of `plain`. */
export function plainSign(dimension) {
  const form = FORMS[taste.value.units]?.[dimension] ?? metric[dimension];
  return form.feet ? "ft" : form.sign;
}

/**
 * A number as a decimal text of `places` decimals: half up, on the shortest decimal that means the number, as the
 * gateway's own displays do; towards minus infinity with `down`.
 */
export function rounded(value, places, down = false) {
  const { negative, digits, exponent } = parts(value);
  const kept = digits.length + exponent + places;
  // digits × 10^exponent: those from `kept` on are dropped.
  let whole = kept > 0 ? BigInt(digits.slice(0, kept).padEnd(kept, "0")) : 0n;
  const rest = kept < 0 ? "0".repeat(-kept) + digits : digits.slice(kept);
  const isMore = down ? negative && /[1-9]/.test(rest) : rest.charAt(0) >= "5";
  if (isMore) whole += 1n;
  const plain = whole.toString().padStart(places + 1, "0");
  const number = places ? `${plain.slice(0, -places)}.${plain.slice(-places)}` : plain;
  return negative && whole !== 0n ? `-${number}` : number;
}

function parts(value) {
  const [mantissa, power] = Math.abs(value).toExponential().split("e");
  const [whole, fraction = ""] = mantissa.split(".");
  return { negative: value < 0, digits: whole + fraction, exponent: Number(power) - fraction.length };
}

const formats = new Map();

function grouped(decimal, places, most = places) {
  const key = `${locale()} ${places} ${most}`;
  let format = formats.get(key);
  if (!format) {
    // Making one costs more than all else of a row; there are few.
    format = new Intl.NumberFormat(locale(), { minimumFractionDigits: places, maximumFractionDigits: most });
    formats.set(key, format);
  }
  // A text, not a number: Intl takes it digit by digit.
  return format.format(decimal);
}

/** Feet, inches and sixteenths: 30' 10 9/16". */
export function feetAndInches(metres) {
  const sixteenths = Number(rounded((Math.abs(metres) / M_A_FOOT) * 192, 0));
  const feet = Math.floor(sixteenths / 192);
  const inches = Math.floor((sixteenths % 192) / 16);
  let part = sixteenths % 16;
  let whole = 16;
  while (part && part % 2 === 0) {
    part /= 2;
    whole /= 2;
  }
  return `${metres < 0 && sixteenths ? "-" : ""}${feet}' ${inches}${part ? ` ${part}/${whole}` : ""}"`;
}
