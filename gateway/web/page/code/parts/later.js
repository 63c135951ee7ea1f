// A view that comes when it is wanted: the page is there before all of it is.
import { html, useEffect, useState } from "../html.js";

const AHEAD_MS = 3_000;

/** A component that is the one called `name` in what `load` loads. Soon after the start it is loaded in any case: the link may be lost by the time it is wanted. */
export function later(load, name) {
  let loaded = null;
  let asked = null;
  const ask = () => (asked ??= load().then(
    (module) => (loaded = module[name]),
    (error) => {
      asked = null;
      throw error;
    },
  ));
  setTimeout(() => loaded ?? ask().catch(() => {}), AHEAD_MS);
  return function Later(given) {
    const [failure, tell] = useState(loaded ? false : null);
    useEffect(() => {
      if (!loaded) ask().then(() => tell(false), (error) => tell(error));
    }, []);
    if (failure) throw failure;
    return loaded && html`<${loaded} ...${given} />`;
  };
}
