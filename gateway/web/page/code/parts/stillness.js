// Is a quiet tank moving? How far what it holds is from what it is compared with, and whether that is within the band.
import { siteNow } from "../live.js";
import { plain, text } from "../numbers.js";
import { clock, span } from "../times.js";
import { word } from "../words.js";

/** A sentence; empty of a tank that moves, and "not watched" where nothing tells. `row`: of the live view; `short`: as part of a row. */
export function stillnessText(row, { short = false } = {}) {
  if (row.motion === "filling" || row.motion === "emptying") return "";
  const { still } = row;
  if (!still) return row.motion === "at_rest" ? word("still.not_yet") : "";
  // As many digits as tell the change from the band.
  const size = plain(still.band, "volume");
  const places = size < 1 ? 2 : size < 100 ? 1 : 0;
  const volume = (value) => text(value, "volume", { places });
  const shown = volume(still.change);
  const change = still.change > 0 && /[1-9]/.test(shown) ? `+${shown}` : shown;
  const since = still.since && siteNow() !== null ? sinceText(still.since, short) : "";
  const told = { change, band: volume(still.band), since };
  if (short) return word(still.within ? "still.short_within" : "still.short_outside", told);
  return word(still.within ? "still.within" : "still.outside", told);
}

function sinceText(since, short) {
  const told = { time: clock(since, siteNow()), span: span((siteNow() - Date.parse(since)) / 1000) };
  return word(short ? "still.in" : "still.since", told);
}
