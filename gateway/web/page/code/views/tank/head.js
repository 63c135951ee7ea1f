// The head of a tank's page: what it is, how far it can be believed and why, how old, and the ruled line at full size.
import { html } from "../../html.js";
import { isLive, siteNow, useEachSecond, useSite, useTop } from "../../live.js";
import { referenceText, text } from "../../numbers.js";
import { Age, measuredAt } from "../../parts/age.js";
import { Figure, figureName, reasonText } from "../../parts/figure.js";
import { Ruler } from "../../parts/ruler.js";
import { stillnessText } from "../../parts/stillness.js";
import { clock, full, span, withZone } from "../../times.js";
import { told } from "../../sentences.js";
import { retyped } from "../../told_numbers.js";
import { hasWord, word } from "../../words.js";
import { qualityWord, Why } from "./why.js";

export function Head({ tag, fixed, row, why }) {
  const live = useEachSecond(() => isLive(row));
  const held = row?.product ?? fixed.product;
  const product = useSite()?.products?.[held]?.title ?? held;
  const entered = (useTop("entered") ?? []).filter((each) => concerns(each, tag, fixed));
  return html`<header class="tank-head">
    <h1>${tag} <span class="product">${product}</span></h1>
    ${fixed.description && html`<p class="quiet">${fixed.description}</p>`}
    ${row
      ? html`<p class=${`tank-quality ${live ? "" : "doubtful"}`}>
            <strong>${live ? qualityWord(row.quality) : word("tank.not_live")}</strong>
            ${" · "}<${Age} time=${measuredAt(row)} />
            ${row.simulated && html`${" · "}<strong>${word("row.simulated")}</strong>`}
            ${row.by_hand && html`${" · "}✎ ${word("row.by_hand")}`}
            ${row.maintenance && html`${" · "}[ ${word("row.maintenance")} ]`}
          </p>
          ${!live && html`<p class="small">${word("tank.was", { quality: qualityWord(row.quality), time: full(row.time) })}</p>`}`
      : html`<p role="status">${word("row.awaited")}</p>`}
    <${Why} why=${why} />
    ${entered.length > 0 && html`<ul class="tank-entered">${entered.map((each) => html`<li key=${each.text}>✎ ${enteredText(each)}${each.used ? "" : ` (${word("tank.not_used")})`}</li>`)}</ul>`}
    ${row && html`<${Ruler} row=${row} fixed=${fixed} tall=${true} /><${Chief} row=${row} live=${live} fixed=${fixed} /><${Course} row=${row} live=${live} fixed=${fixed} />`}
  </header>`;
}

/** What is entered of what, by whom and until when; of a product, which the gateway tells, as it tells it. */
function enteredText({ about, quantity, text: sentence, value, by, ends, stands_in: standsIn }) {
  if (!by) return told(sentence);
  const what = [quantity === "maintenance" ? about : "", hasWord(`entered.${quantity}`) ? word(`entered.${quantity}`) : word(`quantity.${quantity}`)];
  return [
    [...what, value && retyped(value)].filter(Boolean).join(" "),
    word("account.by", { who: by }),
    ends && word("tank.until", { time: clock(ends, siteNow()) }),
    standsIn && word("tank.stands_in"),
  ].filter(Boolean).join(", ");
}

/** Whether something entered is about this tank or one of its instruments. */
export function concerns(entry, tag, fixed) {
  return entry.about === tag || Boolean(fixed?.fed_by?.includes(entry.about));
}

/** The figures that a shift lives by, of the live view. */
function Chief({ row, live, fixed }) {
  const reference = fixed.reference_temperature;
  const has = (fig) => fig && fig.none !== "not_applicable";
  const shown = [
    ["level", row.level],
    ["temperature", row.temperature],
    ...(has(row.gsv) ? [["gsv", row.gsv, reference && word("figure.at", { temperature: referenceText(reference.value) })]] : []),
    ["mass", row.mass],
    ["water", row.water],
    ["room", row.room],
    ["pumpable", row.pumpable],
  ];
  return html`<dl class="tank-chief">
    ${shown.map(
      ([name, fig, beside]) =>
        html`<div key=${name}><dt>${figureName(name, row)}${beside && ` ${beside}`}</dt><dd><${Figure} fig=${fig} old=${!live} down=${name === "room" || name === "pumpable"} /></dd></div>`,
    )}
  </dl>`;
}

/** How it moves, and every limit with its level, and by the clock when it is reached. */
function Course({ row, live, fixed }) {
  const times = new Map((live ? (row.times ?? []) : []).map((each) => [each.limit, each]));
  const rate = row.rate;
  const hasRate = live && rate && rate.v !== null && rate.v !== undefined;
  const moves = live && (row.motion === "filling" || row.motion === "emptying");
  return html`<div class="tank-course">
    <p>
      <strong>${live ? word(`tank.motion.${row.motion}`) : word("tank.motion.unknown")}</strong>
      ${live && row.activity && html` (${word(`activity.${row.activity}`)})`}
      ${moves && (hasRate ? html` ${text(Math.abs(rate.v), "flow")}${rate.q === "Uncertain" ? ` ? ${reasonText(rate.r)}` : ""}` : html` ${word("tank.rate_unknown")}`)}
      ${live && stillnessText(row) && html`: <span class=${row.still?.within === false ? "fresh" : ""}>${stillnessText(row)}</span>`}
      ${moves && times.size === 0 && html`; ${word("course.unknown")}${rate?.r ? `: ${reasonText(rate.r)}` : ""}`}
    </p>
    <ul class="tank-limits">
      ${[...fixed.limits].reverse().map(({ limit, level }) => {
        const time = times.get(limit);
        const passed = isPassed(row, limit);
        return html`<li key=${limit} class=${passed ? "passed" : ""}>
          <span>${word(`limit.${limit}`)}</span> <span>${text(level, "length")}</span>
          ${time && html` <span class="when">${word("tank.time_to", { time: clock(time.at, siteNow()), zone: zoneOf(time.at), span: span(time.in_s), rate: hasRate ? text(Math.abs(rate.v), "flow") : "?" })}</span>`}
          ${passed && html` <strong>${word(limit === "minimum" ? "tank.passed_below" : "tank.passed")}</strong>`}
        </li>`;
      })}
      ${fixed.limits.length === 0 && html`<li>${word("tank.no_limits")}</li>`}
    </ul>
    ${row.still && html`<p class="quiet small">${word("caution.leak")}</p>`}
    <p class="quiet small">${word("caution.monitoring")} ${word("caution.people")}</p>
  </div>`;
}

const ORDER = ["minimum", "maximum_working", "high_high", "critical_high"];

function isPassed(row, limit) {
  const state = row.limit_state ?? "";
  if (state === "below_minimum") return limit === "minimum";
  const reached = ORDER.indexOf(state.replace("above_", ""));
  return reached > 0 && limit !== "minimum" && ORDER.indexOf(limit) <= reached;
}

function zoneOf(instant) {
  return withZone(instant).split(" ").slice(1).join(" ");
}
