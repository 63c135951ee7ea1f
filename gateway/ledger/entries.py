"""Rows of history made into entries, with the names of tanks and boots that stand there as numbers."""

import sqlite3
import threading
from collections.abc import Callable, Sequence
from typing import NamedTuple

from gateway.errors import GatewayError
from gateway.history import Entry, KeptEvent, KeptRecord, Previous
from gateway.ledger.blocks import EVENT, RECORD
from gateway.ledger.codec import FormBody, FormOf
from gateway.ledger.contract import Row
from gateway.ledger.forms import form_in
from gateway.tank_record import Event, Identity, TankRecord

__all__ = ["Decode", "EntriesOnce", "Names", "Unreadable", "entry_of", "rows_between"]

Decode = Callable[[int, int, bytes, FormOf], TankRecord | Event]
"""(kind, dictionary, body, forms of the same file): what was kept; whose record it is stands in its row.

Raises an Exception of any kind for a body that is damaged.
"""
_AT_HAND = 128
"""Entries that were made of late: as many as one read of an outbox."""

COLUMNS = "position, kind, tank, boot, sequence, number, instant_ns, dictionary, body, previous_boot, previous_sequence"


class Unreadable(NamedTuple):
    """An entry whose body cannot be read any more."""

    position: int
    trouble: str


class Names:
    """Of tanks and boots, by their numbers, and forms. For one connection and its thread."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._of: dict[tuple[str, int], str] = {}

    def tank(self, number: int) -> str:
        return self._name("SELECT name FROM tanks WHERE id = ?", number)

    def boot(self, number: int) -> str:
        return self._name("SELECT boot FROM boots WHERE id = ?", number)

    def form(self, number: int) -> FormBody | None:
        return form_in(self._connection, number)

    def _name(self, statement: str, number: int) -> str:
        found = self._of.get((statement, number))
        if found is None:
            row = self._connection.execute(statement, (number,)).fetchone()
            if row is None:
                raise sqlite3.DatabaseError(f"number {number} has no name")
            found = self._of[statement, number] = row[0]
        return found


def rows_between(
    connection: sqlite3.Connection, after: int, up_to: int, at_most: int, kind: int | None = None
) -> list[Row]:
    """In order. All are read at once, so that no transaction is held open for longer."""
    only = "" if kind is None else " AND kind = ?"
    given: Sequence[int] = (after, up_to, at_most) if kind is None else (after, up_to, kind, at_most)
    found = connection.execute(
        f"SELECT {COLUMNS} FROM history WHERE position > ? AND position <= ?{only} ORDER BY position LIMIT ?", given
    )
    return [Row(*row) for row in found.fetchall()]


def entry_of(row: Row, site: str, names: Names, decode: Decode) -> Entry | Unreadable:
    """What stands in a row."""
    try:
        kept = decode(row.kind, row.dictionary, row.body, names.form)
        if isinstance(kept, TankRecord) and row.kind == RECORD:
            identity = Identity(site, names.tank(row.tank), names.boot(row.boot), row.sequence)
            return KeptRecord(row.position, kept._replace(identity=identity), _previous(row, names))
        if isinstance(kept, Event) and row.kind == EVENT:
            identity = Identity(site, names.tank(row.tank), names.boot(row.boot), row.sequence)
            return KeptEvent(row.position, identity, row.number, kept)
    except sqlite3.OperationalError:  # the file cannot be read now: that is nothing about this row
        raise
    except Exception as error:  # noqa: BLE001 - whatever is wrong with one body must not keep back those behind it
        words = str(error) if isinstance(error, GatewayError) else f"{type(error).__name__}: {error}"
        return Unreadable(row.position, words)
    return Unreadable(row.position, f"it is no entry of kind {row.kind}")


def _previous(row: Row, names: Names) -> Previous | None:
    if row.previous_boot is None or row.previous_sequence is None:
        return None
    return Previous(names.boot(row.previous_boot), row.previous_sequence)


class EntriesOnce:
    """Entries for several who read the same rows at about the same time, each from the file: unpacking one costs far
    more than reading its row. For all threads.

    What is the same to the last byte is the same entry: no position is ever used twice while a process runs.
    """

    def __init__(self, site: str, decode: Decode) -> None:
        self._site = site
        self._decode = decode
        self._lock = threading.Lock()
        self._made: dict[Row, Entry] = {}

    def __call__(self, row: Row, names: Names) -> Entry | Unreadable:
        """What stands in a row."""
        entry = self._made.get(row)
        if entry is not None:
            return entry
        made = entry_of(row, self._site, names, self._decode)
        if isinstance(made, Unreadable):
            return made
        with self._lock:
            if len(self._made) >= _AT_HAND:
                del self._made[next(iter(self._made))]
            return self._made.setdefault(row, made)
