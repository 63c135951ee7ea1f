// Instants and ages for people: always in the site's zone, which is named where a time stands alone.
import { site } from "./live.js";
import { locale } from "./taste.js";
import { word } from "./words.js";

const formats = new Map();

function format(options) {
  const zone = site.value?.time_zone ?? "UTC";
  const key = `${locale()}|${zone}|${JSON.stringify(options)}`;
  if (!formats.has(key)) {
    formats.set(key, new Intl.DateTimeFormat(locale(), { timeZone: zone, hourCycle: "h23", ...options }));
  }
  return formats.get(key);
}

/** 02:47, or with the day where it is not the day of `now`. */
export function clock(instant, now) {
  const at = new Date(instant);
  const time = format({ hour: "2-digit", minute: "2-digit" }).format(at);
  const day = format({ year: "numeric", month: "short", day: "numeric" });
  return day.format(at) === day.format(new Date(now)) ? time : `${format({ day: "numeric", month: "short" }).format(at)} ${time}`;
}

/** 28 Nov 2026, 13:45:10 */
export function full(instant) {
  return format({ year: "numeric", month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(
    new Date(instant),
  );
}

/** 13:45:10 GMT+1 */
export function withZone(instant) {
  return format({ hour: "2-digit", minute: "2-digit", second: "2-digit", timeZoneName: "short" }).format(new Date(instant));
}

/** Seconds as people say them: 4 s, 3 min, 2 h 05 min, 3 d 4 h. */
export function span(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 120) return word("span.seconds", { s });
  const minutes = Math.floor(s / 60);
  if (minutes < 60) return word("span.minutes", { min: minutes });
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return word("span.hours", { h: hours, min: String(minutes % 60).padStart(2, "0") });
  return word("span.days", { d: Math.floor(hours / 24), h: hours % 24 });
}
