"""How far each destination has got, as it stands in the file: what is done with it within a transaction."""

import sqlite3
from collections.abc import Collection, Mapping
from typing import NamedTuple

from gateway.ledger.blocks import Counts, counted, ends

__all__ = ["Begun", "Cursor", "begin", "cursors", "force", "keep_only", "move"]


class Cursor(NamedTuple):
    """One destination."""

    destination: str
    position: int
    """All that it wants up to here has arrived there, or is lost to it."""
    records: bool
    events: bool
    lost: int
    """Of what it wants: forced out before it had arrived, since the destination is known."""


class Begun(NamedTuple):
    """Where a destination goes on."""

    position: int
    last: int
    """The newest position at that time."""
    waiting: int
    """What it wants between the two."""
    oldest_ns: int | None
    """UTC, of the oldest entry behind the position, wanted or not."""
    is_new: bool
    is_beyond: bool
    """Its cursor stood behind the end of the file: that is an older one, or another. It gets all there is again."""
    lost: int
    """Entries that are gone though it had not got them, found at this."""


def begin(connection: sqlite3.Connection, destination: str, records: bool, events: bool, now_ns: int) -> Begun:
    """Where the destination goes on; from then on what it needs is kept for it.

    One that is new gets all that is kept: a new database wants what there is, and who wants less can drop it.
    """
    first, last = ends(connection)
    known = connection.execute("SELECT position, lost FROM cursors WHERE destination = ?", (destination,)).fetchone()
    position, lost = known or (first - 1, 0)
    is_beyond = position > last
    if is_beyond:
        # Nothing that is in the file is known to have arrived: better twice than never.
        position = first - 1
    # What is gone with nobody counting, as by hand; of which kind it was nobody knows.
    gone = max(first - 1 - position, 0)
    position += gone
    connection.execute(
        "INSERT OR REPLACE INTO cursors VALUES (?, ?, ?, ?, ?, ?)",
        (destination, position, now_ns, records, events, lost + gone),
    )
    oldest = connection.execute(
        "SELECT instant_ns FROM history WHERE position > ? ORDER BY position LIMIT 1", (position,)
    ).fetchone()
    waiting = counted(connection, position, last).wanted(records, events)
    return Begun(position, last, waiting, oldest[0] if oldest else None, known is None, is_beyond, gone)


def move(connection: sqlite3.Connection, destination: str, position: int, now_ns: int) -> None:
    """Forward, never back."""
    connection.execute(
        "UPDATE cursors SET position = ?, changed_ns = ? WHERE destination = ? AND position < ?",
        (position, now_ns, destination, position),
    )


def keep_only(connection: sqlite3.Connection, destinations: Collection[str]) -> None:
    """Others are forgotten, and nothing is kept for them any more."""
    known = [each.destination for each in cursors(connection)]
    connection.executemany(
        "DELETE FROM cursors WHERE destination = ?", [(name,) for name in known if name not in destinations]
    )


def cursors(connection: sqlite3.Connection) -> list[Cursor]:
    """All, by name."""
    found = connection.execute("SELECT destination, position, records, events, lost FROM cursors ORDER BY destination")
    return [
        Cursor(name, position, bool(records), bool(events), lost) for name, position, records, events, lost in found
    ]


def force(connection: sqlite3.Connection, up_to: int, now_ns: int) -> Mapping[str, int]:
    """Count what goes up to a position, before it goes, as lost to each destination that has not got it.

    By destination, where there is any.
    """
    found = {}
    for cursor in cursors(connection):
        if cursor.position < up_to:
            going: Counts = counted(connection, cursor.position, up_to)
            lost = going.wanted(cursor.records, cursor.events)
            connection.execute(
                "UPDATE cursors SET position = ?, changed_ns = ?, lost = lost + ? WHERE destination = ?",
                (up_to, now_ns, lost, cursor.destination),
            )
            if lost:
                found[cursor.destination] = lost
    return found
