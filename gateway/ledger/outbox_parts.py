"""What an outbox is given, and what it tells of itself to other threads."""

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, NamedTuple

from gateway.clock import Clock
from gateway.ledger.contract import Transactions
from gateway.ledger.entries import Decode

__all__ = ["Mark", "Source", "trouble_of"]


class Source(NamedTuple):
    """Where outboxes read from."""

    file: Path
    site: str
    transactions: Transactions
    decode: Decode
    clock: Clock
    buffer_left_s: Callable[[int], float | None] = lambda waiting: None
    """For how long the ledger can go on keeping for one that has so many entries behind its cursor."""


class Mark(NamedTuple):
    """How far it has got, at one instant."""

    position: int
    settled: int
    """Wanted entries up to there that wait no more."""


def trouble_of(done: "Future[Any]") -> str | None:
    """What became of a transaction, in words; None: all is well."""
    if done.cancelled():
        return "the ledger has ended"
    error = done.exception()
    return None if error is None else f"{type(error).__name__}: {error}"
