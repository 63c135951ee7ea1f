// One tank: how it stands and whether that can be believed, then what that rests on.
import { html, useRef } from "../html.js";
import { way } from "../go.js";
import { isLive, isOver, useEachSecond, useRow, useSite } from "../live.js";
import { useAsked } from "../parts/asked.js";
import { DipRecord } from "../parts/dip_record.js";
import { Profile } from "../parts/profile.js";
import { Trouble, Waiting } from "../parts/said.js";
import { text } from "../numbers.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { EnterView } from "./enter.js";
import { Alarms } from "./tank/alarms.js";
import { Figures } from "./tank/figures.js";
import { Entered, Happened } from "./tank/given.js";
import { Head } from "./tank/head.js";
import { Transfers } from "./tank/movements.js";
import { Plan, Readings } from "./tank/rests.js";
import { Sheet } from "./tank/sheet.js";
import { Trends } from "./tank/trends.js";
import { titleOf, Value } from "./tank/value.js";
import { whyOf } from "./tank/why.js";

/** The sheet is asked for again when the live view has a newer one, at most so often. */
const PAUSE_MS = 3000;

export function TankView({ rest }) {
  const word = useWords();
  const site = useSite();
  const [tag, what] = rest;
  const seen = useRef(null);
  if (!tag) return html`<${Which} site=${site} />`;
  if (what === "enter") return html`<${EnterView} rest=${[tag]} />`;
  if (!site) return html`<${Waiting} about=${tag} />`;
  const fixed = site.tanks[tag];
  if (fixed) seen.current = fixed;
  if (fixed) return html`<${Tank} tag=${tag} fixed=${fixed} />`;
  // A reload of the site file has taken it away while it was looked at.
  return html`<h1>${tag}</h1>
    <p role="alert">${word(seen.current ? "tank.removed" : "tank.unknown", { tank: tag, site: site.name })}</p>
    <${Which} site=${site} />`;
}

function Which({ site }) {
  const word = useWords();
  return html`<h2>${word("tank.which")}</h2>
    <ul class="tank-which">${Object.keys(site?.tanks ?? {}).map((tag) => html`<li key=${tag}><a class="button" href=${way("tank", tag)}>${tag}</a></li>`)}</ul>`;
}

function Tank({ tag, fixed }) {
  const word = useWords();
  const row = useRow(tag);
  const live = useEachSecond(() => isLive(row));
  const { document, error, again } = useAsked(`/api/1/tanks/${encodeURIComponent(tag)}`, row?.time, PAUSE_MS);
  const inventory = document?.inventory ?? null;
  const plan = document?.plan ?? null;
  // The document is of the sheet that it was asked at: it is the present as long as that holds.
  const old = useEachSecond(() => !live || isOver(inventory?.valid_until));
  const why = inventory ? whyOf(inventory.figures) : [];
  return html`<article class="tank" aria-label=${tag}>
    <${Head} tag=${tag} fixed=${fixed} row=${row} why=${why} />
    ${error && html`<${Trouble} error=${error} again=${again} about=${inventory ? word("tank.not_newer", { time: full(inventory.time) }) : ""} />`}
    ${!document && !error && html`<${Waiting} about=${tag} />`}
    ${document && !inventory && html`<p role="status">${word("row.awaited")}</p>`}
    <div class="tank-columns">
      <div>
        <${Alarms} tag=${tag} />
        <${Trends} tag=${tag} fixed=${fixed} inventory=${inventory} />
        ${inventory && html`<${Temperatures} inventory=${inventory} plan=${plan} fixed=${fixed} old=${old} />`}
      </div>
      <div>
        ${inventory && html`<${Figures} inventory=${inventory} plan=${plan} why=${why} old=${old} />`}
        <${Transfers} tag=${tag} fixed=${fixed} />
        <${Entered} tag=${tag} fixed=${fixed} plan=${plan} turn=${`${row?.by_hand}|${row?.maintenance}`} />
      </div>
    </div>
    ${inventory && html`<${Sheet} tag=${tag} turn=${inventory.time} old=${old} />`}
    ${document && html`<${Readings} readings=${document.readings} old=${old} />`}
    <${DipRecord} tag=${tag} turn=${row?.by_hand} />
    <${Happened} tag=${tag} />
    ${plan && html`<${Plan} plan=${plan} />`}
  </article>`;
}

function Temperatures({ inventory, plan, fixed, old }) {
  const word = useWords();
  const { figures, elements } = inventory;
  const names = (plan?.elements ?? []).map((each) => each.name);
  return html`<section aria-labelledby="tank-profile">
    <h2 id="tank-profile">${word("tank.profile")}</h2>
    ${elements.length === 0 && html`<p class="quiet">${word("profile.none")}</p>`}
    <${Profile} elements=${elements} names=${names} level=${figures.level.value} water=${figures.water_level.value} lowest=${fixed.lowest} top=${fixed.reference_height ?? fixed.full} old=${old} doubtful=${figures.level.quality === "Uncertain"}>
      <dl class="tank-beside">
        ${["liquid_temperature", "temperature_spread", "vapour_temperature"].map(
          (name) => html`<div key=${name}><dt>${titleOf(name)}</dt><dd><${Value} name=${name} figure=${figures[name]} old=${old} /></dd></div>`,
        )}
        <div><dt>${word("plan.heel")}</dt><dd>${plan?.table?.heel > 0 ? text(plan.table.heel, "volume") : word("plan.no_heel")}</dd></div>
        <div><dt>${titleOf("water_level")}</dt><dd><${Value} name="water_level" figure=${figures.water_level} old=${old} /></dd></div>
      </dl>
    <//>
  </section>`;
}
