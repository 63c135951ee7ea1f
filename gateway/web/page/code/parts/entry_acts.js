// What people enter of a tank, or say of an instrument: the dialog of each act, with its cautions.
import { html } from "../html.js";
import { row, site } from "../live.js";
import { word } from "../words.js";
import { Present } from "./present.js";

const HOLDS = ["4 h", "8 h", "12 h", "24 h", "2 d", "7 d", "31 d"];
const SAMPLE_HOLDS = ["24 h", "7 d", "14 d", "31 d"];
const WORK = ["1 h", "2 h", "4 h", "8 h", "24 h", "7 d", "31 d"];

const why = (required) => ({ name: "why", label: word("field.why"), kind: "long", required, hint: word("field.why_hint") });
const when = (name, label) => ({ name, label, kind: "instant", keys: ["entered"] });
const until = (options, initial) => ({ name: "expires", label: word("field.holds"), kind: "ends", required: true, options, initial, keys: ["expires"] });

function spec(action, tank, more) {
  return {
    action,
    title: word(`acts.${action}.title`),
    about: tank,
    effect: word(`acts.${action}.effect`),
    verb: word(`acts.${action}.do`),
    fixed: { tank },
    ...more,
  };
}

/** What the instruments say of it now, beside the fields: whoever types sees at once what is far away. */
const present = (tank, names) => () => html`<${Present} tag=${tank} names=${names} />`;

export function dip(tank) {
  return spec("dip", tank, {
    cautions: [word("caution.dip"), word("caution.dip_static"), word("caution.dip_gas"), word("caution.phone")],
    aside: present(tank, ["level", "water"]),
    fields: [
      { name: "level", label: word("field.level"), kind: "quantity", quantity: "length", hint: word("field.level_hint"), keys: ["level.value"] },
      { name: "water", label: word("field.water"), kind: "quantity", quantity: "length", hint: word("field.water_hint"), keys: ["water.value", "free_water.value", "free_water"] },
      when("entered", word("field.measured")),
      until(HOLDS, "24 h"),
      why(false),
    ],
  });
}

export function temperature(tank) {
  return spec("temperature", tank, {
    cautions: [word("caution.dip"), word("caution.dip_static"), word("caution.dip_gas")],
    aside: present(tank, ["temperature"]),
    fields: [
      { name: "value", label: word("field.temperature"), kind: "quantity", quantity: "temperature", required: true, hint: word("field.temperature_hint"), keys: ["temperature.value", "temperature"] },
      when("entered", word("field.measured")),
      until(HOLDS, "24 h"),
      why(false),
    ],
  });
}

const BY = () => [
  ["", word("density_by.unsaid")],
  ["hydrometer", word("density_by.hydrometer")],
  ["density_meter", word("density_by.density_meter")],
];
const AT = () => [
  ["", word("density_at.reference")],
  ["tank", word("density_at.tank")],
  ["observed", word("density_at.observed")],
];

/** A density, where it holds and by what it was read. `p`: what its fields are called before "at" and "by". */
function densityFields(name, { at, by, required, when: shown = () => true }) {
  const observed = (values) => shown(values) && values.where === "observed";
  return [
    { name, label: word("field.density"), kind: "quantity", quantity: "density", required, keys: ["density.value", "density"] },
    { name: "where", label: word("field.density_at"), kind: "choice", initial: "", options: AT(), when: shown },
    { name: at, label: word("field.observed_at"), kind: "quantity", quantity: "temperature", required: true, when: observed, keys: ["density.at"] },
    { name: by, label: word("field.density_by"), kind: "choice", initial: "", options: BY(), when: shown, keys: ["density.by"] },
    {
      name: "made_for",
      label: word("field.made_for"),
      kind: "quantity",
      quantity: "temperature",
      hint: word("field.made_for_hint"),
      when: (values) => shown(values) && values[by] === "hydrometer",
      keys: ["density.made_for"],
    },
  ];
}

/** "where" is only asked here: the gateway knows `at` alone. */
function withAt(at) {
  return ({ where, ...request }) => (where && where !== "observed" ? { ...request, [at]: where } : request);
}

export function density(tank) {
  return spec("density", tank, {
    cautions: [word("caution.sample")],
    asks: withAt("at"),
    fields: [...densityFields("value", { at: "at", by: "by", required: true }), when("entered", word("field.sampled")), until(SAMPLE_HOLDS, "31 d"), why(false)],
  });
}

export function sedimentWater(tank) {
  return spec("sediment-water", tank, {
    cautions: [word("caution.sample")],
    fields: [
      { name: "value", label: word("field.sediment_water"), kind: "quantity", quantity: "share", required: true, keys: ["sediment_water.value", "sediment_water"] },
      when("entered", word("field.sampled")),
      until(SAMPLE_HOLDS, "31 d"),
      why(false),
    ],
  });
}

export function productChange(tank) {
  const held = row(tank).value?.product ?? site.value?.tanks[tank]?.product;
  const products = Object.entries(site.value?.products ?? {}).map(([name, { title }]) => [name, title && title !== name ? `${title} (${name})` : name]);
  const given = (values) => values.density.number.trim() !== "";
  return spec("product-change", tank, {
    about: word("enter.holds", { tank, product: held }),
    cautions: [word("caution.product")],
    asks: withAt("density_at"),
    fields: [
      { name: "product", label: word("field.product"), kind: "choice", required: true, options: products },
      { name: "effective", label: word("field.effective"), kind: "instant" },
      ...densityFields("density", { at: "density_at", by: "density_by", required: false, when: given }),
      { ...when("entered", word("field.sampled")), when: given },
      { ...until(SAMPLE_HOLDS, "31 d"), when: given },
      why(true),
    ],
  });
}

/** `instruments`: those to choose from; one alone is the one. */
export function maintenance(instruments, about) {
  const only = instruments.length === 1 ? instruments[0] : null;
  return spec("maintenance", null, {
    about: only ?? about,
    of: about,
    fixed: only ? { instrument: only } : {},
    cautions: [word("caution.work")],
    fields: [
      ...(only ? [] : [{ name: "instrument", label: word("field.instrument"), kind: "choice", required: true, options: instruments.map((tag) => [tag, tag]) }]),
      { name: "duration", label: word("field.works_until"), kind: "duration", required: true, options: WORK, keys: ["maintenance.expires", "maintenance"] },
      why(true),
    ],
  });
}

export function endMaintenance(instrument) {
  return spec("end-maintenance", null, { about: instrument, fixed: { instrument }, fields: [why(false)] });
}

export function withdrawal(tank, quantity, value) {
  return spec("withdraw", null, {
    about: word("enter.withdraw_of", { tank, quantity: word(`quantity.${quantity}`), value }),
    fixed: { tank, quantity },
    fields: [why(true)],
  });
}
