// How alarms and places are called, by the reader's language; what this page has no word for, as the gateway calls it.
import { hasWord, word } from "../words.js";

export const GATEWAY = "gateway";

/** Of one of the gateway itself the subject stands behind its kind: line_lost.tank_farm. */
export function alarmName({ name, kind }) {
  const known = hasWord(`alarm.${kind}`) ? word(`alarm.${kind}`) : kind;
  const subject = name.startsWith(`${kind}.`) ? name.slice(kind.length + 1) : "";
  return subject ? `${known}: ${subject}` : known;
}

/** Of a bare name, as events and audit rows have it. */
export function alarmNameOf(name) {
  const [kind] = name.split(".");
  return alarmName({ name, kind });
}

const OF_LEAKS = new Set(["unscheduled_movement", "slow_loss"]);

/** What must be said beside an alarm of that kind; empty for most. */
export function alarmCaution(kind) {
  return OF_LEAKS.has(kind) ? word("caution.leak") : "";
}

export function placeName(tank) {
  return tank ?? word("overview.gateway");
}
