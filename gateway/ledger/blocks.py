"""What stands where in history, without an index over its rows: one row for each whole run of 1,024 positions.

An index would cost more writes than the rows themselves; these are a thousandth of them.
"""

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from gateway.ledger.contract import Row

__all__ = [
    "BLOCK",
    "EVENT",
    "RECORD",
    "Blocks",
    "Counts",
    "Ends",
    "counted",
    "ends",
    "next_event_block",
    "runs_between",
    "take_out",
]

RECORD = 0
EVENT = 1
"""The kinds of `Row`."""
_SHIFT = 10
BLOCK = 1 << _SHIFT
"""Positions in a run."""
_GONE = "gone"
"""In `about`: up to which position entries have been taken out."""


class Counts(NamedTuple):
    """How many entries."""

    records: int = 0
    events: int = 0

    def plus(self, other: "Counts") -> "Counts":
        return Counts(self.records + other.records, self.events + other.events)

    def wanted(self, records: bool, events: bool) -> int:
        return self.records * records + self.events * events


class Ends(NamedTuple):
    """Positions in the file."""

    first: int
    """Of the oldest entry; where there is none, of the next to come."""
    last: int
    """The greatest that was ever used."""


class Blocks:
    """Writes the row of each run when it is full: done in each transaction with the rows that it adds."""

    def __init__(self) -> None:
        self._last = -1
        """The newest position that is counted."""
        self._counts = Counts()
        self._least_ns = self._greatest_ns = 0

    def add(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
        if not rows:
            return
        if rows[0].position != self._last + 1:
            # The beginning, or the transaction before was undone: what stands in the file is counted again.
            self._count_again(connection, rows[0].position)
        for row in rows:
            if row.position >> _SHIFT != self._last >> _SHIFT:
                self._close(connection)
            self._take(row.position, row.kind, row.instant_ns)

    def _count_again(self, connection: sqlite3.Connection, before: int) -> None:
        self._counts, self._last = Counts(), before - 1
        found = connection.execute(
            "SELECT position, kind, instant_ns FROM history WHERE position >= ? AND position < ? ORDER BY position",
            ((before - 1) >> _SHIFT << _SHIFT, before),
        )
        for position, kind, instant_ns in found:
            self._take(position, kind, instant_ns)

    def _take(self, position: int, kind: int, instant_ns: int) -> None:
        if not any(self._counts):
            self._least_ns = self._greatest_ns = instant_ns
        self._last = position
        self._least_ns = min(self._least_ns, instant_ns)
        self._greatest_ns = max(self._greatest_ns, instant_ns)
        self._counts = self._counts.plus(Counts(events=1) if kind == EVENT else Counts(records=1))

    def _close(self, connection: sqlite3.Connection) -> None:
        if any(self._counts):
            connection.execute(
                "INSERT OR REPLACE INTO blocks VALUES (?, ?, ?, ?, ?)",
                (self._last >> _SHIFT, *self._counts, self._least_ns, self._greatest_ns),
            )
        self._counts = Counts()


def ends(connection: sqlite3.Connection) -> Ends:
    """Where history begins and ends."""
    # Two statements: SQLite looks up only one end of a table at a time, and walks through it for both.
    (first,) = connection.execute("SELECT min(position) FROM history").fetchone()
    (last,) = connection.execute("SELECT max(position) FROM history").fetchone()
    if last is None:
        last = _gone(connection)
    return Ends(last + 1 if first is None else first, last)


def _gone(connection: sqlite3.Connection) -> int:
    gone = connection.execute("SELECT value FROM about WHERE key = ?", (_GONE,)).fetchone()
    if gone is None and connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'sqlite_sequence'").fetchone():
        # A file that was not brought to this version yet, where SQLite keeps account of it.
        gone = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'history'").fetchone()
    return int(gone[0]) if gone else 0


def take_out(connection: sqlite3.Connection, up_to: int) -> int:
    """History up to a position, in a transaction; how many entries that were. None of their positions comes again."""
    connection.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (_GONE, str(up_to)))
    deleted = connection.execute("DELETE FROM history WHERE position <= ?", (up_to,)).rowcount
    connection.execute("DELETE FROM blocks WHERE block < ?", ((up_to + 1) // BLOCK,))
    return deleted


def counted(connection: sqlite3.Connection, after: int, up_to: int) -> Counts:
    """What is in the file behind one position up to another; looks at two thousand rows at most."""
    first, last = ends(connection)
    after, up_to = max(after, first - 1), min(up_to, last)
    if up_to <= after:
        return Counts()
    begin = (after + BLOCK) >> _SHIFT  # the first run that lies wholly behind `after`
    end = (up_to + 1) >> _SHIFT  # the first that does not lie wholly before
    if begin >= end:
        return _looked_at(connection, after, up_to)
    found = _looked_at(connection, after, (begin << _SHIFT) - 1)
    number, records, events = connection.execute(
        "SELECT count(*), coalesce(sum(records), 0), coalesce(sum(events), 0) FROM blocks "
        "WHERE block >= ? AND block < ?",
        (begin, end),
    ).fetchone()
    if number == end - begin:
        return found.plus(Counts(records, events)).plus(_looked_at(connection, (end << _SHIFT) - 1, up_to))
    return _looked_at(connection, after, up_to)


def _looked_at(connection: sqlite3.Connection, after: int, up_to: int) -> Counts:
    of_kind = dict(
        connection.execute(
            "SELECT kind, count(*) FROM history WHERE position > ? AND position <= ? GROUP BY kind", (after, up_to)
        ).fetchall()
    )
    return Counts(of_kind.get(RECORD, 0), of_kind.get(EVENT, 0))


def next_event_block(connection: sqlite3.Connection, after: int, up_to: int) -> int:
    """A position behind `after`, `up_to` at most, up to which there is certainly no event."""
    begin = reached = (after + 1) >> _SHIFT
    for block, events in connection.execute(
        "SELECT block, events FROM blocks WHERE block >= ? ORDER BY block LIMIT 1000", (begin,)
    ):
        if block != reached or events:
            break
        reached += 1
    return after if reached == begin else min((reached << _SHIFT) - 1, up_to)


def runs_between(connection: sqlite3.Connection, from_ns: int, until_ns: int) -> list[tuple[int, int]]:
    """(first, last) of the runs of positions that may have entries of that span of time, oldest first."""
    first, last = ends(connection)
    found = [
        (max(block << _SHIFT, first), min((block << _SHIFT) + BLOCK - 1, last))
        for (block,) in connection.execute(
            "SELECT block FROM blocks WHERE greatest_ns >= ? AND least_ns < ? ORDER BY block", (from_ns, until_ns)
        )
    ]
    (newest,) = connection.execute("SELECT max(block) FROM blocks").fetchone()
    rest = first if newest is None else max((newest + 1) << _SHIFT, first)
    found += [(start, min(start + BLOCK - 1, last)) for start in range(rest, last + 1, BLOCK)]
    return [(begin, end) for begin, end in found if begin <= end]
