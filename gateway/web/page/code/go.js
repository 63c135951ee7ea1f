// Where the page is: #/tank/TK-101 is the view "tank" with ["TK-101"].
import { Shared, useShared } from "./shared.js";

function read() {
  const [path] = location.hash.replace(/^#\/?/, "").split("?");
  const [view, ...rest] = path.split("/").map(part);
  return { view: view || "overview", rest };
}

function part(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

const place = new Shared(read());
addEventListener("hashchange", () => place.set(read()));

export const usePlace = () => useShared(place);

/** The address of a view, for a link. */
export function way(view, ...rest) {
  return `#/${[view === "overview" ? "" : view, ...rest].map(encodeURIComponent).join("/")}`;
}

export function go(view, ...rest) {
  location.hash = way(view, ...rest);
}
