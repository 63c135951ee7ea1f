"""Pure: an amount that somebody else measured: a meter, a loading rack, a ship, a road car. It makes the book."""

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from gateway.plain_form import PlainForm

__all__ = ["AMOUNT", "AMOUNT_SCHEMA", "Amount", "AmountKind", "AmountSource"]

AMOUNT_SCHEMA = "tank-gateway/amount/1"


class AmountKind(StrEnum):
    """What it does to the stock of its product."""

    RECEIPT = "receipt"
    DISPATCH = "dispatch"
    OWN_USE = "own_use"
    ADJUSTMENT = "adjustment"
    """Either way: what a person books without a movement, with a reason."""


class AmountSource(StrEnum):
    """Who measured it."""

    METER = "meter"
    RACK = "rack"
    SHIP = "ship"
    ROAD = "road"
    RAIL = "rail"
    PIPELINE = "pipeline"
    OTHER = "other"


class Amount(NamedTuple):
    """One amount. It never changes: one that reverses it takes it back."""

    number: int
    """Of the site, from 1; none is used twice."""
    kind: AmountKind
    source: AmountSource
    product: str
    value: float
    """SI, of `measure`: m3 or kg. Above zero; of an adjustment either way."""
    measure: str
    """One of `gauging.MEASURES`: on which basis it was measured."""
    instant: datetime
    """UTC, when it was moved: this decides to which day it belongs."""
    entered: datetime
    """UTC, when it came in here."""
    by: str
    reference: str = ""
    """Number of the document. The same one of the same source and product is not taken in twice."""
    ticket: int | None = None
    """Of this movement, if the tank has one: then the document counts, and the ticket is compared with it."""
    tank: str = ""
    owner: str = ""
    why: str = ""
    reverses: int | None = None

    @property
    def key(self) -> str:
        """Of its paper in the ledger."""
        return f"amount {self.number}"


AMOUNT = PlainForm(Amount)
