// Wall-clock times of the site as instants: what somebody types is the site's time, wherever the browser is.

const WALL = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)/;
const QUARTER_MS = 15 * 60_000;
const DAY_MS = 24 * 60 * 60_000;

/** `2026-11-28T13:45` as a clock in `zone` shows the instant: the form of a date field. */
export function wallOf(ms, zone) {
  const format = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone,
    hourCycle: "h23",
    year: "numeric",
    month: "2-digit",
    day: "2-digit",
    hour: "2-digit",
    minute: "2-digit",
  });
  const found = Object.fromEntries(format.formatToParts(new Date(ms)).map(({ type, value }) => [type, value]));
  return `${found.year}-${found.month}-${found.day}T${found.hour}:${found.minute}`;
}

/**
 * The instants, in ms, at which a clock in `zone` shows `wall`: none where the clock is put forward over it, two
 * where it is put back, else one. The earlier comes first.
 */
export function instantsOf(wall, zone) {
  const given = WALL.exec(wall);
  if (!given) return [];
  const [year, month, day, hour, minute] = given.slice(1).map(Number);
  const asUtc = Date.UTC(year, month - 1, day, hour, minute);
  // No zone is further from UTC than a day, and none changes twice within two: the offsets around it are all there are.
  const offsets = new Set([-DAY_MS, 0, DAY_MS].map((step) => offsetOf(asUtc + step, zone)));
  return [...offsets]
    .map((offset) => asUtc - offset)
    .filter((ms) => wallOf(ms, zone) === wall.slice(0, 16))
    .sort((a, b) => a - b);
}

function offsetOf(ms, zone) {
  const whole = Math.floor(ms / 60_000) * 60_000;
  const offset = Date.parse(`${wallOf(whole, zone)}Z`) - whole;
  // Zones of long ago had seconds; a date field has none.
  return Math.round(offset / QUARTER_MS) * QUARTER_MS;
}

/** `2026-11-28T13:45Z`, as the gateway reads it. */
export function utcText(ms) {
  return `${new Date(ms).toISOString().slice(0, 16)}Z`;
}
