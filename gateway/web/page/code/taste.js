// How this reader, on this device, wants to see things: language, units, theme, form of numbers. Kept in the browser.
import { Shared } from "./shared.js";

const PLACE = "tank-gateway.taste";
const USUAL = { language: "", units: "metric", theme: "", numbers: "" };

function kept() {
  try {
    return { ...USUAL, ...JSON.parse(localStorage.getItem(PLACE) ?? "{}") };
  } catch {
    // Storage may be forbidden, or hold what is no JSON: then the usual.
    return { ...USUAL };
  }
}

export const taste = new Shared(kept());

export function change(part) {
  const now = { ...taste.value, ...part };
  try {
    localStorage.setItem(PLACE, JSON.stringify(now));
  } catch {
    // It holds until the page is closed.
  }
  taste.set(now);
}

export function languageWanted() {
  return taste.value.language || (navigator.language || "en").slice(0, 2);
}

/** The locale of numbers and dates. */
export function locale() {
  return taste.value.numbers || (taste.value.language ? taste.value.language : navigator.language) || "en";
}

const night = matchMedia("(prefers-color-scheme: dark)");

function dress() {
  document.documentElement.dataset.theme = taste.value.theme || (night.matches ? "dark" : "light");
}

/** Put the theme on the page, now and whenever it changes. */
export function dressAlways() {
  dress();
  taste.watch(dress);
  night.addEventListener("change", dress);
}
