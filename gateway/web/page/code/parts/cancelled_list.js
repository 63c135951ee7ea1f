// Transfers that were cancelled: nobody asks for them often, so they are asked for only then.
import { html, useState } from "../html.js";
import { clock } from "../times.js";
import { useWords } from "../words.js";
import { AsOf, useDocument } from "./document.js";
import { Marks } from "./transfer_card.js";
import { transferTitle } from "./transfer_words.js";

export function CancelledList() {
  const word = useWords();
  const [wanted, want] = useState(false);
  const told = useDocument(wanted ? "/transfers?all=yes" : null);
  const now = Date.parse(told.document?.time ?? 0);
  const cancelled = (told.document?.transfers ?? []).filter((each) => each.phase === "cancelled").reverse();
  return html`<section>
    <details onToggle=${(event) => want(event.target.open)}>
      <summary>${word("transfers.cancelled")}</summary>
      ${wanted && html`<${AsOf} told=${told} />`}
      ${told.document !== null && cancelled.length === 0 && html`<p>${word("transfers.none_cancelled")}</p>`}
      <ul>
        ${cancelled.map(
          (each) => html`<li key=${each.number}>
            <strong>${word("transfer.number", { number: each.number })} ${transferTitle(each)}</strong>, ${each.product}
            <span class="quiet">${word("transfers.cancelled_at", { time: clock(each.since, now) })}</span>
            <${Marks} marks=${each.marks} now=${now} />
          </li>`,
        )}
      </ul>
    </details>
  </section>`;
}
