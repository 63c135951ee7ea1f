// What a tank shows now, in one line of figures with their names.
import { html } from "../html.js";
import { isLive, useEachSecond, useRow } from "../live.js";
import { word } from "../words.js";
import { Age, measuredAt } from "./age.js";
import { Figure, reasonText } from "./figure.js";

/** `names`: figures of the live view's row. */
export function Present({ tag, names }) {
  const row = useRow(tag);
  const live = useEachSecond(() => isLive(row));
  return html`<p class="present">
    ${word("enter.present")} ${row && html`(<${Age} time=${measuredAt(row)} />)`}${" "}
    ${names.map((name) => html`<span key=${name} class="part"><span class="quiet">${word(`quantity.${name}`)}</span> <strong><${Figure} fig=${row?.[name]} old=${!live} /></strong>${row?.[name]?.r && html` <span class="small">${reasonText(row[name].r)}</span>`} </span>`)}
    ${!live && html`<strong>${word("row.not_live")}</strong>`}
  </p>`;
}
