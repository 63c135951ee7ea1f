// What a transfer is called, by what it is told, and what there is to doubt about it.
import { site } from "../live.js";
import { told as spoken } from "../sentences.js";
import { word } from "../words.js";
import { codeWord, reasonTexts } from "./account_figures.js";

/** Receipt into TK-11; tank to tank out of TK-11 into TK-12. */
export function transferTitle({ kind, sides }) {
  const ways = sides.map(({ tank, direction }) => word(`transfer.${direction}`, { tank }));
  return `${codeWord("transfer_kind", kind)} ${ways.join(" ")}`;
}

/** The reference temperature of its standard volumes in degC, as its tanks have it while it has no opening; or null. */
export function referenceOf({ sides }) {
  const told = sides.map(({ tank, opening }) => opening?.reference_temperature_c ?? celsius(site.value?.tanks[tank]?.reference_temperature));
  return told.find((each) => each !== null) ?? null;
}

/** Of /api/1/site: in degC; null where there is none. */
export function celsius(reference) {
  if (!reference) return null;
  return reference.unit === "degF" ? (reference.value - 32) / 1.8 : reference.value;
}

/** Why its figures are less than certain, each sentence once: of what has moved, of its sheets, of gaps and marks. */
export function doubtsOf(transfer) {
  const told = [];
  const moved = transfer.progress?.moved?.[transfer.progress.measure];
  if (moved && moved.quality !== "Good") told.push(...reasonTexts(moved.reasons));
  const rate = transfer.progress?.rate;
  if (transfer.phase === "running" && rate && rate.quality !== "Good") told.push(...reasonTexts(rate.reasons));
  for (const side of transfer.sides) {
    if (side.opening?.clock_doubt) told.push(spoken(side.opening.clock_doubt.text));
    if (side.opening && side.opening.quality !== "Good") {
      told.push(word("transfer.opening_doubt", { tank: side.tank, quality: word(`quality.${side.opening.quality}`) }));
    }
  }
  for (const gap of transfer.gaps) {
    if (gap.ends === null) told.push(word("transfer.gap_open", { tank: gap.tank }));
    else if (gap.is_borne_out === false) told.push(word("transfer.gap_not_borne_out", { tank: gap.tank }));
  }
  return [...new Set(told)];
}
