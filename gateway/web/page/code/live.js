// What is live: the view of the gateway, kept true by its stream of events; and how sure the page is of that.
import { useEffect, useReducer, useRef } from "./html.js";
import { get } from "./ask.js";
import { Shared, useShared } from "./shared.js";

/** Longest silence after which the page no longer takes itself for live. The gateway speaks every 2 s. */
export const SILENCE_MS = 8_000;
const LOOK_MS = 500;
const AGAIN_MS = 3_000;

/** What is fixed until the site file changes (/api/1/site); null until it is there. */
export const site = new Shared(null);
/** The members of the view but its tanks, each a Shared by its name. */
const tops = new Map();
/** The rows of the view, each a Shared by its tank. */
const rows = new Map();
/** Tags in the order of the site file. */
export const tags = new Shared([]);
/** "starting", "live", "silent" or "refused". */
export const link = new Shared("starting");

let heard = { ms: -Infinity, date: -Infinity, time: null };
let source = null;

/** A member of the view: alarms, totals, transfers, entered, lines, destinations, next_day_close. */
export function top(name) {
  if (!tops.has(name)) tops.set(name, new Shared(undefined));
  return tops.get(name);
}

export function row(tag) {
  if (!rows.has(tag)) rows.set(tag, new Shared(null));
  return rows.get(tag);
}

export const useSite = () => useShared(site);
export const useTop = (name) => useShared(top(name));
export const useRow = (tag) => useShared(row(tag));
export const useTags = () => useShared(tags);
export const useLink = () => useShared(link);

/** Milliseconds since the gateway was last heard, by whichever of the two clocks of this device has gone further. */
export function silenceMs() {
  // One stands still while the device sleeps, the other may be set back.
  return Math.max(performance.now() - heard.ms, Date.now() - heard.date);
}

/** The site's time now, as the gateway's last word and the silence since give it; null before the first word. */
export function siteNow() {
  if (heard.time === null) return null;
  return heard.time + silenceMs() * (site.value?.time_factor ?? 1);
}

/** Counts seconds, for what shows an age: one timer for all of them. */
const beat = new Shared(0);
setInterval(() => beat.set(beat.value + 1), 1000);

/** Draws the component again when `made()` gives something else than before; looked at each second. */
export function useEachSecond(made) {
  const [, draw] = useReducer((count) => count + 1, 0);
  const seen = made();
  const shown = useRef(seen);
  const latest = useRef(made);
  shown.current = seen;
  latest.current = made;
  useEffect(() => beat.watch(() => latest.current() !== shown.current && draw()), []);
  return seen;
}

/** Draws the component again every `ms`. */
export function useBeat(ms) {
  const [, draw] = useReducer((count) => count + 1, 0);
  useEffect(() => {
    const timer = setInterval(draw, ms);
    return () => clearInterval(timer);
  }, [ms]);
}

/** Whether a row is the present: the page hears the gateway, and the row's own validity has not ended. */
export function isLive(each) {
  if (link.value !== "live" || !each) return false;
  return !each.valid_until || siteNow() <= Date.parse(each.valid_until);
}

/** Begin, for as long as the page is open. */
export function begin() {
  setInterval(look, LOOK_MS);
  addEventListener("pageshow", (event) => {
    // Out of the browser's cache: nothing on it is the present until the gateway has spoken.
    if (event.persisted) restart();
  });
  document.addEventListener("visibilitychange", look);
  restart();
}

/** Begin anew: after a sign-in, after another has signed in, or when what is shown may be old. */
export function restart() {
  source?.close();
  heard = { ...heard, ms: -Infinity, date: -Infinity };
  link.set("starting");
  loadSite();
  listen();
}

async function loadSite() {
  try {
    const document = await get("/api/1/site");
    site.set(document);
    tags.set(Object.keys(document.tanks));
  } catch (error) {
    if (error.needsSignIn) link.set("refused");
    setTimeout(() => site.value === null && loadSite(), AGAIN_MS);
  }
}

function listen() {
  source = new EventSource("/api/1/live");
  const own = source;
  const on = (name, taken) =>
    own.addEventListener(name, (event) => {
      if (own !== source) return;
      taken(JSON.parse(event.data));
    });
  on("view", (view) => {
    for (const tag of rows.keys()) if (!(tag in view.tanks)) rows.get(tag).set(null);
    take(view);
  });
  on("change", take);
  on("pulse", hear);
  on("site", loadSite);
  own.addEventListener("error", () => {
    // A browser gives up for good on an answer that is no stream, such as a refusal.
    if (own === source && own.readyState === EventSource.CLOSED) setTimeout(() => own === source && listen(), AGAIN_MS);
  });
}

function take({ tanks, time, schema, feed, ...members }) {
  hear({ time });
  for (const [tag, each] of Object.entries(tanks ?? {})) row(tag).set(each);
  for (const [name, value] of Object.entries(members)) top(name).set(value);
}

function hear({ time }) {
  heard = { ms: performance.now(), date: Date.now(), time: Date.parse(time) };
  link.set("live");
}

function look() {
  if (link.value === "live" && silenceMs() > SILENCE_MS) link.set("silent");
}
