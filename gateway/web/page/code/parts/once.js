// Something that is asked once at a time, whoever presses how often; and the sentences of its refusal.
import { useRef, useState } from "../html.js";
import { told } from "../sentences.js";

/** [wrong, once(work), busy, refuse(sentences)]. */
export function useOnce() {
  const [wrong, setWrong] = useState([]);
  const [busy, setBusy] = useState(false);
  const held = useRef(false);
  const once = async (work) => {
    if (held.current) return;
    held.current = true;
    setBusy(true);
    setWrong([]);
    // What finds its sentences is there by then.
    told("-");
    try {
      await work();
    } catch (error) {
      setWrong([...(error.sentences ?? [String(error)]), ...(error.hint ? [error.hint] : [])].map(told));
    } finally {
      held.current = false;
      setBusy(false);
    }
  };
  return [wrong, once, busy, setWrong];
}
