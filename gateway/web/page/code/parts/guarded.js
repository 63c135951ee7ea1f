// A part that fails takes nothing else with it, and says so: what would stand there must not stand still unnoticed.
import { html, useErrorBoundary } from "../html.js";
import { fault } from "../live.js";
import { word } from "../words.js";

export function Guarded({ children }) {
  const [error, again] = useErrorBoundary((caught) => {
    console.error(caught);
    fault.set(true);
  });
  if (!error) return children;
  return html`<p role="alert"><strong>${word("page.part_failed")}</strong> <button onClick=${again}>${word("page.try_again")}</button></p>`;
}
