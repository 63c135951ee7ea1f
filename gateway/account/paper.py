"""Pure: what an act or a movement leaves behind: papers to be kept, what is told, and what the person is answered."""

from datetime import datetime
from enum import StrEnum
from typing import Any, NamedTuple

from gateway.tank_record import Event

__all__ = ["AccountPaper", "Outcome", "PaperKind"]


class PaperKind(StrEnum):
    """Of the ledger's papers, beside what people enter of a tank."""

    TRANSFER = "transfer"
    TICKET = "ticket"
    AMOUNT = "amount"
    DAY = "day"


class AccountPaper(NamedTuple):
    """One paper. Of a transfer the newest of its key counts; of the others each key stands once, for ever."""

    kind: PaperKind
    key: str
    tank: str
    """Empty: of the site."""
    instant: datetime
    """UTC: of a ticket when it was made, of an amount when it was moved, of a day when it ended."""
    document: dict[str, Any]
    """Plain values, with `schema` and `key`."""


class Outcome(NamedTuple):
    """All of it is kept in one commit, or none; only then does it hold."""

    papers: tuple[AccountPaper, ...] = ()
    events: tuple[tuple[str, Event], ...] = ()
    """Each with its tank; empty: of the site."""
    lines: tuple[str, ...] = ()
    """To the person who asked."""
    notes: tuple[str, ...] = ()
