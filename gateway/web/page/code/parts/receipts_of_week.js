// What came in during the days of the outlook and since: tickets of receipts beside what had been announced.
import { html } from "../html.js";
import { way } from "../go.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, amountText, measureWord } from "./account_figures.js";
import { AsOf, useDocument } from "./document.js";
import { written } from "./exact.js";
import { PlainTable } from "./plain_table.js";
import { figureOf, takenBack, ticketShown, toldMeasure } from "./ticket_amounts.js";

const NAMES = ["ticket", "ended", "product", "tanks", "partner", "announced", "received", "quality"];

/** `days`: null as long as they are not known. */
export function ReceiptsOfWeek({ days }) {
  const word = useWords();
  const told = useDocument(days && `/tickets?from=${days[0]}`);
  const { document } = told;
  const tickets = (document?.tickets ?? []).filter((each) => each.kind === "receipt" && each.reverses === null).reverse();
  const rows = tickets.map((each) => ({ key: each.number, cells: cellsOf(each, document.tickets, word) }));
  return html`<section aria-labelledby="receipts-of-week">
    <h2 id="receipts-of-week">${word("outlook.receipts")}</h2>
    <${AsOf} told=${told} />
    ${document && !document.complete && html`<p role="alert"><strong>${word("account.not_all")}</strong></p>`}
    ${document && (rows.length === 0 ? html`<p>${word("outlook.no_receipts", { from: days[0] })}</p>` : html`<${PlainTable} label=${word("outlook.receipts")} rows=${rows} columns=${NAMES.map((name) => ({ name, title: word(`outlook.receipt.${name}`), number: name === "announced" || name === "received" }))} />`)}
    <p class="small">${word("outlook.announced_how")}</p>
  </section>`;
}

function cellsOf(ticket, tickets, word) {
  const { amount, measure: asked } = ticket.planned;
  // By what was announced, so that both are of one kind.
  const measure = amount === null || figureOf(ticket.moved, asked).value === null ? toldMeasure(ticket.moved, ticket.kind) : asked;
  const shown = ticketShown(ticket, measure);
  const back = takenBack(ticket.number, tickets);
  return {
    ticket: html`<a href=${way("transfers", "ticket", ticket.number)}>${word("tickets.one", { number: ticket.number })}</a>`,
    ended: html`<time datetime=${ticket.ended}>${full(ticket.ended)}</time>`,
    product: ticket.product,
    tanks: ticket.sides.map(({ tank }) => tank).join(", "),
    partner: [ticket.partner, ticket.reference].filter(Boolean).join(", "),
    announced: amount === null ? word("outlook.not_announced") : html`${amountText(amount, asked)} <span class="unit">${measureWord(asked)}</span>`,
    received: html`<${AccountFigure} figure=${figureOf(ticket.moved, measure)} name=${measure} text=${shown === null ? undefined : written(shown)} /> <span class="unit">${measureWord(measure)}</span>`,
    quality: html`${word(`quality.${ticket.quality}`)}${back && html` <strong>${word("outlook.taken_back", { number: back.by })}</strong>`}`,
  };
}
