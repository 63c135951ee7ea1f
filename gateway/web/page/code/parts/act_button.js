// A button that begins something a person does. The dialog itself comes after the first look, or when it is first wanted.
import { html, useState } from "../html.js";
import { offered, useSession } from "../session.js";
import { word } from "../words.js";
import { ahead, isLost } from "./later.js";

const dialog = ahead(() => import("./dialog.js"));

/** Nothing where the person may not do it. `spec`: see dialog.js; or a function that makes it. */
export function ActButton({ action, spec, label, about, kind = "" }) {
  useSession();
  if (!offered(action)) return null;
  return html`<${DialogButton} spec=${spec} kind=${kind}>${label}${about && html`<span class="unseen"> ${about}</span>`}<//>`;
}

/** For what everybody may do who sees the button. */
export function DialogButton({ spec, kind = "", children }) {
  const [isAway, tell] = useState(false);
  const begin = async () => {
    const place = location.hash;
    let loaded;
    try {
      loaded = await dialog();
    } catch (error) {
      if (!isLost(error)) throw error;
      return tell(true);
    }
    tell(false);
    // Whoever has gone elsewhere before it came is not called back.
    if (location.hash === place) loaded.openAct(typeof spec === "function" ? spec() : spec);
  };
  return html`<button type="button" class=${kind} onClick=${begin}>${children}</button>${isAway && html` <span role="alert">${word("ask.unreachable")}</span>`}`;
}
