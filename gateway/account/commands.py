"""Pure: what a person asks of the accounts, checked and in SI: `gateway.actions` makes these of what was typed."""

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from gateway.account.amount import AmountKind, AmountSource
from gateway.account.transfer import TransferKind

__all__ = [
    "AccountCommand",
    "AccountRefusedError",
    "AmountCommand",
    "ChangeTransfer",
    "CloseDay",
    "Described",
    "EnterAmount",
    "ImportAmounts",
    "PlanTransfer",
    "ReverseAmount",
    "ReverseTicket",
    "StartTransfer",
    "TransferDeed",
    "TransferVerb",
]


class AccountRefusedError(Exception):
    """What was asked for cannot be done as things stand: one sentence, and what to do instead."""

    def __init__(self, text: str, hint: str = "") -> None:
        super().__init__(text)
        self.hint = hint


class Described(NamedTuple):
    """What is said of a transfer; None: nothing."""

    amount: float | None = None
    """SI, of `measure`."""
    measure: str | None = None
    """One of `gauging.MEASURES`."""
    begins: datetime | None = None
    partner: str | None = None
    reference: str | None = None
    owner: str | None = None


class PlanTransfer(NamedTuple):
    kind: TransferKind
    source: str | None
    """Tank that it comes out of."""
    target: str | None
    described: Described
    by: str
    why: str = ""


class StartTransfer(NamedTuple):
    """Of a planned one, of a proposed one (which it confirms), or of one that is new: then without a number."""

    transfer: int | None
    kind: TransferKind | None
    source: str | None
    target: str | None
    described: Described
    by: str
    why: str = ""


class ChangeTransfer(NamedTuple):
    transfer: int
    described: Described
    by: str
    why: str = ""


class TransferVerb(StrEnum):
    PAUSE = "pause"
    RESUME = "resume"
    FINISH = "finish"
    CLOSE = "close"
    CANCEL = "cancel"


class TransferDeed(NamedTuple):
    verb: TransferVerb
    transfer: int
    by: str
    why: str = ""


class ReverseTicket(NamedTuple):
    """With anything else than None another ticket takes its place."""

    ticket: int
    by: str
    why: str
    kind: TransferKind | None = None
    partner: str | None = None
    reference: str | None = None
    owner: str | None = None


class EnterAmount(NamedTuple):
    kind: AmountKind
    source: AmountSource
    product: str
    value: float
    measure: str
    instant: datetime
    by: str
    reference: str = ""
    ticket: int | None = None
    tank: str = ""
    owner: str = ""
    why: str = ""


class ImportAmounts(NamedTuple):
    """All amounts of a file, or none (`amounts.file`)."""

    text: str
    by: str
    why: str = ""


class ReverseAmount(NamedTuple):
    amount: int
    by: str
    why: str


class CloseDay(NamedTuple):
    """`day`: ISO 8601; None: the one that has ended last."""

    day: str | None
    by: str
    why: str = ""


AmountCommand = EnterAmount | ImportAmounts | ReverseAmount
AccountCommand = PlanTransfer | StartTransfer | ChangeTransfer | TransferDeed | ReverseTicket | AmountCommand | CloseDay
