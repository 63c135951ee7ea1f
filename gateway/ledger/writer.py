"""The one connection that writes, in a thread of its own: a disk that is slow, full or gone holds up nobody.

What is handed in waits for a commit together (`commit_s`); events and what is asked for at once do not wait. What the
disk refuses is kept, bounded, and tried again; what does not fit any more is lost, counted, and told in history itself
as soon as it can be. Live records never come here.
"""

import random as random_module
import signal
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from typing import NamedTuple, TypeVar

import structlog

from gateway.backoff import Backoff
from gateway.errors import GatewayError
from gateway.ledger.boots import Boot, commit_within, end_boot, file_removed, history_lost, stopped
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.contract import Action, Committed, Row
from gateway.ledger.intake import GivenEvent, GivenRecord, Intake, Task
from gateway.ledger.kept_watch import KeptWatches
from gateway.ledger.open_file import BeforeCommit, OpenFile, Size
from gateway.ledger.pending import Pending
from gateway.ledger.store import Store, error_code, is_damage
from gateway.ledger.troubles import SLOW, Condition, trouble_of
from gateway.process.durations import DurationCounts
from gateway.status import Histogram, Trouble
from gateway.tank_record import Event

__all__ = ["Opened", "Opening", "Writer"]

LEDGER_LOSES = "ledger.loses"
LEDGER_REMOVED = "ledger.removed"
LEDGER_MISTAKE = "ledger.mistake"
LEDGER_LISTENER_FAILED = "ledger.listener_failed"

_COMMIT_BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
_SLOW_S = 2.0
_FIRST_RETRY_S, _LONGEST_RETRY_S = 0.5, 30.0
_PLENTY_BYTES = 1_000_000
_MARK_EVERY_S = 60.0
_LOOK_EVERY_S = 10.0
_KEEPS_OPEN = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
"""Errors after which the same connection is used again; after any other the file is opened anew."""
T = TypeVar("T")


MakeRoom = Callable[[sqlite3.Connection], Callable[[], bool]]
"""Deletes the oldest within a transaction; what it gives is called when that is on the disk and says whether there was
something to delete."""


class Opened(NamedTuple):
    """What opening has led to."""

    store: Store
    events: tuple[Event, ...] = ()
    """To be told in history: a file was set aside."""


Opening = Callable[[bool], Opened]
"""Opens the file or begins one. Raises LedgerError, OSError, sqlite3.Error; sets aside what is damaged, as it is surely
where that is said: it showed while it was written to."""


class Writer:
    """Implements `contract.Transactions`. `open`, then `start`."""

    def __init__(
        self,
        opening: Opening,
        boot: Boot,
        utc_ns: Callable[[], int],
        *,
        file: str,
        random: random_module.Random,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._opening = opening
        self._boot = boot
        self._utc_ns = utc_ns
        self._monotonic = monotonic
        self._log = structlog.get_logger("gateway.ledger")
        self._intake = Intake(boot.commit_s, monotonic)
        self._condition = Condition(file)
        self._pending = Pending(boot.site, boot.boot, Encoder(present_dictionary()))
        self._file: OpenFile | None = None
        self._tasks: list[Task] = []
        self._listeners: list[Callable[[Committed], None]] = []
        self._hooks: list[BeforeCommit] = []
        self._backoff = Backoff(_FIRST_RETRY_S, _LONGEST_RETRY_S, random)
        self._again_s: float | None = None
        """When to try again; None: the last try went well."""
        self._well_since_s = self._marked_s = monotonic()
        self._looked_s = -_LOOK_EVERY_S
        self._begun_s: float | None = None
        """When the commit began that is going on."""
        self._commit_times = DurationCounts(_COMMIT_BOUNDS_S)
        self._is_losing = False
        self._is_damaged = False
        self._is_removed = False
        self._close_by_s = 0.0
        self._ended = threading.Event()
        self._is_all_kept = False
        self.on_opened: Callable[[Store, int], None] = lambda store, last: None
        """Called each time that the file is open, from the thread that opened it; with the newest position of the file
        before, where another one was begun while this process ran, else 0."""
        self._last = 0
        """The newest position that was ever committed."""
        self.make_room: MakeRoom | None = None
        self.watches = KeptWatches()
        """What was remembered with what happened."""
        self.committed = 0
        """Records and events since the start."""
        self.size = Size()

    # From any thread

    def do(self, action: Action[T], *, at_once: bool = False) -> "Future[T]":
        task = Task(action)
        self._intake.ask(task, at_once=at_once)
        return task.future

    def do_with(self, action: Action[T], given: Sequence[GivenEvent]) -> "Future[T]":
        """The same at once, with events that stand in history by the same commit, or not at all."""
        task = Task(action, given=tuple(given))
        self._intake.ask(task, at_once=True)
        return task.future

    def insist(self, action: Action[T], *, at_once: bool = False) -> "Future[T]":
        """The same for what is tried again until the disk takes it."""
        task = Task(action, insists=True)
        self._intake.ask(task, at_once=at_once)
        return task.future

    def listen(self, heard: Callable[[Committed], None]) -> None:
        self._listeners.append(heard)

    def before_commit(self, added: BeforeCommit) -> None:
        self._hooks.append(added)

    def put(self, given: GivenRecord | GivenEvent) -> None:
        """Take in history. Never waits; what there is no room for is counted."""
        if not self._intake.put(given):
            self._loses()

    def start(self) -> None:
        """Begin to write."""
        threading.Thread(target=self._run, name="ledger", daemon=True).start()

    def close(self, timeout_s: float) -> bool:
        """Commit all that was taken in, say that it ends, and end. Whether all is in the file within that time."""
        self._close_by_s = self._monotonic() + timeout_s
        self._intake.close()
        self._ended.wait(timeout_s)
        return self._is_all_kept

    def commit_every(self, commit_s: float) -> None:
        """From now on, and so it stands in the file with the next commit, which is due by the interval before."""
        if commit_s != self._boot.commit_s:
            self._boot = self._boot._replace(commit_s=commit_s)
            self.insist(partial(commit_within, boot=self._boot.boot, commit_s=commit_s))
        self._intake.commit_s = commit_s

    @property
    def waiting(self) -> int:
        """Records and events that are taken in and not committed."""
        return self._intake.waiting + len(self._pending.pieces)

    @property
    def lost(self) -> int:
        """Records and events since the start that there was no room for."""
        return self._intake.lost

    @property
    def trouble(self) -> Trouble | None:
        """What is wrong with it at present."""
        begun_s = self._begun_s
        if self._condition.trouble is None and begun_s is not None and self._monotonic() - begun_s > _SLOW_S:
            return SLOW
        return self._condition.trouble

    def commit_time(self) -> Histogram:
        """How long commits took."""
        return self._commit_times.record()

    # Before `start`, then from the writer's thread

    def open(self) -> Store | None:
        """The file as it was opened; None where that cannot be now: it is tried again. Raises LedgerError."""
        try:
            return self._open().store
        except (OSError, sqlite3.Error) as error:
            self._fails(error)
            return None

    def _open(self) -> OpenFile:
        store, events = self._opening(self._is_damaged)
        self._is_damaged = False
        if self._is_removed:
            events = (*events, file_removed(self._utc_ns()))
        try:
            # Another file goes on with the positions of the one before it: outboxes know those.
            file = OpenFile(store, self._last)
            added = file.begin_boot(self._boot, self._utc_ns(), events, self._pending.of_gateway, self._hooks)
            self.size = file.size()
        except BaseException:
            store.connection.close()
            raise
        self._file = file
        self._is_removed = False
        self.on_opened(store, 0 if store.was_there else self._last)
        self._tell([], added)
        return file

    def _present(self) -> OpenFile | None:
        """The open file, if it still is the one that its name leads to: what is written to another is for nobody."""
        if self._file is not None and not self._file.is_there():
            self._log.error(LEDGER_REMOVED, hint="history begins anew; what was not delivered yet is lost")
            self._file.close()
            self._file = None
            self._is_removed = True
        return self._file

    def _run(self) -> None:
        # Signals are for the main thread: one that came to this would not wake that from what it waits in.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        try:
            while not self._safe_turn():
                pass
        finally:
            if self._file is not None:
                self._file.close()
            self._ended.set()

    def _safe_turn(self) -> bool:
        try:
            return self._turn()
        except Exception as error:  # noqa: BLE001 - a mistake here must not end history for good, and must be seen
            self._log.exception(LEDGER_MISTAKE)
            self._begun_s = None
            self._fails(error)
            return self._intake.is_closing

    def _turn(self) -> bool:
        """Whether it was the last one."""
        taken = self._intake.take(self._again_s, self._again_s)
        for refused in self._pending.take(taken.given):
            self._intake.lose(refused)
            self._loses()
        self._intake.packed()
        self._tasks += taken.tasks
        if taken.closing:
            return self._end()
        if taken.is_due or (self._pending.is_heavy and self._again_s is None):
            self._commit()
        return False

    def _end(self) -> bool:
        """With what is still to be written, as long as there is time for it."""
        now_ns = self._utc_ns()
        self._tell_losses()
        self._pending.add_of_gateway(stopped(self._boot, now_ns))
        lost = self._intake.lost
        self._tasks.append(Task(lambda connection: end_boot(connection, self._boot.boot, now_ns, lost), insists=True))
        while not self._commit(mark=True):
            wait_s = max(0.0, (self._again_s or 0.0) - self._monotonic())
            if self._monotonic() + wait_s >= self._close_by_s:
                return True
            time.sleep(wait_s)
        self._is_all_kept = True
        return True

    def _commit(self, *, mark: bool = False) -> bool:
        """Whether all that waited is on the disk."""
        begun_s = self._begun_s = self._monotonic()
        mark = mark or begun_s - self._marked_s >= _MARK_EVERY_S
        tasks, self._tasks = self._tasks, []
        try:
            file = self._present() or self._open()
            hooks = [*self._hooks, self._keep_watches] if self._pending.watches else self._hooks
            added = file.commit(self._pending.pieces, tasks, hooks, self._pending.packed, mark=mark)
        except (OSError, sqlite3.Error, GatewayError) as error:
            self._begun_s = None
            self._fails(error)
            if error_code(error) == sqlite3.SQLITE_FULL and self._file is not None:
                self._make_room(self._file)
            self._refuse(tasks, error)
            return False
        took_s = self._monotonic() - begun_s
        self._begun_s = None
        self._pending.clear()
        self.committed += len(added)
        self._last = file.last
        self._commit_times.add(round(took_s * 1e9))
        if mark:
            self._marked_s = begun_s
        self._is_well(took_s)
        self._look(file)
        self._tell(tasks, added)
        return True

    def _keep_watches(self, connection: sqlite3.Connection, _added: Sequence[Row]) -> None:
        self.watches.write(connection, self._pending.watches)

    def _make_room(self, file: OpenFile) -> None:
        """Where the disk is full, the oldest has to go: what it leaves free is written to again."""
        if self.make_room is None:
            return
        try:
            if file.free_bytes() > 2 * self._pending.size_bytes + _PLENTY_BYTES:
                # It is not the file that has no room: what is deleted would be lost for nothing.
                return
            made = file.apart(self.make_room)
        except sqlite3.Error:
            return
        if made():
            self._again_s = self._monotonic()

    def _fails(self, error: BaseException) -> None:
        now_s = self._monotonic()
        self._condition.fails(trouble_of(error), error)
        self._again_s = now_s + self._backoff.after(now_s - self._well_since_s)
        self._well_since_s = now_s
        self._is_damaged = self._file is not None and is_damage(error)
        if self._file is not None and error_code(error) not in _KEEPS_OPEN:
            self._file.close()
            self._file = None

    def _is_well(self, took_s: float) -> None:
        if took_s > _SLOW_S:
            self._condition.fails(SLOW)
        else:
            self._condition.is_well()
        # What was lost is told by a commit of its own, which is due now.
        self._again_s = self._monotonic() if self._tell_losses() else None
        self._is_losing = False

    def _tell_losses(self) -> bool:
        lost = self._intake.untold()
        if lost is not None:
            self._pending.add_of_gateway(history_lost(lost, self._utc_ns()))
        return lost is not None

    def _loses(self) -> None:
        if not self._is_losing:
            self._is_losing = True
            self._log.error(
                LEDGER_LOSES, hint="there is no room left for what waits for the disk; what comes now is lost"
            )

    def _refuse(self, tasks: list[Task], error: BaseException) -> None:
        """Those that insist are tried again; the others are told."""
        self._tasks = [task for task in tasks if task.insists] + self._tasks
        for task in tasks:
            if not task.insists and task.future.set_running_or_notify_cancel():
                task.future.set_exception(error)

    def _tell(self, tasks: list[Task], added: list[Row]) -> None:
        for task in tasks:
            if task.future.set_running_or_notify_cancel():
                if task.error is None:
                    task.future.set_result(task.result)
                else:
                    task.future.set_exception(task.error)
        if not added:
            return
        committed = Committed(added[0].position, added[-1].position, self._utc_ns())
        for heard in self._listeners:
            try:
                heard(committed)
            except Exception:  # noqa: BLE001 - one that cannot hear must not keep the others from hearing
                self._log.exception(LEDGER_LISTENER_FAILED)

    def _look(self, file: OpenFile) -> None:
        now_s = self._monotonic()
        if now_s - self._looked_s >= _LOOK_EVERY_S:
            self._looked_s = now_s
            with suppress(sqlite3.Error):
                self.size = file.size()
