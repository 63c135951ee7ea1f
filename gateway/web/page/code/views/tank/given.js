// What people have entered of one tank and its instruments and how long it holds, its dips, and what has happened to it.
import { html, useState } from "../../html.js";
import { get } from "../../ask.js";
import { siteNow } from "../../live.js";
import { DIMENSIONS, text } from "../../numbers.js";
import { codeWord } from "../../parts/account_figures.js";
import { useAsked } from "../../parts/asked.js";
import { reasonText } from "../../parts/figure.js";
import { Trouble, Waiting } from "../../parts/said.js";
import { told } from "../../sentences.js";
import { clock, full } from "../../times.js";
import { retyped } from "../../told_numbers.js";
import { hasWord, word } from "../../words.js";
import { concerns } from "./head.js";

/** The gateway gives 31 at most, by its own clock. */
const DAYS = 30;
const DIPS = ["level", "water"];

/** `turn`: when what is in force may have changed. */
export function Entered({ tag, fixed, plan, turn }) {
  const { document, error, again } = useAsked("/api/1/entered", turn, 5000);
  const own = (document?.entries ?? []).filter((each) => concerns(each, tag, fixed));
  // Of the site file; what people entered while the gateway ran has its own line, with who and why.
  const others = (plan?.by_hand ?? []).filter((each) => !own.some((entry) => entry.quantity === each.quantity && entry.used));
  return html`<section aria-labelledby="tank-entered">
    <h2 id="tank-entered">${word("tank.entered")}</h2>
    ${error && html`<${Trouble} error=${error} again=${again} />`}
    ${!document && !error && html`<${Waiting} about=${word("tank.entered")} />`}
    ${document && own.length === 0 && others.length === 0 && html`<p class="quiet">${word("tank.nothing_entered")}</p>`}
    <ul>
      ${own.map(
        (each, i) =>
          html`<li key=${i}>
            ✎ <strong>${quantity(each.quantity)}</strong> ${retyped(each.block?.value ?? "")} ${each.about !== tag && html`(${each.about})`}
            ${" · "}${word("tank.by_at", { by: each.by, time: full(each.at) })}
            ${each.ends && html`${" · "}<strong>${word("tank.until", { time: clock(each.ends, siteNow()) })}</strong>`}
            ${each.why && html`${" · "}${each.why}`}
            ${each.stands_in && html`${" · "}${word("tank.stands_in")}`}
            ${!each.used && html`${" · "}${word("tank.not_used")}`}
            ${[each.trouble, each.other].filter(Boolean).map((remark) => html`${" · "}${told(remark)}`)}
          </li>`,
      )}
      ${others.map(
        (each) =>
          html`<li key=${each.quantity}>
            ✎ <strong>${quantity(each.quantity)}</strong> ${text(each.value, each.quantity === "sediment_water" ? "percent" : DIMENSIONS[each.unit])}
            ${" · "}${codeWord("density_origin", each.origin)}
            ${each.entered && html`${" · "}${word("tank.entered_at", { time: full(each.entered) })}`}
            ${each.expires && html`${" · "}<strong>${word("tank.until", { time: clock(each.expires, siteNow()) })}</strong>`}
            ${each.stands_in && html`${" · "}${word("tank.stands_in")}`}
          </li>`,
      )}
    </ul>
  </section>`;
}

function quantity(name) {
  const key = `entered.${name}`;
  return hasWord(key) ? word(key) : name;
}

/** Dips, and everything else that happened of late: asked for when it is opened. */
export function Happened({ tag }) {
  const [isOpen, open] = useState(false);
  return html`<details open=${isOpen} onToggle=${(event) => open(event.currentTarget.open)}>
    <summary><h2>${word("tank.happened")}</h2></summary>
    ${isOpen && html`<${Events} tag=${tag} />`}
  </details>`;
}

function Events({ tag }) {
  const [from] = useState(() => new Date((siteNow() ?? Date.now()) - DAYS * 86_400_000).toISOString());
  const path = `/api/1/tanks/${encodeURIComponent(tag)}/events?${new URLSearchParams({ from })}`;
  const { document, error, again } = useAsked(path);
  const [older, setOlder] = useState({ pages: [], error: null });
  if (error) return html`<${Trouble} error=${error} again=${again} />`;
  if (!document) return html`<${Waiting} about=${word("tank.happened")} />`;
  const pages = [document, ...older.pages];
  const { before } = pages[pages.length - 1];
  const more = () =>
    get(`${path}&before=${before}`).then(
      (page) => setOlder({ pages: [...older.pages, page], error: null }),
      (failure) => setOlder({ ...older, error: failure }),
    );
  const events = pages.flatMap((page) => page.events);
  const unreadable = pages.reduce((sum, page) => sum + page.unreadable, 0);
  const dips = events.filter((event) => event.kind === "value_entered" && DIPS.includes(event.subject));
  return html`<h3>${word("tank.dips")}</h3>
    ${dips.length === 0 ? html`<p class="quiet">${word(before === null ? "tank.no_dips" : "tank.no_dips_so_far", { days: DAYS })}</p>` : html`<${List} events=${dips} />`}
    <h3>${word("tank.events")}</h3>
    ${events.length === 0 ? html`<p class="quiet">${word("tank.no_events", { days: DAYS })}</p>` : html`<${List} events=${events} />`}
    ${unreadable > 0 && html`<p class="wrong">${word("tank.unreadable_events", { count: unreadable })}</p>`}
    ${older.error && html`<${Trouble} error=${older.error} />`}
    ${before !== null && html`<button type="button" onClick=${more}>${word("tank.older_events")}</button>`}`;
}

function List({ events }) {
  return html`<ul class="tank-events">
    ${events.map(
      (event, i) =>
        html`<li key=${i}><time class="quiet" datetime=${event.time}>${full(event.time)}</time> <strong>${kindOf(event)}</strong> ${event.reason ? reasonText(event.reason) : event.subject} ${event.by && html`<span class="quiet">${event.by}</span>`}</li>`,
    )}
  </ul>`;
}

function kindOf(event) {
  const key = `event.${event.kind}`;
  const kind = hasWord(key) ? word(key) : event.kind.replaceAll("_", " ");
  const alarm = `alarm.${event.subject}`;
  return event.alarm && hasWord(alarm) ? `${word(alarm)}: ${kind}` : kind;
}
