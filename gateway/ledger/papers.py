"""What people entered, appended only: of each key the newest counts. Bodies are JSON that whoever keeps them reads."""

import sqlite3
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from typing import NamedTuple

import structlog

from gateway.ledger.audit import adding
from gateway.ledger.intake import GivenEvent
from gateway.ledger.writer import Writer

__all__ = ["PRODUCT", "REQUEST", "Paper", "Papers", "newest_papers"]

PAPERS_CARRIED_OVER = "ledger.papers_carried_over"
ENTRY = "entry"
PRODUCT = "product"
"""Which product a tank holds from when on: one key for each tank and instant, so that all of it is known."""
REQUEST = "request"
"""What waits for a second person, or has waited."""
_READ_HERE = (ENTRY, PRODUCT, REQUEST)
"""The kinds of papers that are read here. No key of one is a key of the other."""


class Paper(NamedTuple):
    """One row."""

    key: str
    """What it is about: stands in the body too, as `key`."""
    tank: str
    instant_ns: int
    body: str
    """JSON."""
    kind: str = ENTRY


class Papers:
    """`keep`, `newest` and `times_read` from any thread; `read` by whoever opened the file."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._lock = threading.Lock()
        self._newest: dict[str, Paper] = {}
        self._number = 0
        """Of the newest row that this process knows of."""
        self.times_read = 0
        """Grows each time that a file was opened: what is in it may not be what was known."""

    def read(self, connection: sqlite3.Connection) -> None:
        """Of a file that was opened. What this process knows and another file has not is put in there too: it may be
        new, or an older copy of the one before.

        Raises sqlite3.Error.
        """
        found, number = newest_papers(connection), _newest_number(connection)
        with self._lock:
            known = self._newest
            if number < self._number:
                missing = [paper for key, paper in known.items() if key not in found or found[key].body != paper.body]
                self._newest = {**found, **known}
            else:
                missing = [paper for key, paper in known.items() if key not in found]
                self._newest = {**known, **found}
            self._number = number
            self.times_read += 1
        if missing:
            log = structlog.get_logger("gateway.ledger")
            log.warning(PAPERS_CARRIED_OVER, papers=len(missing), hint="another file was begun; its audit trail begins")
            self._writer.insist(lambda connection: _insert(connection, missing), at_once=True)

    def newest(self) -> Mapping[str, Paper]:
        """By key."""
        with self._lock:
            return dict(self._newest)

    def keep(
        self, papers: Sequence[Paper], given: Sequence[GivenEvent], audit: tuple[int, str] | None
    ) -> "Future[None]":
        """In one commit with the events and the row of the audit trail, or nothing of it. Never waits.

        A row alone is of something that holds already: it is tried again until the disk takes it.
        """
        number = 0

        def write(connection: sqlite3.Connection) -> None:
            nonlocal number
            _insert(connection, papers)
            if audit is not None:
                adding(*audit)(connection)
            number = _newest_number(connection)

        holds_already = not papers and not given
        future = self._writer.insist(write, at_once=True) if holds_already else self._writer.do_with(write, given)
        future.add_done_callback(lambda done: self._kept(done, papers, number))
        return future

    def _kept(self, done: "Future[None]", papers: Sequence[Paper], number: int) -> None:
        if not done.cancelled() and done.exception() is None:
            with self._lock:
                self._newest |= {paper.key: paper for paper in papers}
                self._number = number


def newest_papers(connection: sqlite3.Connection) -> dict[str, Paper]:
    """By key, as the file has them. What is damaged is left out. Raises sqlite3.Error."""
    rows = connection.execute(
        # SQLite gives with max() the other columns of the same row.
        "SELECT max(papers.number), json_extract(papers.body, '$.key') AS about_key, tanks.name, papers.instant_ns,"
        " papers.body, papers.kind FROM papers LEFT JOIN tanks ON tanks.id = papers.tank"
        f" WHERE papers.kind IN ({', '.join('?' * len(_READ_HERE))}) AND json_valid(papers.body) GROUP BY about_key",
        _READ_HERE,
    )
    return {key: Paper(key, tank or "", instant_ns, body, kind) for _, key, tank, instant_ns, body, kind in rows if key}


def _newest_number(connection: sqlite3.Connection) -> int:
    (number,) = connection.execute("SELECT coalesce(max(number), 0) FROM papers").fetchone()
    return int(number)


def _insert(connection: sqlite3.Connection, papers: Sequence[Paper]) -> None:
    connection.executemany(
        "INSERT INTO papers (kind, tank, instant_ns, body) VALUES (?, (SELECT id FROM tanks WHERE name = ?), ?, ?)",
        [(paper.kind, paper.tank, paper.instant_ns, paper.body) for paper in papers],
    )
