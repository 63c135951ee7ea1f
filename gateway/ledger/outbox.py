"""History for one destination, read from the file as it is taken: the outbox of the contract of delivery.

What is taken stays known until it is delivered, so that a connection that ends costs no second read. The cursor in the
file follows every few seconds: after a crash what was delivered in the last of them comes once more.
"""

import asyncio
import sqlite3
import time
from collections import deque
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from typing import Any, NamedTuple

import structlog

from gateway.history import Entry, KeptRecord
from gateway.ledger.blocks import EVENT, RECORD, next_event_block
from gateway.ledger.cursors import Begun, begin, move
from gateway.ledger.destination_counts import next_number
from gateway.ledger.entries import EntriesOnce, Names, Unreadable, rows_between
from gateway.ledger.outbox_parts import Mark, Source
from gateway.ledger.reading_thread import ReadingThread
from gateway.status import Backlog

__all__ = ["CURSOR_EVERY_S", "LedgerOutbox"]

CURSOR_EVERY_S = 5.0
"""At most so often a cursor is written."""
_AGAIN_S = 5.0
"""After what failed."""
_AHEAD = 256
"""Entries that are read before they are asked for."""
_AT_ONCE = 128
"""Entries of one read: the file is held open for no longer."""
_WINDOW = 4096
"""Positions that one read looks through for what is wanted."""
NEW = "ledger.destination_new"
BEYOND = "ledger.cursor_beyond_end"
GONE = "ledger.entries_gone"
UNREADABLE = "ledger.entry_unreadable"
READ_FAILED = "ledger.read_failed"
CURSOR_FAILED = "ledger.cursor_not_written"

_LOGGER = structlog.get_logger("gateway.ledger")


class _Read(NamedTuple):
    found: Sequence[Entry | Unreadable]
    reached: int
    """All up to this position was looked at."""


class LedgerOutbox:
    """One destination's. To be used from one event loop; `heard` comes from the writer's thread.

    A destination that is new to the ledger begins with the oldest entry that is kept.
    """

    def __init__(
        self, source: Source, entries: EntriesOnce, destination: str, *, records: bool = True, events: bool = True
    ) -> None:
        self.destination = destination
        self._source = source
        self._entries = entries
        self._records, self._events = records, events
        self._thread: ReadingThread[_Read] = ReadingThread(source.file, f"outbox {destination}")
        self._loop: asyncio.AbstractEventLoop | None = None
        self._log = _LOGGER.bind(destination=destination)
        self._begun: Begun | None = None
        self._early: list[tuple[int, int]] = []
        """Heard of before it is known where it goes on."""
        self._last = 0
        """The newest position that is committed, of those that were heard of."""
        self._added = 0
        """Wanted entries that were heard of since the beginning."""
        self._settled = 0
        """Wanted entries that were waiting at the beginning or came since, and wait no more."""
        self._delivered = self._lost = 0
        self._position = self._written = 0
        """The cursor: how far all is delivered; and as it stands in the file."""
        self._read = 0
        """Up to where entries are in `_ready` or before."""
        self._unreadable: deque[int] = deque()
        """Positions that were read and are none to be given; they are lost when all before them is settled."""
        self._mark = Mark(0, 0)
        self._reading = False
        self._failing = False
        self._oldest_ns: int | None = None
        self._ready: deque[Entry] = deque()
        self._taken: deque[Entry] = deque()
        self._arrived: asyncio.Event | None = None
        self._writing: Future[None] | None = None
        self._written_at = -CURSOR_EVERY_S
        self._timer: asyncio.TimerHandle | None = None
        self._ended = False
        self._begin()

    async def take(self, at_most: int) -> Sequence[Entry]:
        """As the contract says."""
        if at_most < 1:
            raise ValueError(f"{at_most} entries cannot be taken")
        self._join_loop()
        while not self._ready:
            self._fill()
            arrived = self._arrived = asyncio.Event()
            await arrived.wait()
        found = [self._ready.popleft() for _ in range(min(at_most, len(self._ready)))]
        self._taken.extend(found)
        self._fill()
        return found

    def ready(self) -> bool:
        """As the contract says."""
        return bool(self._ready) or self._waiting() > len(self._taken) + len(self._unreadable)

    def delivered(self, position: int, refused: Collection[int] = ()) -> None:
        """As the contract says. Raises ValueError for a position that was never given out."""
        self._join_loop()
        given = self._taken[-1].position if self._taken else self._position
        if position > max(given, self._position) and not (self._ready and position <= self._ready[-1].position):
            raise ValueError(f"position {position} was never given to {self.destination}")
        # After `rewind` what is acknowledged late stands among those that are ready again.
        for entries in (self._taken, self._ready):
            while entries and entries[0].position <= position:
                is_lost = entries.popleft().position in refused
                self._lost += is_lost
                self._delivered += not is_lost
                self._settled += 1
        self._advance(position)
        self._pass_over()
        self._keep_cursor()
        self._fill()

    def rewind(self) -> None:
        """As the contract says."""
        self._ready.extendleft(reversed(self._taken))
        self._taken.clear()
        if self._ready and self._arrived is not None:
            # Whoever waits for something new is given these again.
            self._arrived.set()

    def backlog(self) -> Backlog:
        """As the contract says."""
        waiting = self._waiting()
        begun = self._begun
        behind = 0 if begun is None else self._last - self._position
        oldest = self._taken or self._ready
        oldest_ns = _instant_ns(oldest[0]) if oldest else self._oldest_ns
        oldest_s = None
        if waiting and oldest_ns is not None:
            oldest_s = max((self._source.clock.utc_ns() - oldest_ns) / 1e9, 0.0)
        left_s = None if begun is None else self._source.buffer_left_s(behind)
        return Backlog(waiting, oldest_s, self._delivered, self._lost, left_s)

    def next_number(self, modulo: int) -> "Future[int]":
        """As the contract says."""
        action = partial(next_number, destination=self.destination, modulo=modulo)
        return self._source.transactions.do(action, at_once=True)

    @property
    def wants(self) -> tuple[bool, bool]:
        """Records, events."""
        return self._records, self._events

    @property
    def position(self) -> int:
        """How far all has arrived: what the cursor in the file follows. From any thread."""
        return self._position

    @property
    def mark(self) -> Mark:
        """The same, with what it has come to. From any thread."""
        return self._mark

    def heard(self, last: int, positions: Sequence[tuple[int, int]], at_ns: int) -> None:
        """A commit has added these (position, kind). From the writer's thread."""
        self._last = max(self._last, last)
        if self._begun is None:
            self._early.extend(positions)
            return
        if not self._waiting():
            self._oldest_ns = at_ns
        self._add(self._begun, positions)
        self._in_loop(self._fill)

    def forced(self, up_to: int, lost: int, since: Mark | None = None) -> None:
        """What is not delivered up to here is gone, and so many are lost by that: as it was counted when this had got
        to `since`, now where it is not given. From the writer's thread."""
        settled = (self._mark if since is None else since).settled
        if not self._in_loop(partial(self._forced, up_to, lost, settled)):
            self._forced(up_to, lost, settled)

    def end(self, *, forget: bool = False) -> "Future[None] | None":
        """Write the cursor for the last time, unless it is to be forgotten, and end the thread. Never waits."""
        self._ended = True
        if self._timer is not None:
            self._timer.cancel()
        self._thread.end()
        if forget or self._begun is None or self._position == self._written:
            return None
        return self._source.transactions.do(self._move(self._position), at_once=True)

    def _add(self, begun: Begun, positions: Sequence[tuple[int, int]]) -> None:
        self._added += sum(self._wants(kind) for position, kind in positions if position > begun.last)

    def _wants(self, kind: int) -> bool:
        return (kind == RECORD and self._records) or (kind == EVENT and self._events)

    def _waiting(self) -> int:
        return 0 if self._begun is None else max(self._begun.waiting + self._added - self._settled, 0)

    def _begin(self) -> None:
        if self._ended or self._begun is not None:
            return
        action = partial(
            begin,
            destination=self.destination,
            records=self._records,
            events=self._events,
            now_ns=self._source.clock.utc_ns(),
        )
        self._source.transactions.do(action, at_once=True).add_done_callback(self._has_begun)

    def _has_begun(self, done: "Future[Begun]") -> None:
        """In the writer's thread."""
        if self._begun is not None:
            return
        if (trouble := _trouble(done)) is not None:
            self._log.error(CURSOR_FAILED, trouble=trouble)
            # Without its cursor nothing would be kept for it: it is tried again before anything is read.
            self._early.clear()
            self._in_loop(partial(self._later, self._begin))
            return
        begun = done.result()
        self._position = self._written = self._read = begun.position
        self._mark = Mark(self._position, self._settled)
        self._last = max(self._last, begun.last)
        self._oldest_ns = begun.oldest_ns
        self._lost += begun.lost
        self._add(begun, self._early)
        self._early.clear()
        self._begun = begun
        if begun.is_new:
            self._log.info(NEW, waiting=begun.waiting, hint="it gets all that is kept")
        if begun.is_beyond:
            self._log.error(BEYOND, waiting=begun.waiting, hint="an older file? It gets all that is kept once more")
        if begun.lost:
            self._log.error(GONE, lost=begun.lost)
        self._in_loop(self._fill)

    def _join_loop(self) -> None:
        if self._loop is None:
            self._loop = asyncio.get_running_loop()
            if self._begun is None:
                # Where the beginning failed before there was a loop, nobody could try it again.
                self._later(self._begin)

    def _in_loop(self, action: Callable[[], None]) -> bool:
        if self._loop is None:
            return False
        with suppress(RuntimeError):  # of a loop that has ended
            self._loop.call_soon_threadsafe(action)
        return True

    def _later(self, action: Callable[[], None]) -> None:
        if self._loop is not None and not self._ended:
            self._loop.call_later(_AGAIN_S, action)

    def _fill(self) -> None:
        """Begin a read, where there is something to read and room for it."""
        if self._ended or self._reading or self._failing or self._begun is None or self._loop is None:
            return
        if self._read >= self._last or len(self._ready) >= _AHEAD:
            return
        self._reading = True
        after, up_to = self._read, min(self._read + _WINDOW, self._last)
        self._thread.read(partial(self._look, after, up_to, self._last), self._looked)

    def _look(self, after: int, up_to: int, last: int, connection: sqlite3.Connection) -> _Read:
        """In the reading thread."""
        kind = None if self._records and self._events else RECORD if self._records else EVENT
        if kind == EVENT and (further := next_event_block(connection, after, last)) > after:
            return _Read((), further)
        rows = rows_between(connection, after, up_to, _AT_ONCE, kind)
        names = Names(connection)
        found = []
        for row in rows:
            found.append(self._entries(row, names))
            # The loop that polls has its turn between two entries.
            time.sleep(0)
        return _Read(found, rows[-1].position if len(rows) == _AT_ONCE else up_to)

    def _looked(self, found: _Read | Exception) -> None:
        """In the reading thread."""
        self._in_loop(partial(self._arrive, found))

    def _arrive(self, found: _Read | Exception) -> None:
        self._reading = False
        if self._ended:
            return
        if isinstance(found, Exception):
            self._log.error(READ_FAILED, trouble=f"{type(found).__name__}: {found}", again_in_s=_AGAIN_S)
            self._failing = True
            self._later(self._try_again)
            return
        for entry in found.found:
            if entry.position <= self._position:
                continue  # forced out while it was read
            if isinstance(entry, Unreadable):
                self._log.error(UNREADABLE, position=entry.position, trouble=entry.trouble)
                self._unreadable.append(entry.position)
            else:
                self._ready.append(entry)
        self._read = max(self._read, found.reached)
        self._pass_over()
        if self._ready and self._arrived is not None:
            self._arrived.set()
        self._fill()

    def _try_again(self) -> None:
        self._failing = False
        self._fill()

    def _pass_over(self) -> None:
        """What is not wanted and stands behind all that is delivered needs no delivery."""
        if not self._taken:
            passed = self._ready[0].position - 1 if self._ready else self._read
            if passed > self._position:
                self._advance(passed)
                self._keep_cursor()

    def _advance(self, position: int) -> None:
        """All up to there is settled."""
        while self._unreadable and self._unreadable[0] <= position:
            self._unreadable.popleft()
            self._lost += 1
            self._settled += 1
        self._position = max(self._position, position)
        self._mark = Mark(self._position, self._settled)

    def _forced(self, up_to: int, lost: int, settled: int) -> None:
        # Entries are settled in their order: those since then are the first of those that were counted.
        lost = max(lost - max(self._settled - settled, 0), 0)
        for entries in (self._taken, self._ready):
            while entries and entries[0].position <= up_to:
                entries.popleft()
        while self._unreadable and self._unreadable[0] <= up_to:
            self._unreadable.popleft()
        self._lost += lost
        self._settled += lost
        self._written = max(self._position, up_to)
        self._advance(up_to)
        self._read = max(self._read, up_to)
        self._fill()

    def _keep_cursor(self) -> None:
        """Within the next seconds."""
        if self._timer is None and self._writing is None and self._loop is not None and not self._ended:
            wait_s = max(self._written_at + CURSOR_EVERY_S - self._loop.time(), 0.0)
            self._timer = self._loop.call_later(wait_s, self._write_cursor)

    def _write_cursor(self) -> None:
        self._timer = None
        if self._loop is None or self._ended or self._position == self._written:
            return
        self._written_at = self._loop.time()
        position = self._position
        self._writing = self._source.transactions.do(self._move(position))
        self._writing.add_done_callback(partial(self._cursor_done, position))

    def _cursor_done(self, position: int, done: "Future[None]") -> None:
        """In the writer's thread."""
        self._in_loop(partial(self._wrote, position, _trouble(done)))

    def _wrote(self, position: int, trouble: str | None) -> None:
        self._writing = None
        if trouble is not None:
            self._log.error(CURSOR_FAILED, trouble=trouble)
        else:
            self._written = max(self._written, position)
        if self._position != self._written:
            self._keep_cursor()

    def _move(self, position: int) -> Callable[[sqlite3.Connection], None]:
        return partial(move, destination=self.destination, position=position, now_ns=self._source.clock.utc_ns())


def _instant_ns(entry: Entry) -> int:
    instant = entry.record.inventory.instant if isinstance(entry, KeptRecord) else entry.event.instant
    return round(instant.timestamp() * 1e9)


def _trouble(done: "Future[Any]") -> str | None:
    if done.cancelled():
        return "the ledger has ended"
    error = done.exception()
    return None if error is None else f"{type(error).__name__}: {error}"
