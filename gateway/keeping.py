"""What outlives the process, in the daemon's hands: the ledger, or else memory in a file of its own."""

import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import structlog

from gateway.account.paper import AccountPaper
from gateway.clock import Clock
from gateway.delivery.contract import Outbox
from gateway.errors import GatewayError, LedgerError
from gateway.kept_memory import Kept, KeptWatch
from gateway.ledger.account_papers import Known
from gateway.ledger.ledger import Ledger
from gateway.ledger.papers import Paper
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.room import room_warnings
from gateway.outbox_turns import Turns
from gateway.process.durations import DurationCounts
from gateway.process.memory_file import DIRECTORY_VARIABLE, MEMORY_NOT_KEPT, MemoryFile, MemoryKeeper, file_name
from gateway.process.one_thread import OneThread, done_within
from gateway.status import LedgerStatus, Trouble
from gateway.tank_record import Event, TankRecord

__all__ = ["Keeping", "Open", "kept_in", "nothing_kept"]

NOTHING_KEPT = "ledger.not_kept"
LITTLE_ROOM = "ledger.little_room"

_FILE_REFUSED = "file_refused"
_CLOSE_S = 3.0
_MARGIN_S = 0.5
"""Between what is waited for and for how long: twice, for the ledger and for memory."""
_LOGGER = structlog.get_logger("gateway.daemon")

T = TypeVar("T")
PlanOf = Callable[[str], Callable[[], bytes] | None]
"""What makes the text of a record's plan, by the tank: asked for once for each plan."""
WatchOf = Callable[[str], KeptWatch | None]
"""What the watch of a tank remembers now."""


def _refused() -> "Future[Any]":
    refused: Future[Any] = Future()
    refused.set_exception(LedgerError("there is no ledger"))
    return refused


def nothing_watched(_tank: str) -> KeptWatch | None:
    return None


class Keeping:
    """Neither waits for a disk nor raises, whatever is wrong with it."""

    def __init__(self, ledger: Ledger | None, memory: MemoryKeeper | None, refused: LedgerStatus | None = None) -> None:
        """`refused`: of a ledger that there should be and cannot."""
        self._ledger = ledger
        self._refused = refused
        self._memory = memory
        self._plans: set[str] = set()
        self._turns: dict[tuple[str, bool], Turns] = {}
        """By destination, and whether it takes records."""

    def read_memory(self) -> Kept | None:
        """What was remembered when the process before ended, whether that kept a ledger or not."""
        places = (
            None if self._ledger is None else self._ledger.memory(),
            None if self._memory is None else self._memory.read(),
        )
        return max((kept for kept in places if kept is not None), key=lambda kept: kept.utc_ns, default=None)

    @property
    def awaits_memory(self) -> bool:
        """Whether the ledger has what was remembered and could not be read yet."""
        return self._ledger is not None and not self._ledger.memory_is_found

    def late_memory(self) -> Kept | None:
        """What the ledger remembered, once it is awaited no more. The first time only."""
        return None if self._ledger is None else self._ledger.memory()

    @property
    def remembers(self) -> bool:
        """Whether there is a place for memory."""
        return self._ledger is not None or self._memory is not None

    def offer(self, record: TankRecord, plan_of: PlanOf, watch_of: WatchOf = nothing_watched) -> None:
        """A record of which the ledger takes what is history, and what the watch remembers where something happened."""
        if self._ledger is None:
            return
        if record.plan not in self._plans:
            text = plan_of(record.identity.tank)
            # Without one it is the last word of a tank that is gone; it may come back with the same plan.
            if text is not None:
                self._plans.add(record.plan)
                self._ledger.keep_plan(record.plan, text)
        self._ledger.offer(record, lambda: watch_of(record.identity.tank))

    def events(self, events: Sequence[Event], watch: KeptWatch) -> None:
        """What has happened to the gateway itself, and what is remembered of it from now on."""
        if self._ledger is not None:
            for event in events:
                self._ledger.event(event, watch=watch if event is events[-1] else None)

    def events_apart(self, events: Sequence[tuple[str, Event]]) -> None:
        """What has happened to tanks without a sheet that tells it, each with its tank."""
        if self._ledger is not None:
            for tank, event in events:
                self._ledger.event(event, tank)

    def outbox(self, destination: str, *, records: bool = True) -> Outbox | None:
        """For one that takes the place of whoever had it before, from when it first takes something.

        Without `records` it is of events alone.
        """
        if self._ledger is None:
            return None
        kind = (destination, records)
        if kind not in self._turns:
            self._turns[kind] = Turns(self._ledger.outbox(destination, records=records))
        return self._turns[kind].next()

    def keep_outboxes(self, destinations: Sequence[str]) -> None:
        """What none of these has to get any more is held back for nobody."""
        self._turns = {kind: turns for kind, turns in self._turns.items() if kind[0] in destinations}
        if self._ledger is not None:
            self._ledger.keep_outboxes(destinations)

    def take_over(self, plan: LedgerPlan | None) -> None:
        """Go on as another plan says, of the same file."""
        if self._ledger is not None and plan is not None:
            self._ledger.take_over(plan)

    @property
    def keeps_papers(self) -> bool:
        """Whether there is a place for what people enter."""
        return self._ledger is not None

    @property
    def is_refused(self) -> bool:
        """Whether there is a ledger that cannot be used, whatever it knows."""
        trouble = None if self._refused is None else self._refused.trouble
        return trouble is not None and trouble.code == _FILE_REFUSED

    def papers(self) -> tuple[Mapping[str, Paper], int]:
        """What people have entered, by key, and how many times a file was read for it."""
        return ({}, 0) if self._ledger is None else (self._ledger.papers.newest(), self._ledger.papers.times_read)

    def keep_papers(
        self, papers: Sequence[Paper], events: Sequence[tuple[str, Event]], audit: tuple[int, str] | None
    ) -> "Future[None]":
        """What a person did, in one commit; the future has the error where nothing of it was kept."""
        if self._ledger is not None:
            return self._ledger.keep_papers(papers, events, audit)
        return _refused()

    def known_accounts(self) -> tuple[Known | None, int]:
        """What the accounts go on with, and how many times a file was read for it; None: none was yet."""
        if self._ledger is None or not self._ledger.accounts.times_read:
            return None, 0
        return self._ledger.accounts.known(), self._ledger.accounts.times_read

    def found_accounts(self, known: Known) -> None:
        """What was read of them: this counts from now on."""
        if self._ledger is not None:
            self._ledger.accounts.found(known)

    def keep_account(
        self, papers: Sequence[AccountPaper], events: Sequence[tuple[str, Event]], audit: tuple[int, str]
    ) -> "Future[None]":
        """Papers of the accounts with what happened, in one commit; the future has the error where nothing was kept."""
        if self._ledger is not None:
            return self._ledger.keep_account(papers, events, audit)
        return _refused()

    def read(self, reading: Callable[[sqlite3.Connection], T]) -> "Future[T]":
        """From the file, by a thread of its own, with all that was taken in before."""
        return _refused() if self._ledger is None else self._ledger.read(reading)

    def read_aside(self, reading: Callable[[sqlite3.Connection], T], *, is_fresh: bool) -> "Future[T]":
        """The same for people who look, whom nothing else waits for."""
        return _refused() if self._ledger is None else self._ledger.read_aside(reading, is_fresh=is_fresh)

    def status(self) -> LedgerStatus | None:
        return self._refused if self._ledger is None else self._ledger.status()

    def keep(self, kept: Kept) -> threading.Event | None:
        """Takes the memory in. The event is set when it is written, or known not to be."""
        if self._ledger is not None:
            return self._ledger.keep_memory(kept)
        return None if self._memory is None else self._memory.keep(kept)

    async def close(self, last: threading.Event | None, within_s: float = _CLOSE_S) -> None:
        """When nothing more comes: writes what is left, as far as that can be done in time."""
        # Not asyncio.to_thread: look-ups of names that hang may have all of its threads.
        thread = OneThread("end of what is kept")
        patience_s = max(0.0, within_s - 2 * _MARGIN_S)
        if self._ledger is not None:
            # Before memory is waited for: this commits it too, also where a commit may be a minute away.
            await done_within(thread.do(partial(self._ledger.close, patience_s)), patience_s + _MARGIN_S)
        wait_s = patience_s if self._ledger is None else 0.0
        if last is not None and not last.is_set():
            await done_within(thread.do(partial(last.wait, wait_s)), wait_s + _MARGIN_S)
            if not last.is_set():
                _LOGGER.error(MEMORY_NOT_KEPT, hint="the disk was too slow: what was kept before stays")
        thread.end()


Open = Callable[[str, Clock], Keeping]
"""Opens what is kept, for a boot and with the clock of the tanks."""


def nothing_kept(_boot: str, _clock: Clock) -> Keeping:
    return Keeping(None, None)


def kept_in(directory: Path | None, site: str, plan: LedgerPlan | None, tanks: int = 0) -> Open:
    """What is kept of a site with so many tanks. `directory`: the state directory, for what has no place of its own in
    the site file.

    A ledger that cannot be used is said loudly, and one that there will be no room for; tanks are watched all the same.
    """

    def opened(boot: str, clock: Clock) -> Keeping:
        memory = None if directory is None else MemoryKeeper(MemoryFile(directory, site))
        file = None if plan is None else plan.file or (directory and directory / f"{file_name(site)}.ledger")
        told = {
            "trouble": "there is no state directory",
            "hint": f"give a directory in {DIRECTORY_VARIABLE}, or StateDirectory= to systemd",
        }
        if plan is None:
            if directory is None:
                _LOGGER.info(MEMORY_NOT_KEPT, **told)
            return Keeping(None, memory)
        if file is None:
            _LOGGER.warning(NOTHING_KEPT, **told)
            return Keeping(None, memory, _none_because("no_place", told["trouble"], ""))
        try:
            ledger = Ledger.open(replace(plan, file=file), site, boot, clock)
        except GatewayError as error:
            _LOGGER.error(NOTHING_KEPT, trouble=str(error), hint=error.hint)
            return Keeping(None, memory, _none_because(_FILE_REFUSED, str(error), str(file)))
        for warning in room_warnings(plan, tanks, file):
            _LOGGER.warning(LITTLE_ROOM, trouble=warning)
        return Keeping(ledger, memory)

    return opened


def _none_because(code: str, text: str, file: str) -> LedgerStatus:
    """How a ledger does that is none."""
    trouble = Trouble(code, f"{text}: no history is kept, nor delivered")
    return LedgerStatus(file, 0, 0, 0, DurationCounts(()).record(), 0, 0, None, trouble)
