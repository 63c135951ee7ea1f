// What others measured, by the day on which it was moved: entered one by one or out of a file, and taken back.
import { html, useState } from "../html.js";
import { useWords } from "../words.js";
import { AmountTable } from "./amount_table.js";
import { DayFields, dayBefore, useToday } from "./day_fields.js";
import { AsOf, useDocument } from "./document.js";
import { EnterAmountButton, ImportAmountsButton } from "./stock_acts.js";

const DAYS_BACK = 7;

export function AmountsPart() {
  const word = useWords();
  const [span, setSpan] = useState(null);
  const from = span?.from ?? dayBefore(useToday(), DAYS_BACK);
  const until = span?.until ? `&until=${dayBefore(span.until, -1)}` : "";
  const told = useDocument(from && `/amounts?from=${from}${until}`);
  return html`<section aria-labelledby="amounts">
    <h2 id="amounts">${word("stock.part.amounts")}</h2>
    <p>${word("amounts.means")}</p>
    <div class="acts"><${EnterAmountButton} done=${told.reload} /><${ImportAmountsButton} done=${told.reload} /></div>
    <${DayFields} from=${from} until=${span?.until ?? ""} change=${setSpan} />
    <${AsOf} told=${told} />
    ${told.document !== null && html`<${AmountTable} amounts=${told.document.amounts} complete=${told.document.complete} done=${told.reload} />`}
  </section>`;
}
