"""History as rows: names become numbers, positions go on, and each record names the one of its tank before it.

For the writer's connection alone. What was numbered in a transaction that came to nothing is forgotten by `undo`.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from gateway.history import Previous
from gateway.ledger.blocks import RECORD, ends
from gateway.ledger.contract import Row
from gateway.ledger.forms import Form
from gateway.tank_record import Identity

__all__ = ["Piece", "Rows"]

_INSERT = "INSERT INTO history VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_COLUMNS = 11


class Piece(NamedTuple):
    """What is to become a row."""

    kind: int
    identity: Identity
    number: int
    instant_ns: int
    dictionary: int
    body: bytes
    previous: Previous | None
    glance: bytes | None = None
    """As in its row."""
    form: Form | None = None
    """That it was made with: the file has to have it too."""


class Rows:
    """Where history has got to."""

    def __init__(self, connection: sqlite3.Connection, after: int = 0) -> None:
        self._connection = connection
        self._tanks: dict[str, int] = dict(connection.execute("SELECT name, id FROM tanks"))
        self._boots: dict[str, int] = dict(connection.execute("SELECT boot, id FROM boots"))
        self._last = max(after, _last_position(connection))
        self._before = _last_of_each(connection)
        """Of tanks of which no record was kept since the file was opened."""
        self._marks: dict[int, tuple[int, int]] = {}
        """The last record of each tank that has one since the last `mark`: boot and sequence."""
        self._begun: tuple[int, dict[str, int], dict[str, int], dict[str, Previous]] | None = None
        """As it was when the transaction began."""
        self._forms: set[int] = set()
        self._new_forms: set[int] = set()
        """Those of this process that are in the file, and that the transaction has added."""

    @property
    def last(self) -> int:
        """The greatest position so far."""
        return self._last

    def begin(self) -> None:
        """With the transaction."""
        self._begun = self._last, dict(self._tanks), dict(self._boots), dict(self._before)

    def undo(self) -> None:
        """The transaction came to nothing."""
        if self._begun is not None:
            self._last, self._tanks, self._boots, self._before = self._begun
            self._begun = None
            self._new_forms.clear()

    def done(self, rows: Sequence[Row]) -> None:
        """The transaction is on the disk, with these rows."""
        self._begun = None
        self._forms.update(self._new_forms)
        self._new_forms.clear()
        self._marks.update(_last_records(rows))

    def boot(self, boot: str) -> int | None:
        """The number of a start of the gateway; None: this file has not heard of it."""
        return self._boots.get(boot)

    def add_boot(self, boot: str, version: str, commit_s: float, started_ns: int) -> int:
        """A start of the gateway."""
        values = (boot, version, commit_s, started_ns)
        number = self._insert("INSERT INTO boots (boot, version, commit_s, started_ns) VALUES (?, ?, ?, ?)", values)
        self._boots[boot] = number
        return number

    def add(self, pieces: Sequence[Piece]) -> list[Row]:
        """Within a transaction."""
        rows = list(self._rows(pieces))
        self._connection.executemany(_INSERT, [row[:_COLUMNS] for row in rows])
        return rows

    def mark(self, added: Sequence[Row]) -> None:
        """Note down the last record of each tank, within the transaction that has added these: else a start would have
        to look for it."""
        marks = {**self._marks, **_last_records(added)}
        values = [(boot, sequence, tank) for tank, (boot, sequence) in marks.items()]
        self._connection.executemany("UPDATE tanks SET last_boot = ?, last_sequence = ? WHERE id = ?", values)
        self._connection.execute("INSERT OR REPLACE INTO about VALUES ('marked', ?)", (str(self._last),))

    def marked(self) -> None:
        """The same is on the disk."""
        self._marks.clear()

    def _rows(self, pieces: Sequence[Piece]) -> Iterator[Row]:
        for kind, identity, number, instant_ns, dictionary, body, given, glance, form in pieces:
            previous = given
            if kind == RECORD:
                before = self._before.pop(identity.tank, None)
                previous = before if given is None else given
            self._last += 1
            if form is not None and form.number not in self._forms and form.number not in self._new_forms:
                self._add_form(form, self._tank(identity.tank))
            yield Row(
                self._last,
                kind,
                self._tank(identity.tank),
                self._boots[identity.boot],
                identity.sequence,
                number,
                instant_ns,
                dictionary,
                body,
                None if previous is None else self._boots.get(previous.boot),
                None if previous is None else previous.sequence,
                glance,
            )

    def _add_form(self, form: Form, tank: int) -> None:
        """At its first record in this file, which may be another one than that it was made for."""
        values = (form.number, tank, self._last, form.dictionary, form.body)
        self._connection.execute("INSERT OR IGNORE INTO forms VALUES (?, ?, ?, ?, ?)", values)
        self._new_forms.add(form.number)

    def _tank(self, name: str) -> int:
        found = self._tanks.get(name)
        if found is None:
            found = self._tanks[name] = self._insert("INSERT INTO tanks (name) VALUES (?)", (name,))
        return found

    def _insert(self, statement: str, values: tuple[object, ...]) -> int:
        number = self._connection.execute(statement, values).lastrowid
        assert number is not None
        return number


def _last_records(rows: Sequence[Row]) -> dict[int, tuple[int, int]]:
    return {row.tank: (row.boot, row.sequence) for row in rows if row.kind == RECORD}


def _last_position(connection: sqlite3.Connection) -> int:
    """No position is used twice, also where all of history has been deleted since."""
    (delivered,) = connection.execute("SELECT coalesce(max(position), 0) FROM cursors").fetchone()
    return max(ends(connection).last, int(delivered))


def _last_of_each(connection: sqlite3.Connection) -> dict[str, Previous]:
    """As noted down, and what came after that."""
    marked = connection.execute("SELECT value FROM about WHERE key = 'marked'").fetchone()
    noted = connection.execute(
        "SELECT tanks.name, boots.boot, tanks.last_sequence FROM tanks JOIN boots ON boots.id = tanks.last_boot"
    )
    found = {name: Previous(boot, sequence) for name, boot, sequence in noted}
    behind = connection.execute(
        "SELECT tanks.name, boots.boot, history.sequence FROM history JOIN tanks ON tanks.id = history.tank"
        " JOIN boots ON boots.id = history.boot WHERE history.position > ? AND history.kind = ?"
        " ORDER BY history.position",
        (int(marked[0]) if marked else 0, RECORD),
    )
    found.update((name, Previous(boot, sequence)) for name, boot, sequence in behind)
    return found
