// Pure: alarms in the order in which people need them, in groups; what is hidden has groups of its own, never none.
import { floodAmong } from "./flood.js";

const RANK = { now: 0, soon: 1, look: 2 };

const began = ({ alarm }) => Date.parse(alarm.raised ?? alarm.since);

/** {waiting, seen, shelved, suppressed, out_of_service}: each worst first, and what came first before what followed. */
export function grouped(alarms) {
  const groups = { waiting: [], seen: [], shelved: [], suppressed: [], out_of_service: [] };
  for (const each of alarms) {
    const { phase } = each.alarm;
    const name = phase === "unacknowledged" || phase === "returned" ? "waiting" : phase === "acknowledged" ? "seen" : phase;
    // What this page has no word for waits for somebody as well.
    (groups[name] ?? groups.waiting).push(each);
  }
  for (const name of Object.keys(groups)) groups[name] = ordered(groups[name]);
  return groups;
}

/** Worst first, then the oldest; of one tank and priority as they were raised, whatever the clock said. */
function ordered(alarms) {
  const sorted = [...alarms].sort((a, b) => RANK[a.alarm.priority] - RANK[b.alarm.priority] || began(a) - began(b));
  const places = new Map();
  sorted.forEach((each, place) => {
    if (each.alarm.order === null) return;
    const key = `${each.alarm.priority} ${each.tank}`;
    places.set(key, [...(places.get(key) ?? []), place]);
  });
  for (const own of places.values()) {
    const raised = own.map((place) => sorted[place]).sort((a, b) => a.alarm.order - b.alarm.order);
    own.forEach((place, number) => (sorted[place] = raised[number]));
  }
  return sorted;
}

/** When somebody has to have acted, in ms; null where it is over, or no time is given. */
export function actBy({ alarm, response_s: response }) {
  return alarm.active && alarm.raised && response !== null ? Date.parse(alarm.raised) + response * 1000 : null;
}


/**
 * How many alarms were raised in the last ten minutes, where they are more than one person can follow (ISA-18.2: more
 * than ten); else 0. What is hidden is told to nobody, and does not count.
 */
export function floodOf(alarms, now) {
  const { waiting, seen } = grouped(alarms);
  return floodAmong([...waiting, ...seen], now);
}
