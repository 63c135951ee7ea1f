"""What the accounts begin with: the book by what is kept, and how well an amount is known."""

from collections.abc import Mapping

from gateway.account.gauging import Gauging
from gateway.account.paper import PaperKind
from gateway.account.ticket import TicketSide
from gateway.account.transfer import Direction
from gateway.account.transfers.book import TransferBook, book_of
from gateway.account.uncertainty import of_sides
from gateway.ledger.account_reading import Before, transfer_from
from gateway.plain_form import PlainFormError

__all__ = ["amount_uncertainty", "book_from"]


def amount_uncertainty(opening: Gauging, closing: Gauging) -> Mapping[str, float]:
    """Of what a tank took in from one gauging to the next: by measure, expanded."""
    return of_sides([TicketSide(opening.tank, Direction.INTO, opening, closing, {})])


def book_from(before: Before) -> tuple[TransferBook, tuple[str, ...]]:
    """The book, and what of it could not be read, a sentence each."""
    known = before.known
    transfers = {transfer.number: transfer for transfer in before.transfers if transfer.phase.is_over}
    troubles = list(known.troubles)
    for number, document in known.transfers.items():
        try:
            transfers[number] = transfer_from(document)
        except PlainFormError as error:
            troubles.append(f"transfer {number} cannot be read: {error}")
    book = book_of(transfers.values(), before.tickets)
    made = book._replace(
        last_transfer=max(book.last_transfer, known.numbers[PaperKind.TRANSFER]),
        last_ticket=max(book.last_ticket, known.numbers[PaperKind.TICKET]),
    )
    return made, tuple(troubles)
