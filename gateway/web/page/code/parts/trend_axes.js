// What stands beside the axes of a trend, in the reader's form.
import { locale } from "../taste.js";

/** Times of an axis: the day stands below its first hour. */
export function clockTexts(zone) {
  const form = (options) => new Intl.DateTimeFormat(locale(), { timeZone: zone, hourCycle: "h23", ...options });
  const forms = {
    hours: form({ hour: "2-digit", minute: "2-digit" }),
    days: form({ day: "numeric", month: "short" }),
    weekdays: form({ weekday: "short", day: "numeric" }),
    months: form({ month: "short", year: "2-digit" }),
  };
  return (_, splits, __, ___, step) => {
    const own = step >= 28 * 86_400 ? forms.months : step >= 86_400 ? forms.days : forms.hours;
    const day = forms.weekdays;
    let before = null;
    return splits.map((split) => {
      const instant = new Date(split * 1000);
      const text = own.format(instant);
      if (own !== forms.hours) return text;
      const today = day.format(instant);
      const isFirst = today !== before;
      before = today;
      return isFirst ? `${text}\n${today}` : text;
    });
  };
}

/** For the longest number beside an axis: millions of gallons are longer than metres. */
export function wideEnough(texts, rem) {
  const longest = Math.max(0, ...(texts ?? []).map((text) => text.length));
  return Math.round(Math.max(4.75, 1.3 + 0.5 * longest) * rem);
}

/** Numbers of an axis with as many decimals as its steps have. */
export function axisTexts(splits, step) {
  const places = (/\.(\d+)$/.exec(String(Number(step.toPrecision(6)))) ?? ["", ""])[1].length;
  const form = new Intl.NumberFormat(locale(), { minimumFractionDigits: places, maximumFractionDigits: places });
  return splits.map((split) => form.format(split));
}
