"""Transfers that are not over, the last numbers given, and what was seen of each tank of late."""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket
from gateway.account.transfer import Side, Transfer, TransferPhase
from gateway.account.transfers.seen import Seen
from gateway.tank_state import Motion

__all__ = [
    "TransferBook",
    "book_of",
    "dismissed_after",
    "side_of",
    "spoken_for",
    "with_ticket",
    "with_transfer",
]

_NONE: Mapping[str, tuple[int, ...]] = MappingProxyType({})
Spans = Mapping[tuple[str, str], Gauging]
"""Boot by boot: within one, sheets have an order that no clock can change."""


class TransferBook(NamedTuple):
    """What is open. It never changes: another takes its place once its papers are kept.

    `seen` alone is shared by all of them and kept up to date in place. It holds nothing but sheets: one book more or
    less changes nothing in what was seen.
    """

    seen: dict[str, Seen]
    transfers: Mapping[int, Transfer] = MappingProxyType({})
    """By number: those that are not over."""
    last_transfer: int = 0
    last_ticket: int = 0
    ends: Spans = MappingProxyType({})
    """By tank and boot: the last closing of its tickets, and where it rested when a transfer was cancelled. No opening
    is older, so that nothing is counted twice."""
    dismissed: Spans = MappingProxyType({})
    """By tank and boot: the sheet at which a transfer of it was last cancelled while it moved. That movement is not
    proposed again."""
    open_at: Mapping[str, tuple[int, ...]] = _NONE
    """By tank: the transfers that wait for its closing, begun or proposed."""

    def begun_at(self, tank: str) -> Transfer | None:
        """The one begun transfer that the tank belongs to."""
        found = (self.transfers[number] for number in self.open_at.get(tank, ()))
        return next((each for each in found if each.phase.has_begun), None)

    def proposed_at(self, tank: str) -> Transfer | None:
        """The proposed transfer whose movement is not over."""
        found = (self.transfers[number] for number in self.open_at.get(tank, ()))
        return next((each for each in found if each.phase is TransferPhase.PROPOSED), None)


def book_of(transfers: Iterable[Transfer] = (), tickets: Iterable[Ticket] = ()) -> TransferBook:
    """The book by what is kept: of each transfer the newest paper, and every ticket."""
    book = TransferBook({})
    for transfer in sorted(transfers, key=_by_number):
        book = with_transfer(book, transfer)
    for ticket in sorted(tickets, key=_by_ticket_number):
        book = with_ticket(book, ticket)
    return book


def with_transfer(book: TransferBook, transfer: Transfer) -> TransferBook:
    """The book with a transfer that is new or has changed."""
    transfers = {number: each for number, each in book.transfers.items() if number != transfer.number}
    ends, dismissed = book.ends, book.dismissed
    if not transfer.phase.is_over:
        transfers[transfer.number] = transfer
    elif transfer.phase is TransferPhase.CANCELLED:
        left = [side.closing for side in transfer.sides if side.closing is not None]
        ends = _with_last(ends, [each for each in left if each.motion is Motion.AT_REST])
        dismissed = _with_last(dismissed, [each for each in left if each.motion is not Motion.AT_REST])
    open_at: dict[str, tuple[int, ...]] = {}
    for number, each in transfers.items():
        if each.phase is not TransferPhase.PLANNED:
            for side in each.sides:
                if side.closing is None:
                    open_at[side.tank] = (*open_at.get(side.tank, ()), number)
    return book._replace(
        transfers=transfers,
        last_transfer=max(book.last_transfer, transfer.number),
        ends=ends,
        dismissed=dismissed,
        open_at=open_at,
    )


def with_ticket(book: TransferBook, ticket: Ticket) -> TransferBook:
    """The book after a ticket more."""
    ends = _with_last(book.ends, [side.closing for side in ticket.sides])
    return book._replace(last_ticket=max(book.last_ticket, ticket.number), ends=ends)


def spoken_for(book: TransferBook, since: Gauging, boot: str) -> Gauging | None:
    """Where what is spoken for of a tank ends, if that is after `since`: the last closing of a ticket, or of what was
    proposed. None: nothing is.

    `since`: of the boot of now, `boot`, or of the last sheet before it.
    """
    found = _last_after(book.ends, since, boot)
    for transfer in book.transfers.values():
        for side in transfer.sides:
            if side.closing is not None and side.tank == since.tank and _is_after(side.closing, found or since, boot):
                found = side.closing
    return found


def dismissed_after(book: TransferBook, since: Gauging, boot: str) -> Gauging | None:
    """The sheet at which a transfer of the tank was cancelled, if that was after `since`."""
    return _last_after(book.dismissed, since, boot)


def _last_after(spans: Spans, since: Gauging, boot: str) -> Gauging | None:
    for each in (boot, since.boot):
        found = spans.get((since.tank, each))
        if found is not None and _is_after(found, since, boot):
            return found
    return None


def _is_after(one: Gauging, other: Gauging, boot: str) -> bool:
    if one.boot == other.boot:
        return one.sequence > other.sequence
    return one.boot == boot


def _with_last(spans: Spans, gaugings: Iterable[Gauging]) -> Spans:
    after = dict(spans)
    for each in gaugings:
        before = after.get((each.tank, each.boot))
        if before is None or each.sequence > before.sequence:
            after[each.tank, each.boot] = each
    return after


def side_of(transfer: Transfer, tank: str) -> Side | None:
    return next((side for side in transfer.sides if side.tank == tank), None)


def _by_number(transfer: Transfer) -> int:
    return transfer.number


def _by_ticket_number(ticket: Ticket) -> int:
    return ticket.number
