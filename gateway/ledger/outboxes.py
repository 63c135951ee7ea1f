"""The outboxes of all destinations of one ledger: who has got how far, and what each commit means to them."""

import sqlite3
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import Future
from functools import partial

from gateway.ledger.contract import Committed, Row
from gateway.ledger.cursors import begin, keep_only
from gateway.ledger.entries import EntriesOnce
from gateway.ledger.outbox import LedgerOutbox
from gateway.ledger.outbox_parts import Mark, Source

__all__ = ["Outboxes"]


class Outboxes:
    """By destination. To be used from one thread, but for `positions` and `forced`."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._entries = EntriesOnce(source.site, source.decode)
        self._of: dict[str, LedgerOutbox] = {}
        self._marks: dict[str, Mark] = {}
        """As they were asked for last."""
        self._adding: list[tuple[int, int]] = []
        """(position, kind) of the transaction that is being made."""
        source.transactions.before_commit(self._add)
        source.transactions.listen(self._tell)

    def outbox(self, destination: str, *, records: bool = True, events: bool = True) -> LedgerOutbox:
        """Where this destination takes from: the same as before, at what it has not delivered, if there was one."""
        known = self._of.get(destination)
        if known is not None and known.wants == (records, events):
            known.rewind()
            return known
        if known is not None:
            known.end()
        made = LedgerOutbox(self._source, self._entries, destination, records=records, events=events)
        self._of = {**self._of, destination: made}
        return made

    def keep(self, destinations: Collection[str]) -> "Future[None]":
        """Destinations other than these are forgotten: nothing is kept for them any more."""
        for name, outbox in self._of.items():
            if name not in destinations:
                outbox.end(forget=True)
        self._of = {name: outbox for name, outbox in self._of.items() if name in destinations}
        return self._source.transactions.do(partial(keep_only, destinations=frozenset(destinations)))

    def positions(self) -> Mapping[str, int]:
        """How far each has got, ahead of the cursors in the file. From any thread."""
        self._marks = {name: outbox.mark for name, outbox in self._of.items()}
        return {name: mark.position for name, mark in self._marks.items()}

    def forced(self, up_to: int, lost: Mapping[str, int]) -> None:
        """Everything up to a position is gone; what was lost by that, by destination, counted from the positions that
        were asked for last. From the writer's thread."""
        for name, outbox in self._of.items():
            if name in lost:
                outbox.forced(up_to, lost[name], self._marks.get(name))

    def begun_anew(self, up_to: int) -> None:
        """Another file has taken the place of a damaged one, and goes on behind this position.

        What was not delivered stands in the file that was set aside. From the writer's thread.
        """
        for name, outbox in list(self._of.items()):
            mark = outbox.mark
            outbox.forced(up_to, outbox.backlog().waiting, mark)
            records, events = outbox.wants
            now_ns = self._source.clock.utc_ns()
            self._source.transactions.do(
                partial(begin, destination=name, records=records, events=events, now_ns=now_ns)
            )

    def end(self) -> "list[Future[None]]":
        """Write all cursors for the last time. Never waits."""
        ended = [outbox.end() for outbox in self._of.values()]
        self._of = {}
        return [each for each in ended if each is not None]

    def _add(self, _: sqlite3.Connection, rows: Sequence[Row]) -> None:
        # Where the transaction before was undone, its rows are none.
        self._adding = [(row.position, row.kind) for row in rows]

    def _tell(self, committed: Committed) -> None:
        added, self._adding = self._adding, []
        for outbox in self._of.values():
            outbox.heard(committed.last, added, committed.at_ns)
