"""A transfer and a ticket as the papers that are kept of them, and back."""

from datetime import datetime
from typing import Any

from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.ticket import TICKET, TICKET_SCHEMA, Ticket
from gateway.account.transfer import TRANSFER, TRANSFER_SCHEMA, Transfer
from gateway.plain_form import PlainFormError

__all__ = ["ticket_from", "ticket_paper", "transfer_from", "transfer_paper"]


def transfer_paper(transfer: Transfer, now: datetime) -> AccountPaper:
    """The newest of its key counts."""
    document = {"schema": TRANSFER_SCHEMA, "key": transfer.key, **TRANSFER.to_plain(transfer)}
    tank = transfer.sides[0].tank if transfer.sides else ""
    return AccountPaper(PaperKind.TRANSFER, transfer.key, tank, now, document)


def ticket_paper(ticket: Ticket) -> AccountPaper:
    """It stands once, for ever."""
    document = {"schema": TICKET_SCHEMA, "key": ticket.key, **TICKET.to_plain(ticket)}
    return AccountPaper(PaperKind.TICKET, ticket.key, ticket.sides[0].tank, ticket.made, document)


def transfer_from(document: Any) -> Transfer:
    """Raises PlainFormError for anything that `transfer_paper` did not write."""
    return TRANSFER.from_plain(_body(document, TRANSFER_SCHEMA))


def ticket_from(document: Any) -> Ticket:
    """Raises PlainFormError for anything that `ticket_paper` did not write."""
    return TICKET.from_plain(_body(document, TICKET_SCHEMA))


def _body(document: Any, schema: str) -> dict[str, Any]:
    if not isinstance(document, dict) or document.get("schema") != schema:
        raise PlainFormError("schema", f"'{schema}'")
    return {name: value for name, value in document.items() if name not in ("schema", "key")}
