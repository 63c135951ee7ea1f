// A button that begins something a person does. The dialog itself comes after the first look, or when it is first wanted.
import { html, useEffect, useRef, useState } from "../html.js";
import { offered, useSession } from "../session.js";
import { word } from "../words.js";
import { AGAIN_MS, ahead, isLost } from "./later.js";

const dialog = ahead(() => import("./dialog.js"));
/** Words of what becomes of it; the last where its files are those of another version than this page. */
const COMES = "page.loading";
const AWAY = "ask.unreachable";
const OTHER = "ask.unreadable";

/** Nothing where the person may not do it. `spec`: see dialog.js; or a function that makes it. */
export function ActButton({ action, spec, label, about, kind = "" }) {
  useSession();
  if (!offered(action)) return null;
  return html`<${DialogButton} spec=${spec} kind=${kind}>${label}${about && html`<span class="unseen"> ${about}</span>`}<//>`;
}

/** For what everybody may do who sees the button. */
export function DialogButton({ spec, kind = "", children }) {
  const [said, say] = useState("");
  const held = useRef(false);
  // A link that is lost comes again, be it before the page has missed it.
  useEffect(() => {
    if (said !== AWAY) return undefined;
    const again = () => dialog().then(() => say(""), (error) => isLost(error) || say(OTHER));
    const timer = setInterval(again, AGAIN_MS);
    return () => clearInterval(timer);
  }, [said]);
  const begin = async () => {
    // Whoever presses again while it comes wants it once.
    if (held.current) return;
    held.current = true;
    say(COMES);
    const place = location.hash;
    let loaded;
    try {
      loaded = await dialog();
    } catch (error) {
      say(isLost(error) ? AWAY : OTHER);
      if (isLost(error)) return;
      throw error;
    } finally {
      held.current = false;
    }
    say("");
    // Whoever has gone elsewhere before it came is not called back.
    if (location.hash === place) loaded.openAct(typeof spec === "function" ? spec() : spec);
  };
  return html`<button type="button" class=${kind} aria-disabled=${said === COMES ? "true" : undefined} onClick=${begin}>${children}</button>${said && html` <span role=${said === COMES ? "status" : "alert"}>${word(said)}</span>`}`;
}
