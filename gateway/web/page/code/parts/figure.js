// One figure: its number in the reader's unit, or that there is none and why.
import { html } from "../html.js";
import { DIMENSIONS, shown, text } from "../numbers.js";
import { taste } from "../taste.js";
import { useShared } from "../shared.js";
import { clock } from "../times.js";
import { siteNow } from "../live.js";
import { isOwn, told } from "../sentences.js";
import { hasWord, word } from "../words.js";

/**
 * A reason in the reader's language and units. Where the gateway's sentence, which bears the numbers, is known in
 * English alone, it stands behind a word for its kind.
 */
export function reasonText(reason) {
  if (!reason) return "";
  const { code, text: sentence } = reason;
  if (sentence && isOwn(sentence)) return told(sentence);
  const key = `reason.${code}`;
  if (!hasWord(key)) return sentence ? told(sentence) : code;
  return sentence ? `${word(key)} (${told(sentence)})` : word(key);
}

/** The same as one line of text, for those who hear the page. */
export function figureText(fig, options = {}) {
  if (!fig) return word("figure.not_applicable");
  if (fig.none) return word(`figure.${fig.none}`);
  const dimension = DIMENSIONS[fig.u];
  if (fig.v === null || fig.v === undefined) {
    const reason = reasonText(fig.r);
    const last = fig.last ? `, ${word("figure.last_good", { value: text(fig.last.v, dimension, options), time: clock(fig.last.t, siteNow()) })}` : "";
    return `${word("figure.no_value")}${reason ? `: ${reason}` : ""}${last}`;
  }
  const doubt = fig.q === "Uncertain" ? ` ${word("figure.uncertain", { reason: reasonText(fig.r) })}` : "";
  return `${text(fig.v, dimension, options)}${doubt}`;
}

/** What a figure of a row is called. Where the vapour above a liquid is counted, its mass is that of both. */
export function figureName(name, of) {
  return word(name === "mass" && of?.with_vapour ? "figure.mass_with_vapour" : `figure.${name}`);
}

/**
 * fig as the live view has it. `down`: never more than there is. `old`: it is no longer the present.
 * `unit`: whether the unit stands beside the number (a column may bear it in its head instead).
 */
export function Figure({ fig, down = false, old = false, unit = true, places = null }) {
  useShared(taste);
  const options = { down, places };
  if (!fig) return html`<span class="figure quiet">${word("figure.not_applicable")}</span>`;
  if (fig.none) return html`<span class="figure quiet">${word(`figure.${fig.none}`)}</span>`;
  if (fig.v === null || fig.v === undefined) {
    return html`<span class="figure"><span class="novalue" title=${figureText(fig, options)}>${word("figure.no_value")}</span></span>`;
  }
  const { number, sign } = shown(fig.v, DIMENSIONS[fig.u], options);
  return html`<span class=${`figure ${old ? "struck" : ""}`} title=${fig.r ? reasonText(fig.r) : undefined}>${number}${fig.q === "Uncertain" && "?"}${fig.manual && "✎"}${
    unit && sign ? html` <span class="unit">${sign}</span>` : null
  }</span>`;
}
