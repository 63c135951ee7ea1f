// What is typed into a field, as the text that the gateway reads: number and unit together, times with their zone.
// The gateway decides what is right; only what it would take for something else than was meant is refused here.
import { site, siteNow } from "../live.js";
import { locale, taste } from "../taste.js";
import { word } from "../words.js";
import { instantsOf, utcText } from "./zoned.js";

/** By kind of quantity: the units of a field, by system of units the usual one first. "": the unit is typed too. */
const UNITS = {
  length: { metric: ["m", "mm", "cm", ""], us: ["", "in", "m", "mm"], imperial: ["", "in", "m", "mm"] },
  temperature: { metric: ["degC", "degF"], us: ["degF", "degC"], imperial: ["degC", "degF"] },
  density: {
    metric: ["kg/m3", "kg/L", "degAPI", "SG", "lb/ft3"],
    us: ["degAPI", "SG", "lb/ft3", "kg/m3"],
    imperial: ["lb/ft3", "kg/m3", "degAPI", "SG"],
  },
  share: { metric: ["%", "ppm"], us: ["%", "ppm"], imperial: ["%", "ppm"] },
  volume: { metric: ["m3", "L"], us: ["bbl", "US gal", "m3"], imperial: ["imp gal", "m3", "bbl"] },
  mass: { metric: ["t", "kg"], us: ["lb", "t", "kg"], imperial: ["t", "lb", "kg"] },
};
/** Volume or mass: what was ordered or measured by others. */
UNITS.amount = Object.fromEntries(Object.keys(UNITS.volume).map((system) => [system, [...UNITS.volume[system], ...UNITS.mass[system]]]));
const SIGNS = { degC: "°C", degF: "°F", m3: "m³", "kg/m3": "kg/m³", "lb/ft3": "lb/ft³", degAPI: "°API" };

export const unitsOf = (quantity) => UNITS[quantity][taste.value.units] ?? UNITS[quantity].metric;
export const signOf = (unit) => (unit === "" ? word("field.own_unit") : (SIGNS[unit] ?? unit));

/** What a field holds before anything is typed. */
export function blank(field) {
  if (field.kind === "quantity") return { number: "", unit: unitsOf(field.quantity)[0] };
  if (field.kind === "instant") return { wall: "", second: false };
  if (field.kind === "ends" || field.kind === "duration") return { choice: field.initial ?? "", wall: "", second: false };
  return field.initial ?? "";
}

/** {text}, empty where nothing is typed; or {mistake}, a sentence. */
export function textOf(field, value) {
  const made = READERS[field.kind]?.(value, field) ?? { text: String(value).trim() };
  if (!made.mistake && !made.text && field.required) return { mistake: word("field.missing") };
  return made;
}

const READERS = {
  quantity({ number, unit }) {
    const typed = number.trim();
    if (!typed) return { text: "" };
    // The unit may be typed too: the number is still written as its reader writes numbers.
    return decimal(typed, (plain) => (unit ? `${plain} ${unit}` : plain));
  },
  instant: (value) => instantText(value, (ms) => utcText(ms)),
  ends(value) {
    return value.choice === "until" ? instantText(value, utcText, true) : { text: value.choice };
  },
  duration(value) {
    if (value.choice !== "until") return { text: value.choice };
    return instantText(value, (ms) => {
      const seconds = Math.round((ms - siteNow()) / 1000);
      return seconds > 0 ? `${seconds} s` : null;
    }, true);
  },
};

/** Where the reader's numbers have a decimal comma, a point is one between thousands: 9.412 would be something else. */
function decimal(typed, made) {
  const parts = new Intl.NumberFormat(locale()).formatToParts(12345.6);
  const mark = parts.find(({ type }) => type === "decimal")?.value ?? ".";
  if (mark !== "," || !/[.,]/.test(typed)) return { text: made(typed) };
  if (typed.includes(".")) return { mistake: word("field.point", { typed, comma: typed.replace(".", ",") }) };
  if (typed.split(",").length > 2) return { mistake: word("field.commas", { typed }) };
  return { text: made(typed.replace(",", ".")) };
}

function instantText({ wall, second }, made, required = false) {
  if (!wall) return required ? { mistake: word("field.missing") } : { text: "" };
  const found = instantsOf(wall, site.value?.time_zone ?? "UTC");
  if (found.length === 0) return { mistake: word("field.no_such_time") };
  const text = made(found[second ? found.length - 1 : 0]);
  return text === null ? { mistake: word("field.past") } : { text };
}

/** How long a text such as `24 h` is, in ms; NaN for what is none. */
export function lengthOf(text) {
  const found = /^(\d+) (min|h|d)$/.exec(text);
  return found ? Number(found[1]) * { min: 60_000, h: 3_600_000, d: 86_400_000 }[found[2]] : NaN;
}
