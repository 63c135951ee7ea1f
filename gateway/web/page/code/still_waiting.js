// What waits for somebody until a time, and is over then.
import { isOver, useEachSecond } from "./live.js";

/** Of what waits until `ends`, what waits still: it is over then, also on a page that hears nothing any more. */
export function useStillWaiting(all) {
  useEachSecond(() => all.filter(({ ends }) => isOver(ends)).length);
  return all.filter(({ ends }) => !isOver(ends));
}
