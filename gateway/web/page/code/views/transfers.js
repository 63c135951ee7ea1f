// Transfers: what waits for a word, what runs, pauses, settles and is planned; below it what was closed, with its tickets.
import { html, useMemo } from "../html.js";
import { useTop } from "../live.js";
import { useWords } from "../words.js";
import { AsOf, useDocument, useIsOld } from "../parts/document.js";
import { NewTransferButtons } from "../parts/transfer_acts.js";
import { TicketPage } from "../parts/ticket_page.js";
import { TicketList } from "../parts/ticket_list.js";
import { TransferCard } from "../parts/transfer_card.js";
import { CancelledList } from "../parts/cancelled_list.js";

const AGAIN_MS = 5_000;
/** First what somebody has to say something of, then what moves, then what waits. */
const ORDER = ["proposed", "running", "paused", "settling", "planned"];

export function TransfersView({ rest }) {
  if (rest[0] === "ticket" && rest[1]) return html`<${TicketPage} number=${rest[1]} />`;
  return html`<${Transfers} />`;
}

function Transfers() {
  const word = useWords();
  const told = useDocument("/transfers", { everyMs: AGAIN_MS, turn: useTurn() });
  const old = useIsOld(told);
  const { document } = told;
  const groups = useMemo(() => grouped(document?.transfers ?? []), [document]);
  // One that goes from here may have left a ticket.
  const open = document === null ? null : document.transfers.map((each) => each.number).join(",");
  return html`
    <h1>${word("transfers.title")}</h1>
    <p class="caution"><strong>${word("caution.valve")}</strong></p>
    <${NewTransferButtons} />
    <${AsOf} told=${told} />
    <div class=${`phases ${old ? "old" : ""}`}>
      ${document?.kept === false && html`<p role="alert"><strong>${word("transfers.not_kept")}</strong></p>`}
      ${document?.kept && document.transfers.length === 0 && html`<p>${word("transfers.none")}</p>`}
      ${groups.map(
        ([phase, transfers]) => html`<section key=${phase} aria-labelledby=${`phase-${phase}`}>
          <h2 id=${`phase-${phase}`}>${word(`transfers.${phase}`)} <span class="quiet">${transfers.length}</span></h2>
          ${phase === "proposed" && html`<p>${word("transfers.proposed_means")}</p>`}
          <div class="cards">${transfers.map((each) => html`<${TransferCard} key=${each.number} transfer=${each} now=${Date.parse(document.time)} done=${told.reload} />`)}</div>
        </section>`,
      )}
    </div>
    <${TicketList} turn=${open} />
    <${CancelledList} />
  `;
}

/** Changes when the live view tells of another transfer, phase or order: then the document is asked for at once. */
function useTurn() {
  const live = useTop("transfers");
  return (live ?? []).map((each) => `${each.number}:${each.phase}`).join(",");
}

function grouped(transfers) {
  return ORDER.map((phase) => [phase, transfers.filter((each) => each.phase === phase).sort((a, b) => a.number - b.number)]).filter(
    ([, each]) => each.length > 0,
  );
}
