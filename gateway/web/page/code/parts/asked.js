// A document that is asked for, and asked for again: what came last stays, beside why it is not newer.
import { useEffect, useRef, useState } from "../html.js";
import { get } from "../ask.js";

/**
 * `path`: null for nothing to ask. `turn`: when it changes the document is asked for again, though never two at a time
 * and never sooner than `pause` ms after the last. Gives {document, error, again}.
 */
export function useAsked(path, turn = 0, pause = 0) {
  const [state, set] = useState({ path, document: null, error: null });
  const work = useRef({ path: null, busy: false, wanted: false, ended: -Infinity, timer: 0 });
  const ask = useRef(() => {});
  ask.current = async () => {
    const own = work.current;
    if (own.path === null) return;
    if (own.busy) {
      own.wanted = true;
      return;
    }
    const rest = own.ended + pause - performance.now();
    clearTimeout(own.timer);
    if (rest > 0) {
      own.timer = setTimeout(() => ask.current(), rest);
      return;
    }
    own.busy = true;
    own.wanted = false;
    const asked = own.path;
    const found = await get(asked).then(
      (document) => ({ document, error: null }),
      (error) => ({ error }),
    );
    own.busy = false;
    own.ended = performance.now();
    if (own.path === asked) set((before) => ({ ...(before.path === asked ? before : { document: null }), path: asked, ...found }));
    if (own.wanted || (own.path !== asked && own.path !== null)) ask.current();
  };
  useEffect(() => {
    const own = work.current;
    if (own.path !== path) own.ended = -Infinity;
    own.path = path;
    ask.current();
  }, [path, turn]);
  useEffect(
    () => () => {
      work.current.path = null;
      clearTimeout(work.current.timer);
    },
    [],
  );
  const isOwn = state.path === path;
  return {
    document: isOwn ? state.document : null,
    error: isOwn ? state.error : null,
    again: () => {
      work.current.ended = -Infinity;
      ask.current();
    },
  };
}
