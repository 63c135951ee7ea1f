"""Records of one tank of a span of time, a page at a time and either way, for whoever reads them from another process.

There is no index by tank or time: runs of positions that may be of the span are gone through, and a page ends where the
time for it does, so that nobody is kept waiting by who asks for a year.
"""

import sqlite3
from collections.abc import Callable
from typing import NamedTuple

from gateway.history import KeptRecord
from gateway.ledger.blocks import RECORD, runs_between
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import COLUMNS, Names, entry_of
from gateway.ledger.reading_file import site_of
from gateway.tank_record import TankRecord

__all__ = ["Page", "Wanted", "page_of"]


class Wanted(NamedTuple):
    """What is asked for."""

    tank: str
    begin_ns: int
    """UTC; of this instant on."""
    until_ns: int
    """Before this one."""
    forward: bool = True
    """Oldest first; else newest first."""
    beyond: int | None = None
    """Position of the last that was given before; None: from the beginning."""
    at_most: int = 1000


class Page(NamedTuple):
    """What was found of it."""

    records: tuple[TankRecord, ...]
    beyond: int | None
    """Where to go on from; None: there is no more."""


def page_of(connection: sqlite3.Connection, wanted: Wanted, goes_on: Callable[[], bool]) -> Page:
    """The next page. `goes_on`: asked between the runs; once it says no the page ends, be it empty.

    Entries that are damaged are left out. Raises sqlite3.Error.
    """
    found = connection.execute("SELECT id FROM tanks WHERE name = ?", (wanted.tank,)).fetchone()
    if found is None:
        return Page((), None)
    runs = runs_between(connection, wanted.begin_ns, wanted.until_ns)
    if not wanted.forward:
        runs.reverse()
    rows: list[Row] = []
    beyond: int | None = None
    for first, last in runs:
        if wanted.beyond is not None:
            if wanted.forward:
                first = max(first, wanted.beyond + 1)
            else:
                last = min(last, wanted.beyond - 1)
        if first > last:
            continue
        if rows and not goes_on():
            return Page(_records(connection, rows), beyond)
        rows += _rows_of_run(connection, found[0], wanted, first, last, wanted.at_most - len(rows))
        if len(rows) >= wanted.at_most:
            return Page(_records(connection, rows), rows[-1].position)
        beyond = last if wanted.forward else first
        if not goes_on():
            return Page(_records(connection, rows), beyond)
    return Page(_records(connection, rows), None)


def _rows_of_run(
    connection: sqlite3.Connection, tank: int, wanted: Wanted, first: int, last: int, at_most: int
) -> list[Row]:
    order = "ASC" if wanted.forward else "DESC"
    found = connection.execute(
        f"SELECT {COLUMNS} FROM history WHERE position BETWEEN ? AND ? AND kind = ? AND tank = ? "
        f"AND instant_ns >= ? AND instant_ns < ? ORDER BY position {order} LIMIT ?",
        (first, last, RECORD, tank, wanted.begin_ns, wanted.until_ns, at_most),
    )
    return [Row(*row) for row in found.fetchall()]


def _records(connection: sqlite3.Connection, rows: list[Row]) -> tuple[TankRecord, ...]:
    if not rows:
        return ()
    names, site = Names(connection), site_of(connection)
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    entries = [entry_of(row, site, names, decode) for row in rows]
    return tuple(entry.record for entry in entries if isinstance(entry, KeptRecord))
