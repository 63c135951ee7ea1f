// The fields of a dialog: each with its name, what may be typed, and beside it why it was refused.
import { html } from "../html.js";
import { site, siteNow } from "../live.js";
import { clock } from "../times.js";
import { word } from "../words.js";
import { lengthOf, signOf, unitsOf } from "./typed.js";
import { instantsOf, wallOf } from "./zoned.js";

/**
 * One field. `field`: {name, label, kind, hint, required, …}; kinds: quantity, instant, ends, duration, choice, text,
 * long, secret, code. `mistakes`: sentences. `change(value)` is called with the whole new value.
 */
export function Field({ id, field, value, mistakes = [], change }) {
  const told = mistakes.length ? `${id}-wrong` : "";
  const hinted = field.hint ? `${id}-hint` : "";
  const shared = {
    id,
    name: field.name,
    "aria-describedby": [told, hinted].filter(Boolean).join(" ") || undefined,
    "aria-invalid": mistakes.length ? "true" : undefined,
    "aria-required": field.required ? "true" : undefined,
  };
  const Input = INPUTS[field.kind] ?? Line;
  return html`<div class="field">
    <label for=${id}>${field.label}${field.required ? "" : html` <span class="quiet">${word("field.may_be_empty")}</span>`}</label>
    <${Input} shared=${shared} field=${field} value=${value} change=${change} />
    ${field.hint && html`<p id=${hinted} class="quiet small">${field.hint}</p>`}
    ${mistakes.length ? html`<p id=${told} class="wrong">${mistakes.map((each) => html`<span key=${each}>✗ ${each}<br /></span>`)}</p>` : null}
  </div>`;
}

function Line({ shared, field, value, change }) {
  const kind = field.kind === "secret" ? "password" : "text";
  return html`<input
    ...${shared}
    type=${kind}
    value=${value}
    maxlength=${field.longest ?? 500}
    autocomplete=${field.autocomplete ?? "off"}
    autocapitalize=${field.kind === "code" || field.kind === "secret" ? "none" : undefined}
    spellcheck=${field.kind === "code" ? "false" : undefined}
    onInput=${(event) => change(event.target.value)}
  />`;
}

function Long({ shared, value, change }) {
  return html`<textarea ...${shared} rows="3" maxlength="500" onInput=${(event) => change(event.target.value)} value=${value}></textarea>`;
}

/** A text of many lines, typed, pasted, or taken out of a file of this device. */
function Pasted({ shared, field, value, change }) {
  const taken = async (event) => {
    const [file] = event.target.files;
    if (file) change(await file.text());
  };
  return html`<textarea ...${shared} class="pasted" rows="8" wrap="off" spellcheck="false" onInput=${(event) => change(event.target.value)} value=${value}></textarea>
    <label class="small">${word("field.file")} <input type="file" accept=".csv,.tsv,.txt,text/csv,text/plain" onChange=${taken} /></label>
    ${value.length > field.longest && html`<p class="wrong">${word("field.too_long", { count: value.length, most: field.longest })}</p>`}`;
}

function Choice({ shared, field, value, change }) {
  return html`<select ...${shared} onChange=${(event) => change(event.target.value)}>
    ${field.initial === undefined && html`<option value="" selected=${value === ""}>${word("field.choose")}</option>`}
    ${field.options.map(([key, text]) => html`<option key=${key} value=${key} selected=${key === value}>${text}</option>`)}
  </select>`;
}

function Quantity({ shared, field, value, change }) {
  const units = unitsOf(field.quantity);
  // Decimal keypads of phones have no foot mark and no sign: where the unit is typed too, the whole keyboard is needed.
  const mode = value.unit === "" || field.quantity === "temperature" ? "text" : "decimal";
  return html`<div class="together">
    <input ...${shared} type="text" inputmode=${mode} autocomplete="off" maxlength="40" value=${value.number} placeholder=${value.unit === "" ? "31 ft 7-5/16 in" : ""}
      onInput=${(event) => change({ ...value, number: event.target.value })} />
    <select aria-label=${word("field.unit_of", { label: field.label })} onChange=${(event) => change({ ...value, unit: event.target.value })}>
      ${units.map((unit) => html`<option key=${unit} value=${unit} selected=${unit === value.unit}>${signOf(unit)}</option>`)}
    </select>
  </div>`;
}

function Wall({ shared, label, value, change }) {
  const zone = site.value?.time_zone ?? "UTC";
  const found = value.wall ? instantsOf(value.wall, zone) : [];
  return html`<div class="together">
      <input ...${shared} aria-label=${label} type="datetime-local" value=${value.wall} onInput=${(event) => change({ ...value, wall: event.target.value })} />
      <span class="quiet small">${zone}</span>
    </div>
    ${found.length > 1 &&
    html`<label class="twice"><input type="checkbox" checked=${value.second} onChange=${(event) => change({ ...value, second: event.target.checked })} /> ${word("field.second_time")}</label>`}`;
}

function Instant({ shared, field, value, change }) {
  const now = () => change({ wall: wallOf(siteNow() ?? Date.now(), site.value?.time_zone ?? "UTC"), second: false });
  return html`<${Wall} shared=${shared} value=${value} change=${change} />
    ${!value.wall && html`<p class="quiet small">${field.empty ?? word("field.now_unless")} <button type="button" class="plain" onClick=${now}>${word("field.write_now")}</button></p>`}`;
}

/** How long something holds: in steps, each with the time by the clock at which it ends; or until a time. */
function Ends({ shared, field, value, change }) {
  const now = siteNow();
  const told = (text) => {
    const named = lengthWords(text);
    return now === null ? named : word("field.until", { length: named, time: clock(now + lengthOf(text), now) });
  };
  return html`<select ...${shared} onChange=${(event) => change({ ...value, choice: event.target.value })}>
      ${field.initial === undefined && html`<option value="" selected=${value.choice === ""}>${word("field.choose")}</option>`}
      ${field.options.map((text) => html`<option key=${text} value=${text} selected=${text === value.choice}>${told(text)}</option>`)}
      <option value="until" selected=${value.choice === "until"}>${word("field.until_time")}</option>
    </select>
    ${value.choice === "until" && html`<${Wall} shared=${{ id: `${shared.id}-wall` }} label=${word("field.until_of", { label: field.label })} value=${value} change=${change} />`}`;
}

function lengthWords(text) {
  const [count, unit] = text.split(" ");
  return word(`length.${unit}`, { count: Number(count) });
}

const INPUTS = { quantity: Quantity, instant: Instant, ends: Ends, duration: Ends, choice: Choice, long: Long, pasted: Pasted };
