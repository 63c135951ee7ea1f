"""Pure: the close of a day. A revision never changes: what comes late makes another, and the ones before are kept."""

from datetime import datetime
from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.plain_form import PlainForm
from gateway.records import Figure, Quality, Reason

__all__ = ["DAY", "DAY_SCHEMA", "Balance", "DayClose", "TankAtClose"]

DAY_SCHEMA = "tank-gateway/day-close/1"


class TankAtClose(NamedTuple):
    """One tank at the end of the day."""

    tank: str
    gauging: Gauging | None
    """The last sheet at or before the boundary; None where there is none that is young enough."""
    is_moving: bool
    owner: str = ""
    reasons: tuple[Reason, ...] = ()
    """Why it is not all that it could be: moving, old, estimated, by hand."""
    product: str = ""
    """What it holds, also where it has no gauging."""


class Balance(NamedTuple):
    """One product over one span: book = opening + receipts - dispatches - own use + adjustments; what the tanks hold
    above that is gain, below it loss. SI, of `measure`. A figure carries quality and why."""

    product: str
    measure: str
    opening: Figure
    receipts: Figure
    dispatches: Figure
    own_use: Figure
    adjustments: Figure
    book: Figure
    physical: Figure
    gain: Figure
    """Below zero: loss."""
    throughput: Figure
    """Dispatches and own use: what tolerances in per cent are of."""
    uncertainty: float | None
    """Of the gain: expanded, k = 2, by the rules of GUM."""
    tanks: tuple[int, int]
    """How many tanks its physical stock includes, of how many that hold the product."""
    documents: int = 0
    """How many amounts of others are in it, and"""
    tickets: int = 0
    """how many movements that have but a ticket of the tank, or are still open."""
    unaccounted: Figure | None = None
    """Movements that nobody has said what they were; beside the book, never in it. None: there is none."""
    tolerance: float | None = None
    """Of the gain, either way, SI: of a month only; None where there is none, or what it is of is not known."""


class DayClose(NamedTuple):
    """One day of the site, as one revision has it."""

    day: str
    """ISO 8601: the date on which it began, in the zone of the site."""
    revision: int
    """From 1."""
    begin: datetime
    end: datetime
    """UTC; a day has 23, 24 or 25 hours."""
    made: datetime
    """UTC."""
    by: str
    """Empty: by the gateway itself, at its time."""
    tanks: tuple[TankAtClose, ...]
    balances: tuple[Balance, ...]
    month: tuple[Balance, ...]
    """From the first day of its month to the end of this one."""
    quality: Quality
    why: str = ""
    """Of a revision after the first: what came late or was corrected."""
    simulated: bool = False
    time_zone: str = ""
    opening: str = ""
    """Key of the close that its opening is of; empty: there was none."""

    @property
    def key(self) -> str:
        """Of its paper in the ledger."""
        return f"day {self.day} {self.revision}"


DAY = PlainForm(DayClose)
