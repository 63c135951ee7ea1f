"""A transfer and a ticket as the papers that are kept of them; the ledger reads them again."""

from datetime import datetime

from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.ticket import TICKET, TICKET_SCHEMA, Ticket
from gateway.account.transfer import TRANSFER, TRANSFER_SCHEMA, Transfer

__all__ = ["ticket_paper", "transfer_paper"]


def transfer_paper(transfer: Transfer, now: datetime) -> AccountPaper:
    """The newest of its key counts."""
    document = {"schema": TRANSFER_SCHEMA, "key": transfer.key, **TRANSFER.to_plain(transfer)}
    tank = transfer.sides[0].tank if transfer.sides else ""
    return AccountPaper(PaperKind.TRANSFER, transfer.key, tank, now, document)


def ticket_paper(ticket: Ticket) -> AccountPaper:
    """It stands once, for ever."""
    document = {"schema": TICKET_SCHEMA, "key": ticket.key, **TICKET.to_plain(ticket)}
    return AccountPaper(PaperKind.TICKET, ticket.key, ticket.sides[0].tank, ticket.made, document)
