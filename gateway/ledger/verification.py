"""The whole file of a ledger looked through: the pages, every body, the order of history and of the audit trail."""

import sqlite3
from collections.abc import Callable
from typing import NamedTuple

from gateway.history import Entry, Previous
from gateway.ledger.blocks import RECORD, ends
from gateway.ledger.contract import Row
from gateway.ledger.entries import Decode, Names, Unreadable, entry_of, rows_between
from gateway.ledger.reading_file import site_of

__all__ = ["Findings", "Through", "broken_pages", "read_through"]

_SLICE = 500
_MOST = 1000


class Findings(list[str]):
    """One line each; the first thousand of them, all of them counted."""

    def __init__(self) -> None:
        super().__init__()
        self.total = 0

    def add(self, text: str) -> None:
        """One more."""
        self.total += 1
        if len(self) < _MOST:
            self.append(text)


class Through(NamedTuple):
    """What was found, each in the order of the file."""

    records: int
    events: int
    unreadable: Findings
    gaps: Findings


def broken_pages(connection: sqlite3.Connection, at_most: int = 20) -> list[str]:
    """What SQLite finds wrong with the file, in its words. Raises sqlite3.Error where it cannot go on."""
    found = connection.execute(f"PRAGMA integrity_check({at_most})").fetchall()
    return [text for (text,) in found if text != "ok"]


def read_through(
    connection: sqlite3.Connection, decode: Decode, each: Callable[[Entry], None] = lambda entry: None
) -> Through:
    """Every entry, which `each` is given, as far as it can be read. Raises sqlite3.Error.

    A gateway may go on meanwhile: what it takes out at the beginning of history is no gap. One transaction for all of
    it would let its WAL grow for as long.
    """
    names = Names(connection)
    site = site_of(connection)
    first, last = ends(connection)
    counts = [0, 0]
    unreadable, gaps = Findings(), Findings()
    before: dict[int, Previous] = {}
    is_begin = first == 1
    after = first - 1
    while rows := rows_between(connection, after, last, _SLICE):
        if rows[0].position > after + 1 and ends(connection).first > after + 1:
            # What stood behind the rows before has gone since they were read: here history begins now.
            is_begin = False
            before.clear()
        after = rows[-1].position
        for row in rows:
            counts[row.kind != RECORD] += 1
            entry = entry_of(row, site, names, decode)
            if isinstance(entry, Unreadable):
                unreadable.add(f"position {entry.position}: {entry.trouble}")
            else:
                each(entry)
            if row.kind == RECORD:
                gap = _gap(row, names, before, is_begin=is_begin)
                if gap is not None:
                    gaps.add(gap)
                before[row.tank] = Previous(names.boot(row.boot), row.sequence)
    return Through(counts[0], counts[1], unreadable, gaps)


def _gap(row: Row, names: Names, before: dict[int, Previous], *, is_begin: bool) -> str | None:
    """A record names another one before it than the one that stands there: what lay between is not in the file."""
    named = None
    if row.previous_boot is not None and row.previous_sequence is not None:
        named = Previous(names.boot(row.previous_boot), row.previous_sequence)
    known = before.get(row.tank)
    if named == known or (known is None and not is_begin):
        # Of the first record of a tank the one before may have gone by age.
        return None
    return (
        f"position {row.position}: a record of {names.tank(row.tank)} names {_words(named)} as the one before it,"
        f" and {_words(known)} stands there"
    )


def _words(previous: Previous | None) -> str:
    return "none" if previous is None else f"sequence {previous.sequence} of boot {previous.boot}"
