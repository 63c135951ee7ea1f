"""History in memory, for the tests of destinations: an `Outbox` over a list, and makers of what it holds."""

import asyncio
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from concurrent.futures import Future
from datetime import datetime

from gateway.history import GATEWAY, Entry, KeptEvent, KeptRecord, Previous
from gateway.records import Figure, Reason
from gateway.status import Backlog
from gateway.tank_record import Event, EventKind, Identity
from tests.support.records import BOOT, NOON, record

__all__ = ["MemoryOutbox", "kept_event", "kept_record", "streams"]


class MemoryOutbox:
    """`gateway.delivery.contract.Outbox`, and strict with its reader: what nobody took cannot have been delivered.

    `monotonic` gives the ages of what waits.
    """

    def __init__(self, entries: Iterable[Entry] = (), *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._entries: list[Entry] = []
        self._kept_s: list[float] = []
        self._arrived = self._taken = self._taken_ever = 0
        """Each counts from the first entry on."""
        self._refused = 0
        """Of those that count as arrived."""
        self._grown = asyncio.Event()
        self.rewinds = 0
        self.number = -1
        """Given last."""
        for entry in entries:
            self.add(entry)

    def add(self, entry: Entry) -> None:
        """Commit another one."""
        assert not self._entries or entry.position > self._entries[-1].position
        self._entries.append(entry)
        self._kept_s.append(self._monotonic())
        self._grown.set()

    @property
    def arrived(self) -> Sequence[Entry]:
        """What is known to have been delivered."""
        return self._entries[: self._arrived]

    async def take(self, at_most: int) -> Sequence[Entry]:
        assert at_most >= 1
        while not self.ready():
            self._grown.clear()
            await self._grown.wait()
        taken = self._entries[self._taken : self._taken + at_most]
        self._taken += len(taken)
        self._taken_ever = max(self._taken_ever, self._taken)
        return taken

    def ready(self) -> bool:
        return self._taken < len(self._entries)

    def delivered(self, position: int, refused: Collection[int] = ()) -> None:
        assert self._taken_ever > 0
        assert position <= self._entries[self._taken_ever - 1].position
        while self._arrived < self._taken_ever and self._entries[self._arrived].position <= position:
            self._refused += self._entries[self._arrived].position in refused
            self._arrived += 1
        self._taken = max(self._taken, self._arrived)

    def rewind(self) -> None:
        self.rewinds += 1
        self._taken = self._arrived
        # Whoever waits for the next has another next now.
        self._grown.set()

    def backlog(self) -> Backlog:
        waiting = len(self._entries) - self._arrived
        oldest_s = self._monotonic() - self._kept_s[self._arrived] if waiting else None
        return Backlog(waiting, oldest_s, self._arrived - self._refused, self._refused)

    def next_number(self, modulo: int) -> "Future[int]":
        self.number = (self.number + 1) % modulo
        done: Future[int] = Future()
        done.set_result(self.number)
        return done


def kept_record(
    position: int, tank: str = "TK-1", sequence: int = 1, previous: Previous | int | None = None, **figures: Figure
) -> KeptRecord:
    """Of `harbour`. `previous`: of the same boot where only a sequence is given."""
    if isinstance(previous, int):
        previous = Previous(BOOT, previous)
    return KeptRecord(position, record(tank, sequence, simulated=False, **figures), previous)


def kept_event(
    position: int,
    kind: EventKind = EventKind.GATEWAY_STARTED,
    tank: str = GATEWAY,
    sequence: int = 1,
    *,
    number: int = 0,
    instant: datetime = NOON,
    subject: str = "",
    reason: Reason | None = None,
    by: str | None = None,
) -> KeptEvent:
    identity = Identity("harbour", tank, BOOT, sequence)
    return KeptEvent(position, identity, number, Event(kind, instant, subject, reason, by))


def streams(tanks: Sequence[str], each: int, first: int = 1) -> list[Entry]:
    """So many records of each tank, one tank after the other, each with the one before it; from that position on."""
    return [
        kept_record(first + len(tanks) * round_ + index, tank, round_ + 1, round_ or None)
        for round_ in range(each)
        for index, tank in enumerate(tanks)
    ]
