// The first view, in the order in which it is needed: what needs someone, what moves, everything else.
import { html, useEffect, useState } from "../html.js";
import { get } from "../ask.js";
import { way } from "../go.js";
import { isLive, row, siteNow, tags, useEachSecond, useSite, useTags, useTop } from "../live.js";
import { Age } from "../parts/age.js";
import { AlarmButtons } from "../parts/alarm_acts.js";
import { alarmCaution, alarmName } from "../parts/alarm_words.js";
import { reasonText } from "../parts/figure.js";
import { floodAmong } from "../parts/flood.js";
import { PriorityMark } from "../parts/mark.js";
import { NotYet } from "../parts/not_yet.js";
import { SITE_FILE } from "../parts/permits.js";
import { TankRow } from "../parts/tank_row.js";
import { NextClose, OpenTransfers, Totals } from "../parts/totals.js";
import { actName } from "../parts/act_name.js";
import { told } from "../sentences.js";
import { useSession } from "../session.js";
import { useStillWaiting } from "../still_waiting.js";
import { clock, full } from "../times.js";
import { useWords, word } from "../words.js";

/** What is done to an alarm without going to its page. */
const HERE = ["acknowledge"];
const HIDDEN = ["shelved", "suppressed", "out_of_service"];
const FEW_TANKS = 25;
const TRENDS_AGAIN_MS = 10 * 60_000;

export function Overview() {
  const word = useWords();
  const site = useSite();
  const present = useTags();
  const trends = useSmallTrends();
  // Which tanks move changes seldom: a text is compared, so that the rows alone are drawn when figures change.
  const moving = useEachSecond(() => present.filter(moves).join("\n"));
  const unknown = useEachSecond(() => present.filter(isUnknown).length);
  if (!site) return html`<${NotYet} />`;
  const movers = moving ? moving.split("\n") : [];
  const rest = present.filter((tag) => !movers.includes(tag));
  const shown = (tag, grouped) =>
    html`<${TankRow} key=${tag} tag=${tag} fixed=${site.tanks[tag]} trend=${trends?.[tag]} grouped=${grouped} />`;
  return html`<div class="overview">
    <h1 class="unseen">${word("way.overview")}</h1>
    <div class="first">
      <${Needs} />
      <section aria-labelledby="moves">
        <h2 id="moves">${word("overview.moves")}</h2>
        ${movers.length ? html`<ul>${movers.map((tag) => shown(tag, false))}</ul>` : html`<p class=${unknown ? "" : "quiet"}>${unknown ? word("overview.none_seen", { count: unknown }) : word("overview.nothing_moves")}</p>`}
      </section>
      <${OpenTransfers} />
      <${NextClose} />
    </div>
    <section class="rest" aria-labelledby="rest">
      <h2 id="rest">${word("overview.rest", { count: rest.length, of: present.length })}</h2>
      <div class="groups">
        ${Object.entries(byProduct(present, site)).map(
          ([product, tanks]) =>
            html`<${Group} key=${product} product=${product} tanks=${tanks.filter((tag) => !movers.includes(tag))} of=${tanks.length} few=${present.length <= FEW_TANKS} shown=${shown} />`,
        )}
      </div>
      ${present.length > 0 && html`<p class="all-products"><strong>${word("stock.all_products")}</strong> <${Totals} product=${null} /></p>`}
    </section>
  </div>`;
}

/** Tanks of one product, with the sum of all of them, of which `of` there are: those that move are above. Closed it has their names only: so they are found, and hundreds of rows are not kept true unseen. */
function Group({ product, tanks, of, few, shown }) {
  const word = useWords();
  const [open, setOpen] = useState(few);
  const moving = of - tanks.length;
  const summary = html`<strong>${product}</strong>${" "}
    <span class="quiet">${word("overview.tanks", { count: of })}${moving > 0 && `, ${word("overview.of_it_moving", { moving })}`}</span> <${Totals} product=${product} />`;
  if (tanks.length === 0) return html`<p class="all-move">${summary}</p>`;
  return html`<details open=${open} onToggle=${(event) => setOpen(event.currentTarget.open)}>
    <summary>${summary}</summary>
    <ul>${tanks.map((tag) => (open ? shown(tag, true) : html`<li key=${tag}><a class="tag" href=${way("tank", tag)}>${tag}</a></li>`))}</ul>
  </details>`;
}

function moves(tag) {
  const motion = row(tag).value?.motion;
  return motion === "filling" || motion === "emptying";
}

/** Whether nobody can tell if it moves: what is old, lost or only begun is not at rest by that. */
export function isUnknown(tag) {
  const each = row(tag).value;
  return !isLive(each) || each.motion !== "at_rest";
}

function byProduct(tanks, site) {
  const groups = {};
  for (const tag of tanks) (groups[row(tag).value?.product ?? site.tanks[tag].product] ??= []).push(tag);
  return groups;
}

/** What needs someone, worst first; and how many of everything that is not as it should be. */
function Needs() {
  const word = useWords();
  const alarms = useTop("alarms") ?? [];
  const asked = useStillWaiting(useTop("waiting") ?? []);
  const proposed = useStillWaiting(useTop("site_file") ?? []);
  const waiting = alarms.filter((each) => !HIDDEN.includes(each.alarm.phase));
  const counts = useEachSecond(() => counted().join(" "));
  const [stale, bad, uncertain, byHand, maintained, awaited] = counts.split(" ").map(Number);
  const flood = useEachSecond(() => floodAmong(waiting, siteNow() ?? 0));
  // In a flood what to do stands at the worst of each tank alone: else all else is out of sight.
  const worst = new Map([...waiting].reverse().map((each) => [each.tank, each]));
  const hidden = alarms.length - waiting.length;
  const told = { stale, bad, uncertain, byHand, maintained, awaited, hidden };
  const quiet = waiting.length + asked.length + proposed.length === 0 && stale + bad + awaited === 0;
  return html`<section aria-labelledby="needs">
    <h2><span id="needs">${word("overview.needs")}</span>${waiting.length > 1 && html`<span class="quiet" aria-hidden="true"> ${waiting.length}</span>`}</h2>
    ${flood > 0 && html`<p class="flood" role="status"><strong>${word("alarms.flood", { count: flood })}</strong> ${word("alarms.flood_what")}</p>`}
    ${quiet ? html`<p>${word("overview.nobody")} <${LastChecked} /></p>` : null}
    <ul>${waiting.map((each) => html`<${Need} key=${`${each.tank} ${each.alarm.name}`} each=${each} isWorst=${flood === 0 || each.tank === null || worst.get(each.tank) === each} />`)}</ul>
    ${asked.length > 0 && html`<p class="need-second"><a class="fresh" href=${way("enter")}>${word("overview.second", { count: asked.length })}</a> <span class="small">${asked.map(secondText).join("; ")}</span></p>`}
    <${ProposedSite} proposed=${proposed} />
    <p class="counts small">
      ${Object.entries(told)
        .filter(([, count]) => count > 0)
        .map(([name, count]) => html`<span key=${name} class=${name === "stale" || name === "bad" ? "fresh" : ""}>${word(`counts.${name}`, { count })}</span>`)}
    </p>
  </section>`;
}

/** Who may not look at the site file sees that it waits, and is led nowhere. */
function ProposedSite({ proposed }) {
  const word = useWords();
  const { may } = useSession();
  if (!proposed.length) return null;
  const said = word("overview.site_file", { count: proposed.length });
  return html`<p class="need-second">${may.includes(SITE_FILE) ? html`<a class="fresh" href=${way("site")}>${said}</a>` : html`<span class="fresh">${said}</span>`} <span class="small">${proposed.map((each) => word("overview.site_file_of", { ...each, ends: full(each.ends) })).join("; ")}</span></p>`;
}

/** What is asked for, of which tank and by whom. */
function secondText(each) {
  return word("overview.second_of", { what: [actName(each), each.tank].filter(Boolean).join(" "), by: each.by });
}

function LastChecked() {
  const newest = useEachSecond(() => {
    const times = tags.value.map((tag) => row(tag).value?.time ?? "");
    return times.reduce((latest, time) => (time > latest ? time : latest), "");
  });
  const word = useWords();
  return html`<span class="quiet">${word("overview.last_checked")} <${Age} time=${newest} /></span>`;
}

function counted() {
  const all = tags.value.map((tag) => row(tag).value);
  const rows = all.filter(Boolean);
  const count = (wanted) => rows.filter(wanted).length;
  return [
    count((each) => !isLive(each)),
    count((each) => each.quality === "Bad"),
    count((each) => each.quality === "Uncertain"),
    count((each) => each.by_hand),
    count((each) => each.maintenance),
    all.length - rows.length,
  ];
}

function Need({ each, isWorst }) {
  const word = useWords();
  const { tank, alarm, action } = each;
  const fresh = alarm.phase === "unacknowledged" || alarm.phase === "returned";
  return html`<li class=${`need ${fresh ? "fresh-need" : ""}`}>
    <${PriorityMark} priority=${alarm.priority} fresh=${fresh} />
    <div>
      <a class="tag" href=${tank ? way("tank", tank) : way("lines")}>${tank ?? word("overview.gateway")}</a> <a class=${fresh ? "fresh" : ""} href=${way("alarms")}>${alarmName(alarm)}</a>
      ${alarm.raised && html` <span class="quiet">${word("need.since", { time: clock(alarm.raised, siteNow() ?? Date.parse(alarm.raised)) })}</span>`}
      ${!alarm.active && html` <span>${word("need.over")}</span>`}
      ${alarm.by && html` <span>${word("need.has", { by: alarm.by })}</span>`}
      ${alarm.reason && html`<p class="small">${reasonText(alarm.reason)}</p>`}
      ${isWorst && html`<p class="small">${told(action)}</p>`}
      ${isWorst && alarmCaution(alarm.kind) && html`<p class="small quiet">⚠ ${alarmCaution(alarm.kind)}</p>`}
      <${AlarmButtons} each=${each} only=${HERE} />
    </div>
  </li>`;
}

/** Of every tank [seconds, level or null, quality], in order. */
function pointsOf({ begin_s: begin, step_s: step, tanks: trends }) {
  return Object.fromEntries(
    Object.entries(trends).map(([tag, { last, quality }]) => [tag, last.map((level, index) => [begin + index * step, level, quality[index]])]),
  );
}

function useSmallTrends() {
  const [trends, setTrends] = useState(null);
  useEffect(() => {
    let open = true;
    // A level is beside its trend, not behind it: without a ledger there is none, and nothing waits for it.
    const load = () =>
      get("/api/1/small-trends")
        .then((document) => open && setTrends(pointsOf(document)))
        .catch(() => {});
    load();
    const timer = setInterval(load, TRENDS_AGAIN_MS);
    return () => {
      open = false;
      clearInterval(timer);
    };
  }, []);
  return trends;
}
