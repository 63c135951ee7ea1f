// A file of the gateway for the reader's own device; why there is none is said here, and no file of that is saved.
import { html, useRef, useState } from "../html.js";
import { getFile } from "../ask.js";
import { site } from "../live.js";
import { useWords } from "../words.js";
import { Sentences } from "./document.js";

const AWHILE_MS = 60_000;

/** `name`: of the file, after that of the site; `form`: its ending. */
export function FileButton({ path, name, form, label, kind = "" }) {
  const word = useWords();
  const [error, setError] = useState(null);
  const [busy, setBusy] = useState(false);
  const held = useRef(false);
  const take = async () => {
    if (held.current) return;
    held.current = true;
    setBusy(true);
    setError(null);
    try {
      save(await getFile(path), `${site.value?.name ?? "site"}-${name}.${form}`);
    } catch (failure) {
      setError(failure.sentences ? failure : { sentences: [String(failure)], hint: "" });
    } finally {
      held.current = false;
      setBusy(false);
    }
  };
  return html`<button type="button" class=${kind} aria-disabled=${busy ? "true" : undefined} onClick=${take}>${busy ? word("reports.making") : label}</button>
    ${error !== null && html`<${Sentences} error=${error} />`}`;
}

function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  // The browser reads it in its own time.
  setTimeout(() => URL.revokeObjectURL(link.href), AWHILE_MS);
}
