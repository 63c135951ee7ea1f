// All figures of the newest sheet, in the order of their calculation.
import { html } from "../../html.js";
import { referenceText, text } from "../../numbers.js";
import { codeWord } from "../../parts/account_figures.js";
import { full } from "../../times.js";
import { hasWord, word } from "../../words.js";
import { AT_REFERENCE, noneOf, titleOf, Value } from "./value.js";
import { numbersOf, qualityWord } from "./why.js";

const GROUPS = {
  level: ["level", "ullage", "second_level", "level_difference", "water_level"],
  temperature: ["liquid_temperature", "temperature_spread", "vapour_temperature", "ambient_temperature", "shell_temperature"],
  volume: ["tov", "fill", "free_water", "head_adjustment", "ctsh", "roof_displacement", "gov", "ctl", "cpl", "gsv", "sediment_water", "nsv"],
  mass: ["mass", "weight_in_air", "net_mass", "net_weight_in_air", "solute_mass", "vapour_density", "vapour_mass", "total_mass"],
  density: ["reference_density", "observed_density", "measured_density", "density_difference"],
  space: ["pumpable", "room"],
  pressure: ["bottom_pressure", "vapour_pressure"],
};
/** People look for these; where a tank has none it is said in their place. */
const ALWAYS = new Set(
  "level water_level liquid_temperature tov free_water gov ctl ctsh gsv nsv mass weight_in_air reference_density pumpable room".split(" "),
);
const SYMBOLS = {
  tov: "TOV", free_water: "FW", gov: "GOV", ctl: "CTL", ctsh: "CTSh", cpl: "CPL", gsv: "GSV", nsv: "NSV", sediment_water: "S&W", roof_displacement: "FRA",
};

export function Figures({ inventory, plan, why, old }) {
  const { figures } = inventory;
  const known = new Set(Object.values(GROUPS).flat());
  const groups = { ...GROUPS, other: Object.keys(figures).filter((name) => !known.has(name)) };
  const isShown = (name) => figures[name] && (ALWAYS.has(name) || noneOf(figures[name]) !== "not_applicable");
  const left = Object.keys(figures).filter((name) => !isShown(name));
  const reference = inventory.reference_temperature;
  return html`<section class="tank-figures" aria-labelledby="tank-figures">
    <h2 id="tank-figures">${word("tank.figures")}</h2>
    <p class="quiet small">
      ${word("tank.of", { time: full(inventory.time) })} ${reference ? word("tank.reference", { temperature: referenceText(reference.value) }) : word("tank.no_reference")}
    </p>
    <div class="figure-groups">
      ${Object.entries(groups).map(([group, names]) => {
        const wanted = names.filter(isShown);
        if (wanted.length === 0) return null;
        return html`<div key=${group}>
          <h3>${word(`tank.group.${group}`)}</h3>
          <dl>${wanted.map((name) => html`<${Row} key=${name} name=${name} figure=${figures[name]} why=${why} old=${old} reference=${reference} />`)}</dl>
        </div>`;
      })}
    </div>
    <${Origins} inventory=${inventory} plan=${plan} />
    ${left.length > 0 && html`<p class="quiet small">${word("tank.not_applicable", { figures: left.map((name) => titleOf(name)).join(", ") })}</p>`}
  </section>`;
}

function Row({ name, figure, why, old, reference }) {
  const numbers = numbersOf(figure, why);
  const isPlain = figure.quality === "Good" && numbers.length === 0;
  return html`<div class=${`figure-row quality-${figure.quality}`}>
    <dt>
      ${titleOf(name)}${SYMBOLS[name] && html` <abbr class="quiet">${SYMBOLS[name]}</abbr>`}
      ${AT_REFERENCE.has(name) && reference && html` <span class="quiet">${word("tank.at", { temperature: referenceText(reference.value) })}</span>`}
    </dt>
    <dd class="number"><${Value} name=${name} figure=${figure} old=${old} /></dd>
    <dd class="small">
      ${isPlain
        ? html`<span class="quiet">${qualityWord(figure.quality)}</span>`
        : numbers.length === 0
          ? qualityWord(figure.quality)
          : html`<details><summary>${figure.quality === "Good" ? word("tank.remark") : qualityWord(figure.quality)} <span class="quiet">${numbers.join(", ")}</span></summary>
              ${numbers.map((number) => html`<p key=${number}>${why[number - 1].text}</p>`)}</details>`}
    </dd>
  </div>`;
}

/** Where the main inputs came from, and of when the density is. */
function Origins({ inventory, plan }) {
  const told = Object.entries(inventory.sources).map(([what, source]) => {
    const key = `source.${what}.${source}`;
    return html`<div key=${what}><dt>${word(`tank.group.${what === "water" ? "water" : what}`)}</dt><dd>${hasWord(key) ? word(key) : source}${instrument(plan, what, source)}</dd></div>`;
  });
  return html`<dl class="tank-origins">
    ${told}
    ${(plan?.density ?? []).map(
      (each, i) => html`<div key=${`density-${i}`}><dt>${word("tank.density_given")}</dt><dd><${Density} density=${each} reference=${inventory.reference_temperature} /></dd></div>`,
    )}
  </dl>`;
}

function instrument(plan, what, source) {
  const measured = ["gauge", "second_gauge", "pressure", "probe"].includes(source);
  const key = { level: source === "second_gauge" ? "second_level" : source === "pressure" ? "bottom_pressure" : "level", water: "water" }[what];
  const found = plan?.instruments?.[key] ?? (source === "pressure" ? plan?.instruments?.level : undefined);
  return measured && found ? `, ${found}` : "";
}

function Density({ density, reference }) {
  const at = density.at === "reference" && reference ? word("tank.at", { temperature: referenceText(reference.value) }) : word("tank.at_tank_temperature");
  const dates = [
    density.entered && word("tank.entered_at", { time: full(density.entered) }),
    density.expires && word("tank.holds_until", { time: full(density.expires) }),
    density.how,
  ].filter(Boolean);
  return html`${text(density.value, "density")} ${at}; ${codeWord("density_origin", density.origin)}${dates.length > 0 && `; ${dates.join("; ")}`}`;
}
