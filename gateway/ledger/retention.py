"""What goes from history, and when: by age what every destination has, by size the oldest, whoever still needs it.

In small steps, each within a transaction of the writer, so that no commit waits long. Pages that become free are used
again; the file does not shrink. Entries age by the time that they say: one dated wrongly ahead keeps those behind it,
and what goes by age goes in steps, so that a clock that jumps ahead for a moment costs little.

Papers, audit, plans and dictionaries never go: no row tells which plans it rests on, and all of them are small. Forms
go after the entries that were made with them.
"""

import os
import sqlite3
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import NamedTuple

import structlog

from gateway.clock import Clock
from gateway.ledger.blocks import BLOCK, ends, take_out
from gateway.ledger.contract import Committed, Transactions
from gateway.ledger.cursors import cursors, force, move
from gateway.ledger.forms import forget_forms
from gateway.ledger.plan import LedgerPlan
from gateway.status import Trouble

__all__ = ["Limits", "Retention", "Stepped", "free_bytes", "step"]

FORCED_OUT = "ledger.entries_forced_out"
NO_ROOM = "ledger.no_room_for_history"
FAILED = "ledger.retention_failed"
_EVERY_NS = 10_000_000_000
_AT_MOST = 2_000
_MOST = 20_000
"""Rows that go in one step; more than `_AT_MOST` only where twice as many come."""
_PART = 20
_RESERVE_BYTES = 64_000_000
_UNLIMITED = 1 << 62
_LEAST_ROOM_BYTES = 262_144
_SAID_FOR_NS = 3_600_000_000_000
"""So long a trouble is shown after it happened last, and it is logged once in that time."""
_RATE_OVER_NS = 600_000_000_000

_LOGGER = structlog.get_logger("gateway.ledger")


class Limits(NamedTuple):
    """For one step."""

    older_than_ns: int
    """UTC; what is not older does not go by age."""
    largest_bytes: int
    """Of the pages in use."""
    at_most: int = _AT_MOST
    """Rows."""


class Stepped(NamedTuple):
    """What came of one step."""

    deleted: int
    up_to: int
    """Position."""
    lost: Mapping[str, int]
    """What was forced out, by the destination that had not got it."""
    goes_on: bool
    """Whether there is more to do."""
    used_bytes: int
    """Before the step."""
    file_bytes: int
    entries: int
    """After it."""
    is_stuck: bool
    """Whether the file is too large though no history is in it."""


def step(connection: sqlite3.Connection, limits: Limits, positions: Mapping[str, int], now_ns: int) -> Stepped:
    """One step; within a transaction that is open. `positions`: how far destinations have got, where that is known."""
    used_bytes, file_bytes = _sizes(connection)
    first, last = ends(connection)
    entries = last - first + 1
    excess = used_bytes - limits.largest_bytes
    rows = _oldest(connection, 1)
    if rows and (excess > 0 or rows[0][1] < limits.older_than_ns):
        rows = _oldest(connection, limits.at_most)
    needed_from = min(
        (max(each.position, positions.get(each.destination, 0)) for each in cursors(connection)), default=last
    )
    by_age = 0
    for position, instant_ns in rows:
        if instant_ns >= limits.older_than_ns or position > needed_from:
            break
        by_age = position
    by_size = 0
    if excess > 0 and rows:
        count = min(excess * entries // used_bytes + 1, len(rows))
        by_size = rows[count - 1][0]
    up_to = max(by_age, by_size)
    if not up_to:
        return Stepped(0, 0, {}, False, used_bytes, file_bytes, entries, excess > 0 and not rows)
    for destination, position in positions.items():
        # Else a crash would leave a cursor before the oldest, and what it has would count as lost.
        move(connection, destination, position, now_ns)
    lost = force(connection, up_to, now_ns)
    take_out(connection, up_to)
    if first // BLOCK < (up_to + 1) // BLOCK:
        # Not at each step: it looks at all of them.
        forget_forms(connection, up_to + 1)
    deleted = up_to - first + 1
    goes_on = len(rows) == limits.at_most and up_to == rows[-1][0]
    return Stepped(deleted, up_to, lost, goes_on, used_bytes, file_bytes, entries - deleted, False)


def _oldest(connection: sqlite3.Connection, at_most: int) -> list[tuple[int, int]]:
    """(position, instant)."""
    return connection.execute(
        "SELECT position, instant_ns FROM history ORDER BY position LIMIT ?", (at_most,)
    ).fetchall()


def free_bytes(folder: Path) -> int | None:
    """What this process can still write there; None: not known."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize


class Retention:
    """Goes with the commits: nothing has to go where nothing comes. All but the readings is for the writer's thread.

    `positions` and `forced` are those of the outboxes; `free` tells what is left on the disk.
    """

    def __init__(
        self,
        plan: LedgerPlan,
        transactions: Transactions,
        clock: Clock,
        *,
        positions: Callable[[], Mapping[str, int]] = dict,
        forced: Callable[[int, Mapping[str, int]], None] = lambda up_to, lost: None,
        free: Callable[[], int | None] = lambda: None,
    ) -> None:
        self.plan = plan
        """May be replaced at a reload."""
        self._transactions = transactions
        self._clock = clock
        self._positions, self._forced, self._free = positions, forced, free
        self._stepped: Stepped | None = None
        self._added = 0
        self._due_ns = 0
        self._asked = False
        self._pace: deque[tuple[int, int]] = deque()
        """(monotonic, newest position), the oldest first."""
        self._trouble: Trouble | None = None
        self._trouble_ns = self._logged_ns = -_SAID_FOR_NS
        self._lost: dict[str, int] = {}
        """By destination, since the start."""
        transactions.listen(self._heard)

    @property
    def trouble(self) -> Trouble | None:
        """What a person must do something about. From any thread."""
        return self._trouble if self._clock.monotonic_ns() - self._trouble_ns < _SAID_FOR_NS else None

    def begin(self) -> None:
        """So that sizes are known. Nothing goes yet: a destination that is new has not said yet that it needs it."""
        self._ask(self._measured)

    def make_room(self, connection: sqlite3.Connection) -> Stepped:
        """A step for the writer that found no room: a part of what is used goes. In a transaction that is open.

        `tell` is to follow when it is committed.
        """
        limits = self._limits(connection)
        used_bytes, _ = _sizes(connection)
        room_bytes = max(used_bytes // _PART, min(_LEAST_ROOM_BYTES, used_bytes // 4))
        less = min(limits.largest_bytes, used_bytes - room_bytes)
        return step(connection, limits._replace(largest_bytes=less), self._positions(), self._clock.utc_ns())

    def tell(self, stepped: Stepped) -> None:
        """What a step that is committed has done."""
        self._stepped = stepped
        now_ns = self._clock.monotonic_ns()
        if stepped.is_stuck:
            self._say(
                NO_ROOM, "the ledger is at its size limit though it holds no history; raise its `largest`", now_ns
            )
        if stepped.lost:
            self._forced(stepped.up_to, stepped.lost)
            for name, count in stepped.lost.items():
                self._lost[name] = self._lost.get(name, 0) + count
            told = ", ".join(f"{count} of {name}" for name, count in sorted(self._lost.items()))
            self._say(
                FORCED_OUT,
                f"the ledger has no room left: entries went before they had arrived, since the start {told}",
                now_ns,
            )

    def buffer_left_s(self, behind: int) -> float | None:
        """For how long it can go on for one that has so many entries behind its cursor, at the rate of the last ten
        minutes; None: not known yet. From any thread."""
        stepped = self._stepped
        pace = list(self._pace)
        if stepped is None or len(pace) < 2 or stepped.entries <= 0:
            return None
        (since_ns, first), (until_ns, last) = pace[0], pace[-1]
        if until_ns <= since_ns or last <= first:
            return None
        each_bytes = stepped.used_bytes / stepped.entries
        room_bytes = max(self._largest(stepped.file_bytes) - stepped.used_bytes, 0)
        entries = room_bytes / each_bytes + max(stepped.entries - behind, 0)
        return entries * ((until_ns - since_ns) / 1e9) / (last - first)

    def _heard(self, committed: Committed) -> None:
        now_ns = self._clock.monotonic_ns()
        self._added += committed.last - committed.first + 1
        if not self._pace or now_ns - self._pace[-1][0] >= _EVERY_NS:
            while self._pace and now_ns - self._pace[0][0] > _RATE_OVER_NS:
                self._pace.popleft()
            self._pace.append((now_ns, committed.last))
        goes_on = self._stepped is not None and self._stepped.goes_on
        if goes_on or now_ns >= self._due_ns:
            self._ask()

    def _ask(self, action: Callable[[sqlite3.Connection], Stepped] | None = None) -> None:
        if not self._asked:
            self._asked = True
            self._due_ns = self._clock.monotonic_ns() + _EVERY_NS
            self._transactions.do(action or self._step).add_done_callback(self._done)

    def _measured(self, connection: sqlite3.Connection) -> Stepped:
        """A step by which nothing goes."""
        found = step(connection, Limits(-_UNLIMITED, _UNLIMITED), {}, 0)
        return found._replace(is_stuck=not found.entries and found.used_bytes > self._largest(found.file_bytes))

    def _step(self, connection: sqlite3.Connection) -> Stepped:
        return step(connection, self._limits(connection), self._positions(), self._clock.utc_ns())

    def _done(self, done: "Future[Stepped]") -> None:
        self._asked = False
        if done.cancelled():
            return
        if (error := done.exception()) is not None:
            # The writer says what is wrong with its disk; the next commit tries again.
            _LOGGER.warning(FAILED, trouble=f"{type(error).__name__}: {error}")
            return
        self._added = 0
        self.tell(done.result())

    def _limits(self, connection: sqlite3.Connection) -> Limits:
        _, file_bytes = _sizes(connection)
        older_than_ns = self._clock.utc_ns() - round(self.plan.keep_s * 1e9)
        at_most = min(max(_AT_MOST, 2 * self._added), _MOST)
        return Limits(older_than_ns, self._largest(file_bytes), at_most)

    def _largest(self, file_bytes: int) -> int:
        """Of the pages in use: as the plan has it, or as the disk has room for, less a reserve."""
        free = self._free()
        largest = self.plan.largest_bytes if free is None else min(self.plan.largest_bytes, file_bytes + free)
        # Of a small disk a small part: what is there is there to be used.
        return largest - min(largest // _PART, _RESERVE_BYTES)

    def _say(self, event: str, text: str, now_ns: int) -> None:
        self._trouble = Trouble("history_forced_out" if event == FORCED_OUT else "ledger_too_small", text)
        self._trouble_ns = now_ns
        if now_ns - self._logged_ns >= _SAID_FOR_NS:
            self._logged_ns = now_ns
            _LOGGER.error(event, trouble=text)


def _sizes(connection: sqlite3.Connection) -> tuple[int, int]:
    """(bytes of the pages in use, bytes of the file)."""
    (page,) = connection.execute("PRAGMA page_size").fetchone()
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    return (pages - free) * page, pages * page
