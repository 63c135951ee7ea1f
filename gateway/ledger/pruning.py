"""History taken out by hand, with the gateway stopped: by nothing else is the file held meanwhile."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from gateway.errors import LedgerError
from gateway.ledger.blocks import ends, take_out
from gateway.ledger.cursors import cursors, force
from gateway.ledger.forms import forget_forms

__all__ = ["Pruned", "forgotten", "held", "pruned"]

_SLICE = 5000


class Pruned(NamedTuple):
    """What has gone."""

    deleted: int
    kept_for: Mapping[str, int]
    """Destinations for which older entries stay, and up to which position they have got."""
    lost: Mapping[str, int]
    """What went though a destination had not got it."""


@contextmanager
def held(path: Path) -> Iterator[sqlite3.Connection]:
    """The file for this process alone. Raises LedgerError where another has it open, and for what SQLite finds."""
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=0.0)
    except sqlite3.Error as error:
        raise LedgerError(f"{path}: {error}") from error
    try:
        # In this mode a transaction begins only where no other connection is open, be it one that only reads.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE").fetchone()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
        yield connection
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            hint = "stop the gateway first; one that runs prunes by itself, by `keep` and `largest` of its site file"
            raise LedgerError(f"{path} is in use by another process", hint) from error
        raise LedgerError(f"{path}: {error}") from error
    finally:
        connection.close()


def pruned(connection: sqlite3.Connection, older_than_ns: int, now_ns: int, *, also_needed: bool) -> Pruned:
    """Take out what is older, from the oldest on up to the first that is not; within a transaction that is open.

    What a destination has not got yet stays, unless `also_needed` is given: then it is counted as lost to that one.
    """
    first, last = ends(connection)
    needed = {each.destination: each.position for each in cursors(connection)}
    up_to = _older(connection, first, last, older_than_ns)
    kept_for = {} if also_needed else {name: position for name, position in needed.items() if position < up_to}
    up_to = min([up_to, *kept_for.values()])
    if up_to < first:
        return Pruned(0, kept_for, {})
    lost = force(connection, up_to, now_ns)
    deleted = take_out(connection, up_to)
    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'forms'").fetchone():  # else of an older version
        forget_forms(connection, up_to + 1)
    return Pruned(deleted, kept_for, lost)


def forgotten(connection: sqlite3.Connection, destination: str) -> bool:
    """Keep nothing for a destination any more; within a transaction. Whether it was known."""
    return connection.execute("DELETE FROM cursors WHERE destination = ?", (destination,)).rowcount > 0


def _older(connection: sqlite3.Connection, first: int, last: int, older_than_ns: int) -> int:
    """The position before the first entry that is not older."""
    for begin in range(first, last + 1, _SLICE):
        found = connection.execute(
            "SELECT min(position) FROM history WHERE position >= ? AND position < ? AND instant_ns >= ?",
            (begin, begin + _SLICE, older_than_ns),
        ).fetchone()
        if found[0] is not None:
            return int(found[0]) - 1
    return last
