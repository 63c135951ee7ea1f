"""The open file of the ledger with its one connection that writes: what a transaction of the writer is made of."""

import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import structlog

from gateway.ledger.boots import Boot, broken_off
from gateway.ledger.codec import present_dictionary
from gateway.ledger.contract import Row
from gateway.ledger.intake import GivenEvent, Task
from gateway.ledger.rows import Piece, Rows
from gateway.ledger.store import Store, error_code, transaction
from gateway.tank_record import Event

__all__ = ["BeforeCommit", "OpenFile", "Size"]

LEDGER_PART_FAILED = "ledger.part_failed"

T = TypeVar("T")
BeforeCommit = Callable[[sqlite3.Connection, Sequence[Row]], None]
_OF_THE_WHOLE = frozenset(
    {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_READONLY}
    | {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
)
"""Errors by which the whole transaction comes to nothing, whoever met them."""


class Size(NamedTuple):
    """How much is in the file."""

    size_bytes: int = 0
    entries: int = 0
    oldest_ns: int | None = None


class OpenFile:
    """Raises sqlite3.Error from all that it does."""

    def __init__(self, store: Store, after: int = 0) -> None:
        """Positions go on behind that one, and behind all that is in the file."""
        self.store = store
        self._number = _number(store.path)
        self._connection = store.connection
        self._rows = Rows(store.connection, after)
        self._log = structlog.get_logger("gateway.ledger")
        self._failed: set[BeforeCommit] = set()
        """Parts that have failed, which was said."""

    def is_there(self) -> bool:
        """Whether its name still leads to it. Raises OSError where that cannot be seen."""
        try:
            return _number(self.store.path) == self._number
        except (FileNotFoundError, NotADirectoryError):
            return False

    def begin_boot(
        self,
        boot: Boot,
        now_ns: int,
        told: Sequence[Event],
        packed: Callable[[Event], Piece],
        hooks: Sequence[BeforeCommit],
    ) -> list[Row]:
        """So that rows of this start can be written, once. Adds to history what was told by opening the file, and that
        those before broke off: in the same commit, so that no crash in between can hide it.
        """
        rows = self._rows
        if rows.boot(boot.boot) is not None:
            return []
        rows.begin()
        try:
            with transaction(self._connection):
                events = [*told, *broken_off(self._connection, now_ns)]
                rows.add_boot(boot.boot, boot.version, boot.commit_s, boot.started_ns)
                self._connection.execute("INSERT OR IGNORE INTO dictionaries VALUES (?, ?)", present_dictionary())
                added = rows.add([packed(event) for event in events])
                for hook in hooks if added else ():
                    self._hook(hook, added)
        except BaseException:
            rows.undo()
            raise
        rows.done(added)
        return added

    def commit(
        self,
        pieces: Sequence[Piece],
        tasks: Sequence[Task],
        hooks: Sequence[BeforeCommit],
        packed: Callable[[GivenEvent], Piece],
        *,
        mark: bool,
    ) -> list[Row]:
        """All of it or nothing; a task or a hook that fails by itself leaves out no more than its own.

        Tasks with events come before the hooks, which see their rows; all others behind, as some end what hooks did.
        """
        rows = self._rows
        rows.begin()
        try:
            with transaction(self._connection):
                added = rows.add(pieces)
                for task in tasks:
                    if task.given:
                        added += self._task_with_events(task, packed)
                for hook in hooks if added else ():
                    self._hook(hook, added)
                for task in tasks:
                    if not task.given:
                        task.result, task.error = self._apart(task.action)
                if mark:
                    rows.mark(added)
        except BaseException:
            rows.undo()
            raise
        rows.done(added)
        if mark:
            rows.marked()
        return added

    @property
    def last(self) -> int:
        """The greatest position so far."""
        return self._rows.last

    def apart(self, action: Callable[[sqlite3.Connection], T]) -> T:
        """In a transaction of its own."""
        with transaction(self._connection):
            return action(self._connection)

    def free_bytes(self) -> int:
        """Of pages in the file that nothing is in."""
        (pages,) = self._connection.execute("PRAGMA freelist_count").fetchone()
        (page_bytes,) = self._connection.execute("PRAGMA page_size").fetchone()
        return int(pages * page_bytes)

    def size(self) -> Size:
        """Of the file without its WAL."""
        (pages,) = self._connection.execute("PRAGMA page_count").fetchone()
        (page_bytes,) = self._connection.execute("PRAGMA page_size").fetchone()
        first = "SELECT position, instant_ns FROM history ORDER BY position LIMIT 1"
        oldest = self._connection.execute(first).fetchone()
        if oldest is None:
            return Size(pages * page_bytes)
        return Size(pages * page_bytes, self._rows.last - oldest[0] + 1, oldest[1])

    def close(self) -> None:
        with suppress(sqlite3.Error):
            self._connection.close()

    def _hook(self, hook: BeforeCommit, added: Sequence[Row]) -> None:
        error = self._apart(lambda connection: hook(connection, added))[1]
        if error is not None and hook not in self._failed:
            self._failed.add(hook)
            self._log.error(LEDGER_PART_FAILED, part=getattr(hook, "__qualname__", str(hook)), error=str(error))

    def _task_with_events(self, task: Task, packed: Callable[[GivenEvent], Piece]) -> list[Row]:
        done, task.error = self._apart(
            lambda connection: (task.action(connection), [packed(each) for each in task.given])
        )
        if task.error is not None:
            return []
        task.result, pieces = done
        return self._rows.add(pieces)

    def _apart(self, action: Callable[[sqlite3.Connection], Any]) -> tuple[Any, BaseException | None]:
        self._connection.execute("SAVEPOINT part")
        try:
            result = action(self._connection)
        except Exception as error:
            # What fails in one part must not cost the history of the others.
            if error_code(error) in _OF_THE_WHOLE or not self._connection.in_transaction:
                raise
            self._connection.execute("ROLLBACK TO part")
            self._connection.execute("RELEASE part")
            return None, error
        self._connection.execute("RELEASE part")
        return result, None


def _number(path: Path) -> tuple[int, int]:
    """By which a file is known to the system, whatever it is called."""
    found = os.stat(path)
    return found.st_dev, found.st_ino
