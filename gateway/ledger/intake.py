"""What is handed to the writer of the ledger by other threads: in order, bounded, and whoever hands it in never waits.

Records and events wait as they are until the writer has a turn, since packing them takes longer than taking them in.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from gateway.errors import LedgerError
from gateway.history import Previous
from gateway.kept_memory import KeptWatch
from gateway.ledger.contract import Action
from gateway.tank_record import Event, Identity, TankRecord

__all__ = ["GivenEvent", "GivenRecord", "Intake", "Lost", "Taken", "Task"]

_LONGEST = 4000
"""Records, each of some 20 kB: at 200 tanks every 10 s those of 200 s, for a disk that holds up a commit so long."""
_LONGEST_EVENTS = 8000
"""With the records: when those are refused, there is room yet for what happened."""
_LONGEST_TASKS = 2000
_HEAP = 500
"""When so many wait, they are packed without waiting for their commit."""


class GivenRecord(NamedTuple):
    record: TankRecord
    previous: Previous | None


class GivenEvent(NamedTuple):
    identity: Identity | None
    """None: of the gateway itself, which counts by itself."""
    number: int
    event: Event
    watch: KeptWatch | None = None
    """What the watch remembers after it: kept in the same commit."""


@dataclass(slots=True)
class Task:
    """Something to be done in a transaction."""

    action: Action[Any]
    future: "Future[Any]" = field(default_factory=Future)
    insists: bool = False
    """Whether it is tried again until it is done; else whoever asked for it is told that it failed."""
    result: Any = None
    error: BaseException | None = None
    given: "tuple[GivenEvent, ...]" = ()
    """What happened by it: in history if, and only if, it is done."""


class Lost(NamedTuple):
    """What was not taken in, and of when it was."""

    entries: int
    first: datetime
    last: datetime


class Taken(NamedTuple):
    """What the writer has taken over."""

    given: list[GivenRecord | GivenEvent]
    tasks: list[Task]
    is_due: bool
    """Whether it is time to commit."""
    closing: bool


class Intake:
    """`put`, `ask` and `close` from any thread; `take` from the writer's."""

    def __init__(self, commit_s: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.commit_s = commit_s
        self._monotonic = monotonic
        self._changed = threading.Condition()
        self._given: deque[GivenRecord | GivenEvent] = deque()
        self._tasks: list[Task] = []
        self._due_s: float | None = None
        """When what waits is to be committed; None: nothing waits."""
        self._closing = False
        self._in_hand = 0
        self._lost = 0
        self._untold: Lost | None = None

    def put(self, given: GivenRecord | GivenEvent) -> bool:
        """Whether there was room for it. An event is to be committed at once."""
        with self._changed:
            is_event = isinstance(given, GivenEvent)
            waiting = len(self._given)
            if self._closing or waiting >= (_LONGEST_EVENTS if is_event else _LONGEST):
                self._lose(given)
                return False
            self._given.append(given)
            self._hurry(0.0 if is_event else self.commit_s, wake=waiting + 1 == _HEAP)
        return True

    def ask(self, task: Task, *, at_once: bool) -> None:
        """Have it done in a commit; where too much waits already its future says so at once."""
        with self._changed:
            is_refused = self._closing or (len(self._tasks) >= _LONGEST_TASKS and not task.insists)
            if not is_refused:
                self._tasks.append(task)
                self._hurry(0.0 if at_once else self.commit_s)
        if is_refused:
            task.future.set_exception(LedgerError("the ledger takes in nothing more"))

    def packed(self) -> None:
        """What was taken over last is packed, or lost."""
        self._in_hand = 0

    def lose(self, given: GivenRecord | GivenEvent) -> None:
        """Count one that there was no room for later on."""
        with self._changed:
            self._lose(given)

    @property
    def waiting(self) -> int:
        """Records and events that the writer has not packed: a few too many while it packs, none too few."""
        return len(self._given) + self._in_hand

    @property
    def lost(self) -> int:
        """Since the start."""
        return self._lost

    @property
    def is_closing(self) -> bool:
        """Whether nothing is taken in any more."""
        return self._closing

    def untold(self) -> Lost | None:
        """What was lost since this was last asked."""
        with self._changed:
            untold, self._untold = self._untold, None
        return untold

    def close(self) -> None:
        """From now on nothing is taken in."""
        with self._changed:
            self._closing = True
            self._changed.notify()

    def take(self, not_before_s: float | None, again_s: float | None) -> Taken:
        """Waits for a reason to have a turn: something is due, much waits, it is being closed, or `again_s` has come.

        Nothing is due before `not_before_s`. Both by the monotonic clock.
        """
        with self._changed:
            while True:
                now_s = self._monotonic()
                due_s = self._due_s
                if due_s is not None and not_before_s is not None:
                    due_s = max(due_s, not_before_s)
                until = [each for each in (due_s, again_s) if each is not None]
                wake_s = min(until) if until else None
                if self._closing or len(self._given) >= _HEAP or (wake_s is not None and now_s >= wake_s):
                    break
                self._changed.wait(None if wake_s is None else wake_s - now_s)
            given, tasks = list(self._given), self._tasks
            self._in_hand = len(given)
            self._given.clear()
            self._tasks = []
            is_due = self._closing or (wake_s is not None and now_s >= wake_s)
            if is_due:
                self._due_s = None
            return Taken(given, tasks, is_due, self._closing)

    def _hurry(self, within_s: float, *, wake: bool = False) -> None:
        due_s = self._monotonic() + within_s
        if self._due_s is None or due_s < self._due_s:
            self._due_s = due_s
            wake = True
        if wake:
            self._changed.notify()

    def _lose(self, given: GivenRecord | GivenEvent) -> None:
        instant = given.record.tank_input.instant if isinstance(given, GivenRecord) else given.event.instant
        before = self._untold
        self._lost += 1
        self._untold = Lost(1, instant, instant) if before is None else Lost(before.entries + 1, before.first, instant)
