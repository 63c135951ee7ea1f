"""Pure: a transfer and how far it has come, as it is kept: each change of it is kept whole, and the newest counts."""

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.plain_form import PlainForm

__all__ = [
    "TRANSFER",
    "TRANSFER_SCHEMA",
    "Direction",
    "Gap",
    "Mark",
    "MarkKind",
    "Planned",
    "Side",
    "Transfer",
    "TransferKind",
    "TransferPhase",
]

TRANSFER_SCHEMA = "tank-gateway/transfer/1"


class TransferKind(StrEnum):
    """What is done."""

    RECEIPT = "receipt"
    DISPATCH = "dispatch"
    TANK_TO_TANK = "tank_to_tank"
    CIRCULATION = "circulation"
    """Out of a tank and back into it: nothing is received or dispatched."""
    WATER_DRAW = "water_draw"
    """Free water leaves: product stays what it was."""


class TransferPhase(StrEnum):
    """How far it has come."""

    PROPOSED = "proposed"
    """A movement that nobody announced: a person says what it is, or that it is none."""
    PLANNED = "planned"
    RUNNING = "running"
    PAUSED = "paused"
    SETTLING = "settling"
    """Nothing flows any more; the closing sheet is taken when the contents have come to rest."""
    CLOSED = "closed"
    """It has a ticket."""
    CANCELLED = "cancelled"

    @property
    def is_over(self) -> bool:
        return self in (TransferPhase.CLOSED, TransferPhase.CANCELLED)

    @property
    def has_begun(self) -> bool:
        """Whether its tanks have an opening, and belong to it."""
        return self in (TransferPhase.RUNNING, TransferPhase.PAUSED, TransferPhase.SETTLING)


class Direction(StrEnum):
    """Of what moves at one tank."""

    INTO = "into"
    OUT_OF = "out_of"


class Side(NamedTuple):
    """One tank of a transfer. A circulation within one tank has one, out of it."""

    tank: str
    direction: Direction
    opening: Gauging | None = None
    closing: Gauging | None = None


class Planned(NamedTuple):
    """What was ordered or announced."""

    amount: float | None = None
    """SI, of `measure`: m3 or kg."""
    measure: str = "gsv"
    """One of `gauging.MEASURES`."""
    begins: datetime | None = None
    """UTC."""


class MarkKind(StrEnum):
    """What happened meanwhile that whoever reads the ticket has to know."""

    PAUSED = "paused"
    RESUMED = "resumed"
    GAP = "gap"
    """Nobody watched for a while: the gateway was down, or the level was lost."""
    CLOCK = "clock"
    """The clock was not trusted, or was set."""
    ROOF = "roof"
    QUALITY = "quality"
    """A sheet that it rests on was not Good."""
    PRODUCT = "product"
    WRONG_WAY = "wrong_way"
    FROZEN = "frozen"
    CORRECTED = "corrected"
    """Somebody changed what was planned, or what is said of it."""


class Mark(NamedTuple):
    kind: MarkKind
    instant: datetime
    """UTC."""
    text: str
    """One sentence."""
    by: str = ""
    """Who, where a person did it."""


class Gap(NamedTuple):
    """While a tank of it moved, nobody watched: the gateway was down, or the level was lost."""

    tank: str
    begins: datetime
    """UTC, of the last sheet with a level."""
    level_m: float | None
    rate_m_s: float | None
    """Of that level, upwards; None: not known."""
    ends: datetime | None = None
    """UTC, of the first sheet with a level after it."""
    is_borne_out: bool | None = None
    """Whether the level went as far as the rates before and after it say; None: not known yet."""


class Transfer(NamedTuple):
    """One transfer."""

    number: int
    """Of the site, from 1; none is used twice."""
    kind: TransferKind
    phase: TransferPhase
    since: datetime
    """UTC, in this phase."""
    sides: tuple[Side, ...]
    product: str
    """What moves, as the first tank held it at the opening (before that: as planned)."""
    planned: Planned = Planned()
    partner: str = ""
    """Ship, truck, pipeline, supplier or customer, as somebody wrote it."""
    reference: str = ""
    """Nomination, order or bill of lading."""
    owner: str = ""
    by: str = ""
    """Who planned, started or confirmed it; empty: proposed by the movement alone."""
    began: datetime | None = None
    """UTC, of the opening."""
    ended: datetime | None = None
    """UTC, when somebody or the movement said that nothing flows any more."""
    marks: tuple[Mark, ...] = ()
    ticket: int | None = None
    gaps: tuple[Gap, ...] = ()
    waits_for: str = ""
    """While it settles: why it cannot be closed yet, as a sentence; empty where only time is wanted."""

    @property
    def key(self) -> str:
        """Of its paper in the ledger."""
        return f"transfer {self.number}"


TRANSFER = PlainForm(Transfer)
