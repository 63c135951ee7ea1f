"""What was entered of a tank, newest first, and the last record of the tank before an instant: gauges against dips."""

import sqlite3

from gateway.history import KeptRecord
from gateway.ledger.blocks import RECORD, runs_between
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import COLUMNS, Names, entry_of
from gateway.ledger.papers import ENTRY
from gateway.ledger.reading_file import site_of
from gateway.tank_record import TankRecord

__all__ = ["papers_of_key", "record_before"]

_LOOKED_AT = 5000
"""Papers of all keys: so far back those of one are looked for."""
_TRIED = 20
"""Records, where the newest cannot be read."""


def papers_of_key(connection: sqlite3.Connection, key: str) -> list[str]:
    """Bodies of what was entered under it, newest first. Raises sqlite3.Error."""
    rows = connection.execute(
        "SELECT body FROM"
        " (SELECT number, body FROM papers WHERE kind = ? ORDER BY instant_ns DESC, number DESC LIMIT ?)"
        " WHERE json_valid(body) AND json_extract(body, '$.key') = ? ORDER BY number DESC",
        (ENTRY, _LOOKED_AT, key),
    )
    return [body for (body,) in rows.fetchall()]


def record_before(connection: sqlite3.Connection, tank: str, at_ns: int, within_ns: int) -> TankRecord | None:
    """Of `at_ns` or at most so long before; None: there is none that can be read. Raises sqlite3.Error."""
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
    if number is None:
        return None
    begin_ns, until_ns = at_ns - within_ns, at_ns + 1
    rows: list[Row] = []
    for first, last in runs_between(connection, begin_ns, until_ns):
        found = connection.execute(
            f"SELECT {COLUMNS} FROM history WHERE position >= ? AND position <= ? AND kind = ? AND tank = ?"
            " AND instant_ns >= ? AND instant_ns < ? ORDER BY instant_ns DESC, position DESC LIMIT ?",
            (first, last, RECORD, number[0], begin_ns, until_ns, _TRIED),
        )
        rows += [Row(*row) for row in found.fetchall()]
    names, site = Names(connection), site_of(connection)
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    for row in sorted(rows, key=lambda row: (row.instant_ns, row.position), reverse=True)[:_TRIED]:
        entry = entry_of(row, site, names, decode)
        if isinstance(entry, KeptRecord):
            return entry.record
    return None
