"""What one sheet or act comes to: the book as it would be, and all that is to be kept for it."""

from datetime import datetime

from gateway.account.paper import AccountPaper, Outcome
from gateway.account.ticket import Ticket
from gateway.account.transfer import Mark, MarkKind, Transfer, TransferPhase
from gateway.account.transfers.book import TransferBook, with_ticket, with_transfer
from gateway.account.transfers.papers import ticket_paper, transfer_paper
from gateway.records import Reason
from gateway.tank_record import Event, EventKind

__all__ = ["Draft", "into_phase", "marked"]


class Draft:
    """Of a transfer that changes twice in one go only the last is kept."""

    def __init__(self, book: TransferBook, now: datetime) -> None:
        self.book = book
        self.now = now
        self.lines: list[str] = []
        self.notes: list[str] = []
        self._papers: dict[str, AccountPaper] = {}
        self._events: list[tuple[str, Event]] = []

    @property
    def is_empty(self) -> bool:
        return not self._papers

    def put(self, transfer: Transfer, kind: EventKind, by: str = "", reason: Reason | None = None) -> None:
        """One that is new, or not what it was."""
        self.book = with_transfer(self.book, transfer)
        self._papers[transfer.key] = transfer_paper(transfer, self.now)
        self._tell(transfer.sides[0].tank, kind, transfer.key, by, reason)

    def issue(self, ticket: Ticket) -> None:
        self.book = with_ticket(self.book, ticket)
        self._papers[ticket.key] = ticket_paper(ticket)
        kind = EventKind.TICKET_MADE if ticket.reverses is None else EventKind.TICKET_REVERSED
        self._tell(ticket.sides[0].tank, kind, ticket.key, ticket.by, ticket.reasons[0] if ticket.reasons else None)

    def _tell(self, tank: str, kind: EventKind, key: str, by: str, reason: Reason | None) -> None:
        self._events.append((tank, Event(kind, self.now, key, reason, by or None)))

    def result(self) -> tuple[TransferBook, Outcome]:
        papers = tuple(self._papers.values())
        return self.book, Outcome(papers, tuple(self._events), tuple(self.lines), tuple(self.notes))


def into_phase(transfer: Transfer, phase: TransferPhase, now: datetime) -> Transfer:
    """Since now in another phase; in the same one nothing changes."""
    return transfer if transfer.phase is phase else transfer._replace(phase=phase, since=now, waits_for="")


def marked(transfer: Transfer, kind: MarkKind, now: datetime, text: str, by: str = "") -> Transfer:
    return transfer._replace(marks=(*transfer.marks, Mark(kind, now, text, by)))
