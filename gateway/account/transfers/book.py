"""Transfers that are not over, the last numbers given, and what was seen of each tank of late."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket
from gateway.account.transfer import Side, Transfer, TransferPhase
from gateway.account.transfers.seen import Seen

__all__ = ["TransferBook", "book_of", "is_after", "newest_end", "side_of", "with_ticket", "with_transfer"]

_NONE: Mapping[str, tuple[int, ...]] = MappingProxyType({})


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
    ends: Mapping[str, Gauging] = MappingProxyType({})
    """By tank: the closing of its newest ticket. No opening of it is older, so that nothing is counted twice."""
    dismissed: Mapping[str, datetime] = MappingProxyType({})
    """By tank: when a transfer of it was cancelled. A movement that was going on then is not proposed again."""
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
    dismissed = book.dismissed
    if not transfer.phase.is_over:
        transfers[transfer.number] = transfer
    elif transfer.phase is TransferPhase.CANCELLED:
        dismissed = {**dismissed, **{side.tank: transfer.since for side in transfer.sides if side.opening is not None}}
    open_at: dict[str, tuple[int, ...]] = {}
    for number, each in transfers.items():
        if each.phase is not TransferPhase.PLANNED:
            for side in each.sides:
                if side.closing is None:
                    open_at[side.tank] = (*open_at.get(side.tank, ()), number)
    return book._replace(
        transfers=transfers,
        last_transfer=max(book.last_transfer, transfer.number),
        dismissed=dismissed,
        open_at=open_at,
    )


def with_ticket(book: TransferBook, ticket: Ticket) -> TransferBook:
    """The book after a ticket more."""
    ends = dict(book.ends)
    for side in ticket.sides:
        before = ends.get(side.tank)
        if before is None or is_after(side.closing, before):
            ends[side.tank] = side.closing
    return book._replace(last_ticket=max(book.last_ticket, ticket.number), ends=ends)


def is_after(one: Gauging, other: Gauging) -> bool:
    """Whether a gauging of the same tank was made after another, whatever the clock said meanwhile."""
    if one.boot == other.boot:
        return one.sequence > other.sequence
    return one.instant > other.instant


def newest_end(book: TransferBook, tank: str) -> Gauging | None:
    """Where what is spoken for of a tank ends: the newest closing of its tickets and of what was proposed."""
    found = book.ends.get(tank)
    for transfer in book.transfers.values():
        for side in transfer.sides:
            if side.tank == tank and side.closing is not None and (found is None or is_after(side.closing, found)):
                found = side.closing
    return found


def side_of(transfer: Transfer, tank: str) -> Side | None:
    return next((side for side in transfer.sides if side.tank == tank), None)


def _by_number(transfer: Transfer) -> int:
    return transfer.number


def _by_ticket_number(ticket: Ticket) -> int:
    return ticket.number
