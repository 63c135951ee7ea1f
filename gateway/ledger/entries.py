"""Rows of history made into entries: names stand there as numbers, bodies with the number of their dictionary."""

import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

from gateway.errors import GatewayError
from gateway.history import Entry, KeptEvent, KeptRecord, Previous
from gateway.ledger.codec import Codec, Dictionary
from gateway.ledger.contract import Row
from gateway.ledger.rows import RECORD
from gateway.tank_record import Identity

__all__ = ["Codecs", "Entries", "Unreadable", "rows_between"]

_COLUMNS = (
    "position, kind, tank, boot, sequence, number, instant_ns, dictionary, body, previous_boot, previous_sequence"
)


class Unreadable(NamedTuple):
    """An entry whose body cannot be read any more."""

    position: int
    trouble: str


class Codecs:
    """By the number of their dictionary. For one thread."""

    def __init__(self) -> None:
        self._of: dict[int, Codec] = {}

    def codec(self, connection: sqlite3.Connection, number: int) -> Codec:
        """Raises sqlite3.DatabaseError for a dictionary that the file has not."""
        found = self._of.get(number)
        if found is None:
            row = connection.execute("SELECT body FROM dictionaries WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise sqlite3.DatabaseError(f"there is no dictionary {number}")
            found = self._of[number] = Codec(Dictionary(number, row[0]))
        return found


class Entries:
    """What stands in the rows of a file. For one connection and its thread."""

    def __init__(self, connection: sqlite3.Connection, site: str) -> None:
        self.connection = connection
        self._site = site
        self._codecs = Codecs()
        self._names: dict[tuple[str, int], str] = {}

    def tank(self, number: int) -> str:
        """The name of a tank. Raises sqlite3.DatabaseError where it has none."""
        return self._name("SELECT name FROM tanks WHERE id = ?", number)

    def boot(self, number: int) -> str:
        """Which start of the gateway that is. Raises sqlite3.DatabaseError where it is not known."""
        return self._name("SELECT boot FROM boots WHERE id = ?", number)

    def plain(self, row: Row) -> Any:
        """The plain values of a body. Raises BodyError, sqlite3.DatabaseError."""
        return self._codecs.codec(self.connection, row.dictionary).plain(row.body)

    def entry(self, row: Row) -> Entry | Unreadable:
        """What stands in a row. Raises sqlite3.OperationalError where the file cannot be read now."""
        try:
            codec = self._codecs.codec(self.connection, row.dictionary)
            identity = Identity(self._site, self.tank(row.tank), self.boot(row.boot), row.sequence)
            if row.kind == RECORD:
                return KeptRecord(row.position, codec.record(row.body, identity), self.previous(row))
            return KeptEvent(row.position, identity, row.number, codec.event(row.body))
        except sqlite3.OperationalError:
            raise
        except (GatewayError, sqlite3.DatabaseError) as error:
            return Unreadable(row.position, str(error))

    def previous(self, row: Row) -> Previous | None:
        """Which record a record names as the one before it."""
        if row.previous_boot is None or row.previous_sequence is None:
            return None
        return Previous(self.boot(row.previous_boot), row.previous_sequence)

    def _name(self, statement: str, number: int) -> str:
        found = self._names.get((statement, number))
        if found is None:
            row = self.connection.execute(statement, (number,)).fetchone()
            if row is None:
                raise sqlite3.DatabaseError(f"number {number} has no name")
            found = self._names[statement, number] = row[0]
        return found


def rows_between(
    connection: sqlite3.Connection, after: int, up_to: int, at_most: int, kind: int | None = None
) -> list[Row]:
    """In order. All are read at once, so that no transaction is held open for longer."""
    only = "" if kind is None else " AND kind = ?"
    given: Sequence[int] = (after, up_to, at_most) if kind is None else (after, up_to, kind, at_most)
    found = connection.execute(
        f"SELECT {_COLUMNS} FROM history WHERE position > ? AND position <= ?{only} ORDER BY position LIMIT ?", given
    )
    return [Row(*row) for row in found.fetchall()]
