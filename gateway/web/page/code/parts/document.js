// A document of the gateway that a view shows: asked for, asked for again, and said to be old where it is.
import { html, useEffect, useReducer, useState } from "../html.js";
import { get } from "../ask.js";
import { useEachSecond, useLink } from "../live.js";
import { told } from "../sentences.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { hintText } from "./hint_text.js";

/** So many turns without an answer, and what is asked for again and again is no longer the present. */
const TURNS_MISSED = 3;

/**
 * The document at a path: {document, error, reload}. `everyMs`: asked for again so long after each answer. `turn`: asked
 * for again when it changes. What was told last stays while the next is asked for, and after one that failed.
 */
export function useDocument(path, { everyMs = 0, turn = null } = {}) {
  const [told, tell] = useState({ path: null, document: null, error: null, answered: 0 });
  const [count, reload] = useReducer((before) => before + 1, 0);
  useEffect(() => {
    if (path === null) return undefined;
    let gone = false;
    let timer = null;
    const ask = async () => {
      try {
        const answer = await get(path);
        if (!gone) tell({ path, document: answer, error: null, answered: Date.now() });
      } catch (error) {
        if (!gone) tell((before) => ({ ...before, path, document: before.path === path ? before.document : null, error }));
      }
      if (!gone && everyMs) timer = setTimeout(again, everyMs);
    };
    // Nobody looks at a page in the background: it is asked for when somebody does again.
    const again = () => (document.hidden ? document.addEventListener("visibilitychange", again, { once: true }) : ask());
    ask();
    return () => {
      gone = true;
      clearTimeout(timer);
      document.removeEventListener("visibilitychange", again);
    };
  }, [path, everyMs, turn, count]);
  const isOwn = told.path === path;
  const lateFrom = everyMs ? told.answered + TURNS_MISSED * everyMs : Infinity;
  return { document: isOwn ? told.document : null, error: isOwn ? told.error : null, reload, lateFrom };
}

/** Whether what is shown can no longer be taken for the present. */
export function useIsOld({ document, error, lateFrom }) {
  const link = useLink();
  // A page that was asleep has missed its turns, and knows it before it has asked again.
  const isLate = useEachSecond(() => Date.now() > lateFrom);
  return document !== null && (isLate || error !== null || link === "silent" || link === "refused");
}

/** When a document was so; why there is none, or no newer one. */
export function AsOf({ told }) {
  const word = useWords();
  const old = useIsOld(told);
  const { document, error } = told;
  if (document === null && error === null) return html`<p class="quiet">${word("document.asked")}</p>`;
  return html`<div class="as-of">
    ${document !== null && html`<p class=${old ? "" : "quiet small"}>${word("document.as_of")} <time class=${old ? "struck" : ""} datetime=${document.time}>${full(document.time)}</time>
      ${" "}<span class="unit">${document.time_zone}</span></p>`}
    ${old && html`<p role="alert"><strong>${word("document.old")}</strong></p>`}
    ${error !== null && html`<${Sentences} error=${error} />`}
  </div>`;
}

/** What went wrong, as the gateway says it. */
export function Sentences({ error }) {
  return html`<div class="wrong" role="alert">
    ${error.sentences.map((each, index) => html`<p key=${index}>${told(each)}</p>`)}
    ${error.hint && html`<p>${hintText(error.hint)}</p>`}
  </div>`;
}
