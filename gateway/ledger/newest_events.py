"""Events of one tank or of all, newest first and some at once, without a look at runs of history that have none."""

import sqlite3
import time
from collections.abc import Iterator
from typing import NamedTuple

from gateway.history import KeptEvent
from gateway.ledger.blocks import BLOCK, EVENT, ends
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import COLUMNS, Names, Unreadable, entry_of
from gateway.ledger.reading_file import site_of

__all__ = ["EventsFound", "newest_events"]

_LOOKED_AT_S = 3.0
"""So long at most for one answer: a disk may be slow, and history long."""


class EventsFound(NamedTuple):
    events: tuple[KeptEvent, ...]
    unreadable: int
    before: int | None
    """A position: what is older and was asked for lies before it. None: there is nothing more."""


def newest_events(
    connection: sqlite3.Connection, tank: str | None, begin_ns: int, until_ns: int, before: int | None, at_most: int
) -> EventsFound:
    """Of `begin_ns` and before `until_ns`, UTC; `before`: only those at lesser positions. `tank`: None of all, and of
    the gateway itself. Raises sqlite3.Error."""
    which, of_tank = "", ()
    if tank is not None:
        number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
        if number is None:
            return EventsFound((), 0, None)
        which, of_tank = "AND tank = ? ", number
    names, site = Names(connection), site_of(connection)
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    found: list[KeptEvent] = []
    unreadable = 0
    give_up_s = time.monotonic() + _LOOKED_AT_S
    for first, last in _runs(connection, begin_ns, until_ns, before):
        rows = connection.execute(
            f"SELECT {COLUMNS} FROM history WHERE position >= ? AND position <= ? AND kind = ? {which}"
            "AND instant_ns >= ? AND instant_ns < ? ORDER BY position DESC",
            (first, last, EVENT, *of_tank, begin_ns, until_ns),
        ).fetchall()
        for each in rows:
            if len(found) + unreadable == at_most:
                return EventsFound(tuple(found), unreadable, each[0] + 1)
            entry = entry_of(Row(*each), site, names, decode)
            if isinstance(entry, KeptEvent):
                found.append(entry)
            else:
                assert isinstance(entry, Unreadable)
                unreadable += 1
        if time.monotonic() > give_up_s:
            return EventsFound(tuple(found), unreadable, first)
    return EventsFound(tuple(found), unreadable, None)


def _runs(
    connection: sqlite3.Connection, begin_ns: int, until_ns: int, before: int | None
) -> Iterator[tuple[int, int]]:
    """(first, last) of runs of positions that may have events of that time, newest first."""
    first, last = ends(connection)
    last = last if before is None else min(last, before - 1)
    (newest,) = connection.execute("SELECT max(block) FROM blocks").fetchone()
    rest = first if newest is None else max((newest + 1) * BLOCK, first)
    found = [(start, min(start + BLOCK - 1, last)) for start in range(rest, last + 1, BLOCK)]
    found.reverse()
    blocks = connection.execute(
        "SELECT block FROM blocks WHERE block <= ? AND events > 0 AND greatest_ns >= ? AND least_ns < ? "
        "ORDER BY block DESC",
        (last // BLOCK, begin_ns, until_ns),
    ).fetchall()
    found += [(max(block * BLOCK, first), min(block * BLOCK + BLOCK - 1, last)) for (block,) in blocks]
    return iter([(begin, end) for begin, end in found if begin <= end])
