"""What is in the file of a ledger, at a glance: without a look at the rows of history."""

import sqlite3
from pathlib import Path
from typing import NamedTuple

from gateway.ledger.blocks import Counts, counted, ends
from gateway.ledger.cursors import cursors
from gateway.ledger.reading_file import site_of

__all__ = ["DestinationOverview", "Overview", "Start", "overview"]


class DestinationOverview(NamedTuple):
    """How far one destination has got."""

    destination: str
    waiting: int
    lost: int
    """Since it is known."""
    loses: bool
    """Whether it still stands where what was lost to it ended: what waits for it goes next. Else it has gone on."""
    oldest_ns: int | None
    """UTC, of the oldest entry that waits, wanted or not."""
    changed_ns: int
    """UTC: when its cursor was written."""


class Start(NamedTuple):
    """One start of the gateway."""

    boot: str
    version: str
    started_ns: int
    ended_ns: int | None
    """None: it runs, or broke off and was not followed by another."""
    is_clean: bool | None
    lost: int


class Overview(NamedTuple):
    """One file."""

    site: str
    schema: int
    size_bytes: int
    """With what is written to the WAL beside it."""
    free_bytes: int
    """Of pages that are used again."""
    counts: Counts
    oldest_ns: int | None
    newest_ns: int | None
    tanks: tuple[str, ...]
    """That have or had history."""
    plans: int
    papers: int
    audit: int
    destinations: tuple[DestinationOverview, ...]
    starts: int
    last_start: Start | None


def overview(connection: sqlite3.Connection, path: Path) -> Overview:
    """As it is at one instant, while a gateway goes on. Raises sqlite3.Error."""
    connection.execute("BEGIN")
    try:
        return _overview(connection, path)
    finally:
        connection.execute("ROLLBACK")


def _overview(connection: sqlite3.Connection, path: Path) -> Overview:
    first, last = ends(connection)
    wal = Path(f"{path}-wal")
    wal_bytes = wal.stat().st_size if wal.exists() else 0
    return Overview(
        site=site_of(connection),
        schema=_number(connection, "PRAGMA user_version"),
        size_bytes=path.stat().st_size + wal_bytes,
        free_bytes=_number(connection, "PRAGMA freelist_count") * _number(connection, "PRAGMA page_size"),
        counts=counted(connection, first - 1, last),
        oldest_ns=_instant(connection, first),
        newest_ns=_instant(connection, last),
        tanks=tuple(name for (name,) in connection.execute("SELECT name FROM tanks WHERE name != '' ORDER BY name")),
        plans=_number(connection, "SELECT count(*) FROM plans"),
        papers=_number(connection, "SELECT count(*) FROM papers"),
        audit=_number(connection, "SELECT count(*) FROM audit"),
        destinations=tuple(_destinations(connection, first, last)),
        starts=_number(connection, "SELECT count(*) FROM boots"),
        last_start=_last_start(connection),
    )


def _destinations(connection: sqlite3.Connection, first: int, last: int) -> list[DestinationOverview]:
    changed = dict(connection.execute("SELECT destination, changed_ns FROM cursors").fetchall())
    found = []
    for name, position, records, events, lost in cursors(connection):
        waiting = counted(connection, position, last).wanted(records, events)
        oldest_ns = None
        if waiting:
            row = connection.execute(
                "SELECT instant_ns FROM history WHERE position > ? ORDER BY position LIMIT 1", (position,)
            ).fetchone()
            oldest_ns = row[0] if row else None
        loses = lost > 0 and waiting > 0 and position < first
        found.append(DestinationOverview(name, waiting, lost, loses, oldest_ns, changed[name]))
    return found


def _last_start(connection: sqlite3.Connection) -> Start | None:
    found = connection.execute(
        "SELECT boot, version, started_ns, ended_ns, is_clean, lost FROM boots ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if found is None:
        return None
    boot, version, started_ns, ended_ns, is_clean, lost = found
    return Start(boot, version, started_ns, ended_ns, None if is_clean is None else bool(is_clean), lost)


def _number(connection: sqlite3.Connection, statement: str) -> int:
    (found,) = connection.execute(statement).fetchone()
    return int(found)


def _instant(connection: sqlite3.Connection, position: int) -> int | None:
    found = connection.execute("SELECT instant_ns FROM history WHERE position = ?", (position,)).fetchone()
    return int(found[0]) if found else None
