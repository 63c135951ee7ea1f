// What is live: the view of the gateway, kept true by its stream of events; and how sure the page is of that.
import { useEffect, useLayoutEffect, useReducer, useRef } from "./html.js";
import { get } from "./ask.js";
import { Hearing } from "./hearing.js";
import { learn } from "./known_sentences.js";
import { Shared, useShared } from "./shared.js";

/** Age from which on what is known no longer passes for live. The gateway speaks every 2 s. */
export const SILENCE_MS = 8_000;
const LOOK_MS = 500;
const AGAIN_MS = 3_000;
/** A connection may be dead without a word: then another one. On a link so slow that nothing has come, later. */
const ANOTHER_MS = 10_000;
const ANOTHER_AT_MOST_MS = 80_000;
/** A page that nobody sees needs no stream, and a browser has only six connections to one gateway for all its tabs. */
const UNSEEN_MS = 60_000;

/** What is fixed until the site file changes (/api/1/site); null until it is there. */
export const site = new Shared(null);
/** The members of the view but its tanks, by name, and its rows by tank: a Shared each. */
const tops = new Map();
const rows = new Map();
/** Tags in the order of the site file. */
export const tags = new Shared([]);
/** "starting", "live", "silent" (nothing comes), "late" (what comes is old) or "refused". */
export const link = new Shared("starting");
/** Whether something of this page has failed: then what it shows may stand still. */
export const fault = new Shared(false);

const hearing = new Hearing();
let toldTime = null;
let source = null;
let askedMs = -Infinity;
let anotherMs = ANOTHER_MS;
let unseenSince = null;
let siteAsked = 0;

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

const now = () => ({ ms: performance.now(), date: Date.now() });

/** The most that what was last told may be old, in milliseconds. */
export const silenceMs = () => hearing.age(now());

/** The site's time of the gateway's last word; null before the first. */
export const lastWord = () => toldTime;

/** The site's time now, as the gateway's last word and its age give it; null before the first word. */
export function siteNow() {
  if (toldTime === null) return null;
  return toldTime + silenceMs() * (site.value?.time_factor ?? 1);
}

/** Counts seconds, for what shows an age: one timer for all of them. */
const beat = new Shared(0);
const count = () => beat.set(beat.value + 1);
setInterval(count, 1000);
// What has just ceased to be live must not wait for the next second.
link.watch(count);

/** Draws the component again when `made()` gives something else than before; looked at each second. */
export function useEachSecond(made) {
  const [, draw] = useReducer((drawn) => drawn + 1, 0);
  const seen = made();
  const shown = useRef(seen);
  const latest = useRef(made);
  shown.current = seen;
  latest.current = made;
  // At once and not after the next frame: the page may be put to sleep before that.
  useLayoutEffect(() => beat.watch(() => latest.current() !== shown.current && draw()), []);
  return seen;
}

/** Draws the component again every `ms`. */
export function useBeat(ms) {
  const [, draw] = useReducer((drawn) => drawn + 1, 0);
  useEffect(() => {
    const timer = setInterval(draw, ms);
    return () => clearInterval(timer);
  }, [ms]);
}

/** How long, of this device's time, what is true may take to the page: nothing where the site's time is the same. */
const WAY_MS = 3_000;

/** Whether a validity has ended. Where a site's time passes faster, it does not end on the way to the page. */
export function isOver(validUntil) {
  if (!validUntil) return false;
  return siteNow() > Date.parse(validUntil) + WAY_MS * ((site.value?.time_factor ?? 1) - 1);
}

/** Whether a row is the present: the page hears the gateway, and the row's own validity has not ended. */
export function isLive(each) {
  return link.value === "live" && Boolean(each) && !isOver(each.valid_until);
}

/** Begin, for as long as the page is open. */
export function begin() {
  setInterval(look, LOOK_MS);
  // What breaks outside of what is drawn may have kept news from being taken in. An observer of sizes that comes round in
  // the next frame is told of as an error too, and is none.
  addEventListener("error", ({ message }) => message?.startsWith("ResizeObserver") || fault.set(true));
  addEventListener("unhandledrejection", () => fault.set(true));
  addEventListener("online", () => link.value !== "live" && restart());
  addEventListener("pagehide", () => {
    // It may come back out of the browser's cache, and nothing on it is the present then.
    doze();
    hangUp();
  });
  addEventListener("pageshow", (event) => event.persisted && wake());
  document.addEventListener("freeze", doze);
  document.addEventListener("resume", wake);
  document.addEventListener("visibilitychange", () => (document.hidden ? doze() : wake()));
  if (document.hidden) doze();
  restart();
}

/** Begin anew: after a sign-in, after another has signed in, or when what is shown may be old. */
export function restart() {
  doubt("starting");
  askAll();
}

/** Nobody sees the page now, and timers may stop: what is seen first afterwards must not pass for the present. */
function doze() {
  unseenSince ??= now();
  doubt("starting");
}

function wake() {
  if (document.hidden) return;
  unseenSince = null;
  if (source === null || silenceMs() > SILENCE_MS) restart();
  else look();
}

function doubt(state) {
  if (link.value !== "refused") link.set(state);
}

async function loadSite() {
  const own = (siteAsked += 1);
  try {
    const document = await get("/api/1/site");
    if (own !== siteAsked) return;
    site.set(document);
    tags.set(Object.keys(document.tanks));
    if (link.value === "refused") {
      link.set("starting");
      listen();
    }
  } catch (error) {
    if (own !== siteAsked) return;
    if (error.needsSignIn) forget();
    setTimeout(() => own === siteAsked && loadSite(), AGAIN_MS);
  }
}

/** Whoever may not see the site sees no more of it. */
function forget() {
  hangUp();
  link.set("refused");
  toldTime = null;
  tags.set([]);
  site.set(null);
  for (const each of rows.values()) each.set(null);
  for (const each of tops.values()) each.set(undefined);
}

/** A new connection is not told whether the site is another than it was. */
function askAll() {
  loadSite();
  listen();
}

function hangUp() {
  source?.close();
  source = null;
}

function listen() {
  hangUp();
  hearing.ask(now());
  askedMs = performance.now();
  source = new EventSource("/api/1/live");
  const own = source;
  const on = (name, taken) => own.addEventListener(name, (event) => own === source && taken(JSON.parse(event.data)));
  on("view", (view) => {
    for (const [tag, each] of rows) if (!(tag in view.tanks)) each.set(null);
    take(view);
  });
  on("change", take);
  on("pulse", take);
  on("site", loadSite);
  own.addEventListener("error", () => {
    // Where the connection is lost the browser asks again by itself, and names what it has heard last.
    if (own !== source || own.readyState !== EventSource.CLOSED) return;
    // It gives up for good on an answer that is no stream, such as a refusal: the site says whether it is one.
    source = null;
    loadSite();
    setTimeout(() => source === null && unseenSince === null && link.value !== "refused" && askAll(), AGAIN_MS);
  });
}

/** `time` is by the clock of the site, which a simulated one may have of its own; `machine_time` by the machine's. */
function take({ tanks, time, machine_time: machineTime = time, schema, feed, sentences, ...members }) {
  hearing.hear(now(), Date.parse(machineTime));
  toldTime = Date.parse(time);
  if (sentences) learn("alarms", sentences);
  for (const [tag, each] of Object.entries(tanks ?? {})) (learn(`row ${tag}`, each.sentences), row(tag).set(each));
  for (const [name, value] of Object.entries(members)) top(name).set(value);
  look();
}

/** Decide what to think of the link, and ask anew where that may help. */
function look() {
  if (link.value === "refused") return;
  if (unseenSince !== null) {
    if (performance.now() - unseenSince.ms > UNSEEN_MS) hangUp();
    return;
  }
  const age = silenceMs();
  if (age <= SILENCE_MS) {
    link.set("live");
    anotherMs = ANOTHER_MS;
    return;
  }
  if (toldTime !== null) link.set(hearing.silence(now()) > SILENCE_MS ? "silent" : "late");
  // What lies in a buffer is left there: the newest is asked for. Also where all that is wrong is that the first answer
  // took long, as of a gateway that stood still: only another answer can end that doubt.
  if (source !== null && performance.now() - askedMs > anotherMs) {
    anotherMs = Math.min(2 * anotherMs, ANOTHER_AT_MOST_MS);
    askAll();
  }
}
