// The trends of a tank: what the ledger has of a day to a year, and what has come since.
import { html, useEffect, useMemo, useRef, useState } from "../../html.js";
import { siteNow, useLink } from "../../live.js";
import { plainSign, text } from "../../numbers.js";
import { useAsked } from "../../parts/asked.js";
import { Trend } from "../../parts/trend.js";
import { Trouble, Waiting } from "../../parts/said.js";
import { drawn, extent, pointsOf, range, withLive } from "../../parts/trend_points.js";
import { useShared } from "../../shared.js";
import { taste } from "../../taste.js";
import { full } from "../../times.js";
import { word } from "../../words.js";
import { changeText, Look, Points, pointText, summaryText } from "./points.js";
import { dimensionOf, titleOf } from "./value.js";


const DAY = 86_400;
const RANGES = { day: DAY, week: 7 * DAY, month: 31 * DAY, year: 366 * DAY };
const FIGURES = ["level", "gsv", "mass", "total_mass", "liquid_temperature", "tov", "water_level", "room", "observed_density", "vapour_pressure"];
/** What a scale spans at least, so that the last digit of a gauge does not look like a movement. Part of the value, or SI. */
const LEAST = { level: 0.05, water_level: 0.05, liquid_temperature: 2, observed_density: 2, vapour_pressure: 5000 };
const LEAST_PART = 0.005;
const POINTS = 600;
const MOST_SHEETS = 1200;
const AGAIN_MS = 10 * 60_000;

export function Trends({ tag, fixed, inventory }) {
  useShared(taste);
  const link = useLink();
  const [reach, setReach] = useState("day");
  const [chosen, choose] = useState(null);
  const [isWhole, setWhole] = useState(false);
  const [at, lookAt] = useState(null);
  const [turn, setTurn] = useState(0);
  const has = (name) => inventory && !(inventory.figures[name]?.reason?.code === "not_applicable" && inventory.figures[name].value === null);
  const offered = FIGURES.filter((name) => name === "level" || has(name));
  const names = chosen ?? ["level", amountOf(has)].filter((name) => offered.includes(name));
  const asked = useRef({ key: "", from: 0 });
  const key = `${tag}|${reach}|${turn}`;
  // The span that is asked for stands still until it is asked anew.
  if (asked.current.key !== key && siteNow() !== null) asked.current = { key, until: siteNow() };
  const path = asked.current.key === key && names.length > 0 ? pathOf(tag, names, asked.current.until, RANGES[reach]) : null;
  const { document, error, again } = useAsked(path);
  const heard = useRef(link);
  useEffect(() => {
    // After a silence the ledger has what was missed here.
    if (link === "live" && heard.current !== "live") setTurn((count) => count + 1);
    heard.current = link;
    const timer = setInterval(() => setTurn((count) => count + 1), AGAIN_MS);
    return () => clearInterval(timer);
  }, [link]);
  const kept = useKept(document, `${tag}|${reach}`);
  const step = kept?.step_s ?? 60;
  const tail = useTail(tag, inventory);
  const until = (inventory ? Date.parse(inventory.time) : (siteNow() ?? 0)) / 1000;
  const from = until - RANGES[reach];
  const series = useMemo(
    () => Object.fromEntries(names.map((name) => [name, joined(kept?.figures?.[name], tail[name] ?? [], step, from)])),
    [names.join(), kept, tail, step, from],
  );
  return html`<section class="tank-trends" aria-labelledby="tank-trends">
    <h2 id="tank-trends">${word("tank.trends")}</h2>
    <div class="trend-choices" role="group" aria-label=${word("trend.reach")}>
      ${Object.keys(RANGES).map((each) => html`<button key=${each} type="button" aria-pressed=${each === reach} onClick=${() => (setReach(each), lookAt(null))}>${word(`trend.${each}`)}</button>`)}
    </div>
    <div class="trend-choices" role="group" aria-label=${word("trend.figures")}>
      ${offered.map((each) => html`<button key=${each} type="button" aria-pressed=${names.includes(each)} onClick=${() => choose(names.includes(each) ? names.filter((name) => name !== each) : offered.filter((name) => name === each || names.includes(name)))}>${word(`trend.name.${each}`)}</button>`)}
      <button type="button" aria-pressed=${isWhole} onClick=${() => setWhole(!isWhole)}>${word("trend.whole")}</button>
    </div>
    ${error && html`<${Trouble} error=${error} again=${again} about=${word("trend.not_read")} />`}
    ${!kept && !error && html`<${Waiting} about=${word("tank.trends")} />`}
    ${(kept || error) &&
    names.map((name) => kept && !error && !kept.figures[name] ? html`<${Waiting} key=${name} about=${titleOf(name)} />` : html`<${One} key=${name} name=${name} points=${series[name]} unit=${inventory?.figures[name]?.unit} step=${step} from=${from} until=${until} fixed=${fixed} isWhole=${isWhole} at=${at} onAt=${lookAt} />`)}
    ${(kept || error) && names.length > 0 && html`<${Look} from=${from} until=${until} step=${step} at=${at} onAt=${lookAt} said=${(second) => names.map((name) => `${titleOf(name)} ${pointText(name, series[name], second, step)}`).join("; ")} />
      <${Legend} />
      <${Points} names=${names} series=${series} step=${step} />`}
  </section>`;
}

/** What stays the same while nothing is moved: of a liquid that evaporates only the mass of both. */
function amountOf(has) {
  if (has("total_mass")) return "total_mass";
  return has("gsv") ? "gsv" : "mass";
}

function pathOf(tag, figures, until, seconds) {
  const iso = (ms) => new Date(ms).toISOString();
  const query = new URLSearchParams({ from: iso(until - seconds * 1000), until: iso(until), points: String(POINTS), figures: figures.join(",") });
  return `/api/1/tanks/${encodeURIComponent(tag)}/trend?${query}`;
}

/** What the ledger gave last for this tank and reach: it stays until there is newer. */
function useKept(document, key) {
  const kept = useRef({ key, document: null });
  if (kept.current.key !== key) kept.current = { key, document: null };
  if (document) kept.current.document = document;
  return kept.current.document;
}

/** What has come while this was open: by figure, {at, value, quality} of each sheet. */
function useTail(tag, inventory) {
  const tail = useRef({ tag, time: null, found: {} });
  if (tail.current.tag !== tag) tail.current = { tag, time: null, found: {} };
  const own = tail.current;
  if (inventory && inventory.time !== own.time) {
    const at = Date.parse(inventory.time) / 1000;
    // By the time that the oldest go, the ledger, if there is one, has been asked again.
    const put = (name) => [...(own.found[name] ?? []).slice(-MOST_SHEETS), { at, value: inventory.figures[name]?.value ?? null, quality: inventory.figures[name]?.quality }];
    tail.current = { tag, time: inventory.time, found: Object.fromEntries(FIGURES.map((name) => [name, put(name)])) };
  }
  return tail.current.found;
}

function joined(figure, tail, step, from) {
  return withLive(pointsOf(figure), tail, step).filter((point) => point.start + step > from);
}

function One({ name, points, unit, step, from, until, fixed, isWhole, at, onAt }) {
  const lines = useMemo(() => drawn(points, step, from, until), [points, step]);
  const dimension = dimensionOf(name, unit ?? { level: "m" }[name] ?? "1");
  const found = extent(points);
  const least = LEAST[name] ?? Math.max(1e-6, LEAST_PART * Math.abs(found?.[1] ?? 1));
  const whole = isWhole ? (name === "level" || name === "water_level" ? [fixed.lowest, fixed.full] : [Math.min(0, found?.[0] ?? 0), (found?.[1] ?? 1) * 1.05]) : null;
  const limits = name === "level" ? fixed.limits.map(({ limit, level }) => ({ name: `${word(`limit.${limit}`)} ${text(level, "length")}`, level })) : [];
  const summary = summaryText(name, dimension, points, found, lines);
  return html`<figure class="one-trend">
    <figcaption><strong>${titleOf(name)}</strong> <span class="quiet">${plainSign(dimension)}</span> <span class="small">${changeText(name, points)}</span> ${at !== null && html`<span class="looked">${full(at * 1000)}: ${pointText(name, points, at, step)}</span>`}</figcaption>
    ${found === null
      ? html`<p class="quiet">${word(points.length === 0 ? "trend.nothing" : "trend.no_values")}</p>`
      : html`<${Trend} lines=${lines} from=${from} until=${until} dimension=${dimension} scale=${range(found, least, whole)} limits=${limits} at=${at} onAt=${onAt} label=${summary} />`}
  </figure>`;
}

function Legend() {
  const keys = [
    ["line", word("quality.Good")],
    ["line dashed", word("quality.Uncertain")],
    ["bracket", word("trend.legend_bad", { bad: word("quality.Bad") })],
    ["bracket unkept", word("trend.unkept")],
    ["band", word("trend.legend_band")],
  ];
  return html`<p class="trend-legend quiet small">${keys.map(([kind, text]) => html`<span key=${kind} class="key"><span class=${kind}></span> ${text}</span>`)}</p>`;
}
