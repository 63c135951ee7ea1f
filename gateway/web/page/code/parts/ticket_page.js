// One ticket as it stands on paper: what was moved, opening and closing of each tank, and whatever has to be known of it.
import { html } from "../html.js";
import { way } from "../go.js";
import { useSite } from "../live.js";
import { referenceText } from "../numbers.js";
import { full, span } from "../times.js";
import { useWords } from "../words.js";
import { AccountFigure, exactly, measureAt, reasonTexts, signOf } from "./account_figures.js";
import { AsOf, useDocument } from "./document.js";
import { written } from "./exact.js";
import { FileButton } from "./file_button.js";
import { ReverseTicketButton } from "./transfer_acts.js";
import { figureOf, measuresOf, takenBack, ticketShown } from "./ticket_amounts.js";
import { stateText } from "./ticket_list.js";
import { TicketSide } from "./ticket_side.js";
import { Marks } from "./transfer_card.js";
import { transferTitle } from "./transfer_words.js";

/** It never changes; whether it stands does. */
const AGAIN_MS = 60_000;

export function TicketPage({ number }) {
  const word = useWords();
  const told = useDocument(`/tickets?number=${encodeURIComponent(number)}`, { everyMs: AGAIN_MS });
  const { document } = told;
  const ticket = document?.tickets.find((each) => String(each.number) === number) ?? null;
  return html`
    <p class="onscreen"><a class="button" href=${way("transfers")}>${word("ticket.back")}</a></p>
    ${ticket === null && html`<h1>${word("tickets.one", { number })}</h1><${AsOf} told=${told} />`}
    ${document !== null && ticket === null && html`<p>${word("ticket.unknown", { number })}</p>`}
    ${ticket !== null && told.error && html`<${AsOf} told=${told} />`}
    ${ticket !== null && html`<${Paper} ticket=${ticket} document=${document} reload=${told.reload} />`}
  `;
}

function Paper({ ticket, document, reload }) {
  const word = useWords();
  const site = useSite();
  const back = takenBack(ticket.number, document.tickets);
  const title = ticket.reverses === null ? `${word("tickets.one", { number: ticket.number })}: ${transferTitle(ticket)}` : `${word("tickets.one", { number: ticket.number })}: ${word("tickets.takes_back", { number: ticket.reverses })}`;
  return html`<article class="paper">
    <header>
      <p class="quiet">${document.site} · ${full(ticket.made)} <span class="unit">${document.time_zone}</span> · ${utc(ticket.made)}</p>
      <h1>${title}</h1>
      ${ticket.simulated && html`<p><strong>${word("row.simulated")}</strong></p>`}
      ${back && html`<p class="taken-back" role="note"><strong>${word("ticket.taken_back", { number: back.by })}</strong>${back.standing && html`; <a href=${way("transfers", "ticket", back.standing)}>${word("ticket.stands_instead", { number: back.standing })}</a>`}</p>`}
      <p><strong>${document.notice}</strong></p>
    </header>
    <div class="onscreen acts">
      <button type="button" onClick=${() => window.print()}>${word("ticket.print")}</button>
      <${FileButton} path=${`/api/1/reports/ticket.pdf?ticket=${ticket.number}`} name=${`ticket-${ticket.number}`} form="pdf" label=${word("ticket.pdf")} />
      ${!back && ticket.reverses === null && html`<${ReverseTicketButton} ticket=${ticket} done=${reload} />`}
    </div>
    <${Facts} ticket=${ticket} back=${back} />
    <${Amounts} ticket=${ticket} />
    ${ticket.sides.map((side) => html`<${TicketSide} key=${`${side.tank} ${side.direction}`} side=${side} fixed=${site?.tanks?.[side.tank]} />`)}
    <section><h2>${word("transfer.marks")}</h2>${ticket.marks.length ? html`<${Marks} marks=${ticket.marks} now=${Date.parse(ticket.made)} />` : html`<p>${word("ticket.no_marks")}</p>`}</section>
    <p class="small">${word("ticket.difference")}</p>
    <div class="signatures">${["own", "other"].map((name) => html`<p key=${name}>${word(`ticket.signature_${name}`)}</p>`)}</div>
    <footer><p>${document.site} ticket ${ticket.number} · ${document.notice}</p></footer>
  </article>`;
}

function utc(instant) {
  return `${instant.slice(0, 19)}Z`;
}

function Facts({ ticket, back }) {
  const word = useWords();
  const { planned } = ticket;
  const facts = [
    ["transfer.product", ticket.product],
    ["transfer.partner", ticket.partner],
    ["transfer.reference", ticket.reference],
    ["transfer.owner", ticket.owner],
    ["ticket.began", `${full(ticket.began)} (${utc(ticket.began)})`],
    ["ticket.ended", `${full(ticket.ended)} (${utc(ticket.ended)})`],
    ["ticket.took", span((Date.parse(ticket.ended) - Date.parse(ticket.began)) / 1000)],
    ["ticket.made", `${full(ticket.made)} (${utc(ticket.made)}) ${word("account.by", { who: ticket.by || word("account.gateway") })}`],
    ["ticket.transfer", String(ticket.transfer)],
    ["ticket.ordered", planned.amount === null ? "" : `${written(exactly(planned.measure, planned.amount))} ${signOf(planned.measure)} ${measureAt(planned.measure, ticket.sides[0]?.opening.reference_temperature_c)}`],
    ["ticket.why", ticket.why],
    ["tickets.state", stateText(word, ticket, back)],
    ["account.quality", [ticket.quality === "Uncertain" ? `${word("quality.Uncertain")}, ${word("account.estimated")}` : word(`quality.${ticket.quality}`), ...reasonTexts(ticket.reasons)].join("; ")],
  ];
  return html`<dl class="said">${facts.filter(([, text]) => text).map(([name, text]) => html`<div key=${name}><dt>${word(name)}</dt><dd>${text}</dd></div>`)}</dl>`;
}

/** What was moved by every measure that applies, with its uncertainty. */
function Amounts({ ticket }) {
  const word = useWords();
  const reference = ticket.sides[0]?.opening.reference_temperature_c;
  return html`<section aria-label=${word("ticket.amount")}>
    <h2>${word("ticket.amount")}</h2>
    <div class="wide"><table>
      <thead><tr>
        <th scope="col">${word("account.figure")}</th>
        ${["moved", "uncertainty", "ordered"].map((name) => html`<th key=${name} scope="col" class="number">${word(`ticket.${name}`)}</th>`)}
        <th scope="col">${word("account.quality")}</th>
      </tr></thead>
      <tbody>${measuresOf(ticket).map((name) => {
        const figure = figureOf(ticket.moved, name);
        const shown = ticketShown(ticket, name);
        const uncertainty = ticket.uncertainty[name];
        const like = { like: figure.value };
        return html`<tr key=${name}>
          <th scope="row">${measureAt(name, reference)} <span class="unit">${signOf(name)}</span></th>
          <td class="number"><${AccountFigure} figure=${figure} name=${name} unit=${false} text=${shown === null ? undefined : written(shown)} /></td>
          <td class="number">${uncertainty === undefined ? html`<span class="quiet">${word("account.not_known")}</span>` : `± ${written(exactly(name, uncertainty, like))}`}</td>
          <td class="number">${ticket.planned.amount !== null && ticket.planned.measure === name ? written(exactly(name, ticket.planned.amount, like)) : ""}</td>
          <td class="told">${[word(`quality.${figure.quality}`), ...reasonTexts(figure.quality === "Good" ? [] : figure.reasons)].join(": ")}</td>
        </tr>`;
      })}</tbody>
    </table></div>
    ${referenceText(reference) && html`<p class="small quiet">${word("ticket.basis", { temperature: referenceText(reference) })}</p>`}
  </section>`;
}
