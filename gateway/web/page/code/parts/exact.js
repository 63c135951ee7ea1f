// Sums of numbers as they are shown: exact, on their decimal texts, so that whoever adds up a column gets what stands below it.
export { written } from "../numbers.js";

function scaled(text, places) {
  const negative = text.startsWith("-");
  const [whole, fraction = ""] = (negative ? text.slice(1) : text).split(".");
  const digits = BigInt(whole + fraction.padEnd(places, "0"));
  return negative ? -digits : digits;
}

function placesIn(text) {
  return text.split(".")[1]?.length ?? 0;
}

/** `parts`: [[decimal text, 1 or -1], …]. The sum has as many decimals as the finest; null where a part is null. */
export function added(parts) {
  if (parts.some(([text]) => text === null)) return null;
  const places = Math.max(0, ...parts.map(([text]) => placesIn(text)));
  const sum = parts.reduce((total, [text, sign]) => total + BigInt(sign) * scaled(text, places), 0n);
  const plain = (sum < 0n ? -sum : sum).toString().padStart(places + 1, "0");
  const number = places ? `${plain.slice(0, -places)}.${plain.slice(-places)}` : plain;
  return sum < 0n ? `-${number}` : number;
}

/** The sum of those that are there. */
export function total(texts) {
  return added(texts.filter((text) => text !== null).map((text) => [text, 1]));
}

/** The one of the texts that is nearest to another. */
export function nearest(texts, wanted) {
  const away = (text) => {
    const apart = added([[text, 1], [wanted, -1]]);
    return Math.abs(Number(apart));
  };
  return texts.reduce((best, each) => (away(each) < away(best) ? each : best));
}

/** Whether two differ by no more than so many roundings can do. */
export function isNear(shown, kept, roundings) {
  const last = 10 ** -Math.min(placesIn(shown), placesIn(kept));
  return Math.abs(Number(added([[shown, 1], [kept, -1]]))) <= (last * (roundings + 1)) / 2;
}
