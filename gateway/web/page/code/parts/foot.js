// The foot: cautions that are always in sight, and how the reader wants to see things.
import { html } from "../html.js";
import { useSite } from "../live.js";
import { UNIT_SYSTEMS } from "../numbers.js";
import { useShared } from "../shared.js";
import { change, taste } from "../taste.js";
import { LANGUAGES, language, useWords } from "../words.js";

export function Foot() {
  const word = useWords();
  const site = useSite();
  return html`<footer>
    <p>${word("caution.monitoring")}</p>
    <p>${word("caution.custody")}</p>
    <p>${word("caution.methods")}</p>
    ${site?.simulated && html`<p><strong>${word("caution.simulated")}</strong></p>`}
    <${Tastes} />
    <p>${word("foot.version", { version: site?.version ?? "?" })}</p>
  </footer>`;
}

/** Language, units and theme of this reader on this device. */
export function Tastes() {
  const word = useWords();
  const own = useShared(taste);
  const choice = (name, value, options) => html`<label>
    ${word(`taste.${name}`)} <select value=${value} onChange=${(event) => change({ [name]: event.target.value })}>
      ${options.map(([key, text]) => html`<option key=${key} value=${key} selected=${key === value}>${text}</option>`)}
    </select>
  </label>`;
  return html`<div class="settings tags">
    ${choice("language", own.language || language(), Object.entries(LANGUAGES))}
    ${choice("units", own.units, UNIT_SYSTEMS.map((name) => [name, word(`units.${name}`)]))}
    ${choice("theme", own.theme, ["", "light", "dark"].map((name) => [name, word(`theme.${name || "device"}`)]))}
  </div>`;
}
