// A view that comes when it is wanted: the page is there before all of it is.
import { html, useEffect, useState } from "../html.js";
import { word } from "../words.js";

const AHEAD_MS = 3_000;
export const AGAIN_MS = 2_000;

/** Asks `load` for something once, when it is first wanted. Soon after the start it is asked for in any case: the link may be lost by then. What fails is asked for anew the next time. */
export function ahead(load) {
  let asked = null;
  const ask = () => (asked ??= load().catch((error) => {
    asked = null;
    throw error;
  }));
  setTimeout(() => ask().catch(() => {}), AHEAD_MS);
  return ask;
}

/** A component that is the one called `name` in what `load` loads. */
export function later(load, name) {
  let loaded = null;
  const ask = ahead(async () => (loaded = (await load())[name]));
  return function Later(given) {
    const [failure, tell] = useState(null);
    const drawn = loaded;
    useEffect(() => {
      let open = true;
      const load = () =>
        ask().then(
          () => open && tell(false),
          (error) => {
            if (!open) return;
            tell(error);
            // A link that is lost comes again: that is no fault of the page, and nobody need do anything.
            if (isLost(error)) setTimeout(load, AGAIN_MS);
          },
        );
      // By what was drawn: since then it may have come for another, and nobody else would have it drawn here.
      if (!drawn) load();
      return () => (open = false);
    }, []);
    if (loaded) return html`<${loaded} ...${given} />`;
    if (failure && !isLost(failure)) throw failure;
    return failure && html`<p role="status">${word("ask.unreachable")}</p>`;
  };
}

/** Browsers say so by a TypeError where a module could not be fetched. */
export const isLost = (error) => error instanceof TypeError;
