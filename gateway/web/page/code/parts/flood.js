// More alarms at once than one person can follow. Pure.

/** ISA-18.2: more than ten in ten minutes. */
const FLOOD_ABOVE = 10;
const FLOOD_MS = 600_000;

/** How many of these were raised in the last ten minutes, where they are a flood; else 0. */
export function floodAmong(alarms, now) {
  const count = alarms.filter(({ alarm }) => alarm.raised && now - Date.parse(alarm.raised) < FLOOD_MS).length;
  return count > FLOOD_ABOVE ? count : 0;
}
