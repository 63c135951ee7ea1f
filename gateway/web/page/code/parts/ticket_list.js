// The tickets of the last days, newest first: what was moved, how good it is, and what became of it since.
import { html, useState } from "../html.js";
import { way } from "../go.js";
import { clock } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, measureAt } from "./account_figures.js";
import { AsOf, useDocument } from "./document.js";
import { figureOf, takenBack, ticketShown, toldMeasure } from "./ticket_amounts.js";
import { transferTitle } from "./transfer_words.js";
import { written } from "./exact.js";
import { DayFields, dayBefore, useToday } from "./day_fields.js";

const DAYS_BACK = 3;
const AGAIN_MS = 60_000;

/** `turn`: asked for again when it changes. */
export function TicketList({ turn = null }) {
  const word = useWords();
  const [span, setSpan] = useState(null);
  const from = span?.from ?? dayBefore(useToday(), DAYS_BACK);
  const until = span?.until ? `&until=${dayBefore(span.until, -1)}` : "";
  const told = useDocument(from && `/tickets?from=${from}${until}`, { turn, everyMs: AGAIN_MS });
  const { document } = told;
  const tickets = document === null ? [] : [...document.tickets].reverse();
  return html`<section aria-labelledby="tickets">
    <h2 id="tickets">${word("tickets.title")}</h2>
    <${DayFields} from=${from} until=${span?.until ?? ""} change=${setSpan} />
    <${AsOf} told=${told} />
    ${document !== null && !document.complete && html`<p role="alert"><strong>${word("account.not_all")}</strong></p>`}
    ${document !== null && tickets.length === 0 && html`<p>${word("tickets.none")}</p>`}
    ${tickets.length > 0 &&
    html`<div class="wide" tabindex="0" role="group" aria-label=${word("tickets.title")}><table class="stacked">
      <thead>
        <tr>
          ${["number", "what", "product", "partner", "moved", "quality", "closed", "state"].map(
            (name) => html`<th key=${name} scope="col" class=${name === "moved" ? "number" : ""}>${word(`tickets.${name}`)}</th>`,
          )}
        </tr>
      </thead>
      <tbody>
        ${tickets.map((each) => html`<${TicketRow} key=${each.number} ticket=${each} tickets=${document.tickets} now=${Date.parse(document.time)} />`)}
      </tbody>
    </table></div>`}
  </section>`;
}

function TicketRow({ ticket, tickets, now }) {
  const word = useWords();
  const measure = toldMeasure(ticket.moved, ticket.kind);
  const shown = ticketShown(ticket, measure);
  const back = takenBack(ticket.number, tickets);
  const reference = ticket.sides[0]?.opening.reference_temperature_c;
  return html`<tr class=${back ? "gone" : ""}>
    <th scope="row" data-name=${word("tickets.number")}><a href=${way("transfers", "ticket", ticket.number)}>${word("tickets.one", { number: ticket.number })}</a></th>
    <td data-name=${word("tickets.what")}>${ticket.reverses === null ? transferTitle(ticket) : word("tickets.takes_back", { number: ticket.reverses })}</td>
    <td data-name=${word("tickets.product")}>${ticket.product}</td>
    <td data-name=${word("tickets.partner")}>${[ticket.partner, ticket.reference].filter(Boolean).join(", ")}</td>
    <td data-name=${word("tickets.moved")} class="number"><${AccountFigure} figure=${figureOf(ticket.moved, measure)} name=${measure} text=${shown === null ? undefined : written(shown)} />${" "}${measureAt(measure, reference)}</td>
    <td data-name=${word("tickets.quality")}>${word(`quality.${ticket.quality}`)}${ticket.simulated && html` <span>${word("row.simulated")}</span>`}</td>
    <td data-name=${word("tickets.closed")}><time datetime=${ticket.made}>${clock(ticket.made, now)}</time></td>
    <td data-name=${word("tickets.state")}>${stateText(word, ticket, back)}</td>
  </tr>`;
}

/** What it is to others: it stands, is taken back, takes back, stands in the place of another. */
export function stateText(word, ticket, back) {
  const told = [];
  if (ticket.replaces !== null) told.push(word("ticket.replaces", { number: ticket.replaces }));
  if (ticket.reverses !== null) told.push(word("ticket.reverses", { number: ticket.reverses }));
  if (back) told.push(word("ticket.taken_back", { number: back.by }));
  if (back?.standing) told.push(word("ticket.stands_instead", { number: back.standing }));
  if (!back && ticket.reverses === null) told.push(word("ticket.stands"));
  return told.join("; ");
}
