"""Pure: the ticket of a closed transfer. It never changes: a mistake is taken back by another that reverses it."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.account.transfer import Direction, Mark, Planned, TransferKind
from gateway.plain_form import PlainForm
from gateway.records import Figure, Quality, Reason

__all__ = ["TICKET", "TICKET_SCHEMA", "Ticket", "TicketLink", "TicketSide", "taken_back_words"]

TICKET_SCHEMA = "tank-gateway/ticket/1"


class TicketSide(NamedTuple):
    """One tank of a ticket."""

    tank: str
    direction: Direction
    opening: Gauging
    closing: Gauging
    moved: Mapping[str, Figure]
    """By measure, SI: what went into the tank or came out of it; below zero where it went the other way."""


class Ticket(NamedTuple):
    """One ticket. One that reverses another has the same sides and amounts, and takes them back."""

    number: int
    """Of the site, from 1; none is used twice, none is left out."""
    transfer: int
    kind: TransferKind
    product: str
    sides: tuple[TicketSide, ...]
    moved: Mapping[str, Figure]
    """By measure, SI: the amount of the ticket. Of a transfer from tank to tank what the receiving tanks took in."""
    uncertainty: Mapping[str, float]
    """By measure, SI: expanded, k = 2, by the rules of GUM; a measure of which it is not known is left out."""
    began: datetime
    ended: datetime
    made: datetime
    """UTC."""
    by: str
    """Who closed the transfer; empty: the gateway by itself when all had come to rest."""
    quality: Quality
    reasons: tuple[Reason, ...] = ()
    why: str = ""
    """What a person gave as a reason for a ticket that would have been refused, or for taking one back."""
    reverses: int | None = None
    replaces: int | None = None
    """The reversed ticket in whose place it stands."""
    partner: str = ""
    reference: str = ""
    owner: str = ""
    planned: Planned = Planned()
    marks: tuple[Mark, ...] = ()
    simulated: bool = False

    @property
    def key(self) -> str:
        """Of its paper in the ledger."""
        return f"ticket {self.number}"


TICKET = PlainForm(Ticket)


class TicketLink(NamedTuple):
    """How one ticket stands to others."""

    number: int
    reverses: int | None
    replaces: int | None


def taken_back_words(number: int, links: Iterable[TicketLink]) -> str:
    """What became of a ticket since it was made, as half a sentence; empty: it stands.

    `links`: of all tickets that may be concerned. One in whose place another stands may be taken back in its turn.
    """
    known = list(links)
    by = {link.reverses: link.number for link in known if link.reverses is not None}
    instead = {link.replaces: link.number for link in known if link.replaces is not None}
    if number not in by:
        return ""
    standing: int | None = number
    while standing is not None and standing in by:
        standing = instead.get(standing)
    told = f"TAKEN BACK by ticket {by[number]}"
    return told if standing is None else f"{told}, ticket {standing} stands in its place"
