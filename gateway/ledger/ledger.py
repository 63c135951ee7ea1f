"""The ledger as the daemon knows it: history is offered, memory and plans are kept, and nobody waits for the disk."""

import random as random_module
import sqlite3
import threading
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any, TypeVar

import structlog

from gateway import __version__
from gateway.account.paper import AccountPaper
from gateway.clock import Clock
from gateway.history import GATEWAY
from gateway.kept_memory import Kept, KeptWatch
from gateway.ledger.account_papers import AccountPapers
from gateway.ledger.blocks import Blocks
from gateway.ledger.boots import Boot, started
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Transactions
from gateway.ledger.hold import Hold
from gateway.ledger.intake import GivenEvent, GivenRecord
from gateway.ledger.kept import KeptMemory, KeptPlans
from gateway.ledger.opening import ledger_path, opening_of
from gateway.ledger.outbox import LedgerOutbox
from gateway.ledger.outbox_parts import Source
from gateway.ledger.outboxes import Outboxes
from gateway.ledger.papers import Paper, Papers
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.reading_thread import ReadingThread
from gateway.ledger.retention import Retention, free_bytes
from gateway.ledger.selection import Selection
from gateway.ledger.store import Store
from gateway.ledger.summary_rows import SummaryRows
from gateway.ledger.writer import Writer
from gateway.status import LedgerStatus
from gateway.tank_record import Event, Identity, TankRecord

__all__ = ["Ledger"]

LEDGER_OPENED = "ledger.opened"
LEDGER_NOT_ALL_KEPT = "ledger.not_all_kept"


T = TypeVar("T")


def nothing_watched() -> KeptWatch | None:
    return None


def _nothing(_: sqlite3.Connection) -> None:
    pass


class Ledger:
    """One site's. Made by `open`; all but `open` and `close` never wait and never raise."""

    def __init__(self, plan: LedgerPlan, path: Path, boot: Boot, clock: Clock, source: random_module.Random) -> None:
        self.path = path
        self._plan = plan
        self._boot = boot
        self._hold = Hold(path)
        opening = opening_of(path, boot.site, clock, self._hold)
        self._writer = Writer(opening, boot, clock.utc_ns, file=str(path), random=source)
        self._selection = Selection(plan.every_s)
        self._memory = KeptMemory(self._writer)
        self._plans = KeptPlans(self._writer, clock)
        self.papers = Papers(self._writer)
        """What people entered."""
        self.accounts = AccountPapers(self._writer)
        self._readings: dict[str, ReadingThread[Any]] = {}
        """By whom they read for."""
        self._decoder = Decoder()
        # Before all else that is done with the rows of a transaction: these count them.
        self._writer.before_commit(Blocks().add)
        self._summaries = SummaryRows(self._decoder.plain)
        self._writer.before_commit(self._summaries.add)
        self._outboxes = Outboxes(
            Source(path, boot.site, self._writer, self._decoder, clock, lambda behind: self._buffer_left_s(behind))
        )
        self._retention = Retention(
            plan,
            self._writer,
            clock,
            positions=self._outboxes.positions,
            forced=self._outboxes.forced,
            free=lambda: free_bytes(path.parent),
        )
        self._newest: dict[str, tuple[Identity, int]] = {}
        """Of each tank: the identity that its events share, and how many have come with it."""

    @classmethod
    def open(
        cls, plan: LedgerPlan, site: str, boot: str, clock: Clock, random: random_module.Random | None = None
    ) -> "Ledger":
        """Before the loop: reads from the disk. Raises LedgerError where another try with the same file cannot help.

        Where the disk is full, gone or read-only there is a ledger all the same: it says so and tries again.
        """
        this = Boot(site, boot, __version__, plan.commit_s, clock.utc_ns())
        ledger = cls(plan, ledger_path(plan, site), this, clock, random or random_module.Random())
        ledger.begin()
        return ledger

    def begin(self) -> None:
        """What `open` does with one that is made: once."""
        writer = self._writer
        writer.on_opened = self._opened
        store = writer.open()
        if store is not None:
            structlog.get_logger("gateway.ledger").info(
                LEDGER_OPENED,
                file=str(self.path),
                entries=writer.size.entries,
                megabytes=round(writer.size.size_bytes / 1e6, 1),
                whole_file_checked=store.is_checked,
            )
        writer.make_room = self._make_room
        writer.put(GivenEvent(None, 0, started(self._boot)))
        self._retention.begin()
        writer.start()

    @property
    def transactions(self) -> Transactions:
        """The one connection that writes."""
        return self._writer

    def offer(self, record: TankRecord, watch: Callable[[], KeptWatch | None] = nothing_watched) -> None:
        """Every sheet; those that are history are kept, with their events, and with what the watch remembers then."""
        takes, previous = self._selection.takes(record)
        self._newest[record.identity.tank] = record.identity, len(record.events)
        if takes:
            self._writer.put(GivenRecord(record, previous))
        last = len(record.events) - 1
        for number, event in enumerate(record.events):
            self._writer.put(GivenEvent(record.identity, number, event, watch() if number == last else None))

    def event(self, event: Event, tank: str = GATEWAY, watch: KeptWatch | None = None) -> None:
        """What happened apart from any sheet: of a tank, it shares the identity of its newest one."""
        self._writer.put(self._given(event, tank)._replace(watch=watch))

    def keep_papers(
        self, papers: Sequence[Paper], events: Sequence[tuple[str, Event]], audit: tuple[int, str] | None = None
    ) -> "Future[None]":
        """What a person did: papers, events (each with its tank) and a row of the audit trail in one commit, at once.

        `audit`: UTC in ns and the body of the row. The future has the error where nothing of it was kept.
        """
        return self.papers.keep(papers, [self._given(event, tank) for tank, event in events], audit)

    def keep_account(
        self, papers: Sequence[AccountPaper], events: Sequence[tuple[str, Event]], audit: tuple[int, str]
    ) -> "Future[None]":
        """The same of the accounts."""
        return self.accounts.keep(papers, [self._given(event, tank) for tank, event in events], audit)

    def read(self, reading: Callable[[sqlite3.Connection], T]) -> "Future[T]":
        """What was taken in before this is in the file first; then it is read there, by a thread of its own."""
        return self._read(reading, "accounts", is_fresh=True)

    def read_aside(self, reading: Callable[[sqlite3.Connection], T], *, is_fresh: bool) -> "Future[T]":
        """The same for people who look, by another thread: whatever they ask for keeps the accounts from nothing. Not
        `is_fresh`: without what no commit has brought to the disk yet, which then need not come sooner."""
        return self._read(reading, "people", is_fresh=is_fresh)

    def _read(self, reading: Callable[[sqlite3.Connection], T], whom: str, *, is_fresh: bool) -> "Future[T]":
        thread, found = self._readings.get(whom), Future[T]()
        if thread is None:
            thread = self._readings[whom] = ReadingThread(self.path, f"ledger {whom}")

        def told(made: T | Exception) -> None:
            if isinstance(made, Exception):
                found.set_exception(made)
            else:
                found.set_result(made)

        if is_fresh:
            # Where the disk takes nothing in, what is there is read all the same.
            self._writer.do(_nothing, at_once=True).add_done_callback(lambda _: thread.read(reading, told))
        else:
            thread.read(reading, told)
        return found

    def _given(self, event: Event, tank: str) -> GivenEvent:
        if tank == GATEWAY:
            return GivenEvent(None, 0, event)
        unseen = Identity(self._boot.site, tank, self._boot.boot, 0), 0
        identity, number = self._newest.get(tank, unseen)
        self._newest[tank] = identity, number + 1
        return GivenEvent(identity, number, event)

    def keep_memory(self, kept: Kept) -> threading.Event:
        """The event is set once it is written, known not to be, or overtaken by a newer one."""
        return self._memory.keep(kept)

    def memory(self) -> Kept | None:
        """What was kept by the process before; None where nothing was, or nothing can be read, which is logged."""
        return self._memory.before()

    @property
    def memory_is_found(self) -> bool:
        """Whether what the process before kept could be looked for: not where the disk is away since the start."""
        return self._memory.is_found

    def keep_plan(self, plan_id: str, body: bytes | Callable[[], bytes]) -> None:
        """What is needed to calculate records of that plan again, once. Something that takes long to make is made by
        the writer."""
        self._plans.keep(plan_id, body)

    def outbox(self, destination: str, records: bool = True, events: bool = True) -> LedgerOutbox:
        """Where this destination takes history from: at what it has not got yet."""
        return self._outboxes.outbox(destination, records=records, events=events)

    def keep_outboxes(self, destinations: Collection[str]) -> None:
        """Other destinations are forgotten: nothing is kept for them any more."""
        self._outboxes.keep(destinations)

    def take_over(self, plan: LedgerPlan) -> None:
        """Go on as another plan says, of the same file."""
        self._plan = self._retention.plan = plan
        self._selection.every_s = plan.every_s
        self._writer.commit_every(plan.commit_s)

    @property
    def plan(self) -> LedgerPlan:
        """What is fixed for it."""
        return self._plan

    def status(self) -> LedgerStatus:
        """How it does, at any time."""
        writer = self._writer
        size = writer.size
        return LedgerStatus(
            file=str(self.path),
            committed=writer.committed,
            waiting=writer.waiting,
            lost=writer.lost,
            commit_time=writer.commit_time(),
            size_bytes=size.size_bytes,
            entries=size.entries,
            oldest_ns=size.oldest_ns,
            trouble=writer.trouble or self._retention.trouble,
        )

    def close(self, timeout_s: float) -> bool:
        """Blocking: commit what was taken in, say that the gateway stopped. Whether all was kept within that time."""
        self._outboxes.end()
        for thread in self._readings.values():
            thread.end()
        self._writer.insist(self._summaries.finish)
        is_all_kept = self._writer.close(timeout_s)
        if is_all_kept:
            self._hold.release()
        else:
            hint = "the disk was too slow, full or gone: what waited for it is lost"
            log = structlog.get_logger("gateway.ledger")
            log.error(LEDGER_NOT_ALL_KEPT, waiting=self._writer.waiting, hint=hint)
        return is_all_kept

    def _opened(self, store: Store, last: int) -> None:
        """By the writer, each time that it has opened the file; `last` is the newest position that is not in it."""
        self._decoder.learn(store.connection.execute("SELECT id, body FROM dictionaries"))
        self._plans.read(store.connection)
        self.papers.read(store.connection)
        self.accounts.read(store.connection)
        self._memory.opened(store.connection)
        self._summaries.begin(store.connection)
        if last:
            self._outboxes.begun_anew(last)

    def _make_room(self, connection: sqlite3.Connection) -> Callable[[], bool]:
        stepped = self._retention.make_room(connection)

        def made() -> bool:
            self._retention.tell(stepped)
            return stepped.deleted > 0

        return made

    def _buffer_left_s(self, behind: int) -> float | None:
        return self._retention.buffer_left_s(behind)
