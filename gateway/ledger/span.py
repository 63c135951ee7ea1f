"""What a ledger has of a span of time, in the order in which it was kept, without an index by time."""

import sqlite3
from collections.abc import Collection, Iterator

from gateway.history import Entry
from gateway.ledger.blocks import runs_between
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import Names, Unreadable, entry_of, rows_between
from gateway.ledger.reading_file import site_of

__all__ = ["FOREVER_NS", "entries_of_span"]

FOREVER_NS = 1 << 62
_SLICE = 256


def entries_of_span(
    connection: sqlite3.Connection,
    kind: int,
    begin_ns: int | None = None,
    until_ns: int | None = None,
    tanks: Collection[int] | None = None,
) -> Iterator[Entry | Unreadable]:
    """Records or events of `begin_ns` and before `until_ns`, both UTC; None: as far as there are any.

    `tanks`: only of these, by their numbers. Raises sqlite3.Error.
    """
    names, site = Names(connection), site_of(connection)
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    span = (-FOREVER_NS if begin_ns is None else begin_ns, FOREVER_NS if until_ns is None else until_ns)
    for row in _rows(connection, kind, *span):
        if tanks is None or row.tank in tanks:
            yield entry_of(row, site, names, decode)


def _rows(connection: sqlite3.Connection, kind: int, begin_ns: int, until_ns: int) -> Iterator[Row]:
    for first, last in runs_between(connection, begin_ns, until_ns):
        after = first - 1
        while rows := rows_between(connection, after, last, _SLICE, kind):
            after = rows[-1].position
            yield from (row for row in rows if begin_ns <= row.instant_ns < until_ns)
