"""How the parts of the ledger meet: one writer, and what is done in its transactions."""

import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import NamedTuple, Protocol, TypeVar

__all__ = ["Action", "Committed", "Row", "Transactions"]

T = TypeVar("T")
Action = Callable[[sqlite3.Connection], T]
"""Done by the writer's thread within a transaction that is already open; it must not commit. Raises sqlite3.Error."""


class Row(NamedTuple):
    """One row of `history` as it stands in the file; names are numbers of `tanks` and `boots`."""

    position: int
    kind: int
    tank: int
    boot: int
    sequence: int
    number: int
    instant_ns: int
    dictionary: int
    body: bytes
    previous_boot: int | None = None
    previous_sequence: int | None = None
    """Of a record: which one of its tank was kept before it."""
    glance: bytes | None = None
    """Of a record that has just been kept, its figures as trends need them (`summaries.glance_of`): no column."""


class Committed(NamedTuple):
    """What one commit has added to history."""

    first: int
    last: int
    """Positions."""
    at_ns: int
    """UTC."""


class Transactions(Protocol):
    """The one connection that writes, in a thread of its own."""

    def do(self, action: Action[T], *, at_once: bool = False) -> "Future[T]":
        """Do it within the next commit, which comes at once where that is asked for. The future is done when it is
        committed, or has the error of what made that impossible. Never waits."""
        ...

    def listen(self, heard: Callable[[Committed], None]) -> None:
        """Tell of each commit that has added to history, from the writer's thread."""
        ...

    def before_commit(self, added: Callable[[sqlite3.Connection, Sequence[Row]], None]) -> None:
        """Have something done in each transaction with the rows of history that it adds, such as summaries."""
        ...
