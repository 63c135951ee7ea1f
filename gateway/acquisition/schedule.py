"""Pure: whose turn it is on a line. Decides; the line does. Knows no clock: every call is told the time.

An instrument is due once a period, earliest due first; a period that was missed is skipped, never made up for. An
instrument that did not answer is left alone for a growing, jittered while, and what all such instruments together cost
the line is bounded: after each vain wait the next probe must leave the line to the others for `_REST` times as long.
So the time lost is at most a sixth, however many are dead and however long their time-outs are.
"""

import heapq
import random
from collections.abc import Sequence
from enum import Enum, auto
from typing import NamedTuple

__all__ = ["Backoff", "Schedule", "Task", "Turn"]

_NS_PER_S = 1_000_000_000
_REST = 5
_DOUBLINGS = 16


class Task(Enum):
    CONNECT = auto()
    """Try to reach the peer."""
    POLL = auto()
    """Read an instrument that is due."""
    PROBE = auto()
    """See whether an instrument that did not answer does so again."""
    REPORT = auto()
    """An instrument is due that is not being read now: say once more that it has no value."""
    WAIT = auto()
    """Nothing to do before `at_ns`."""


class Turn(NamedTuple):
    task: Task
    at_ns: int
    """Monotonic: when it was due, or until when to wait."""
    instrument: int = -1
    """By its place in the plan."""


class Backoff:
    """Waits that double from `first_s` to `longest_s`, each shortened by a random part of up to a half."""

    __slots__ = ("_first_ns", "_longest_ns", "_random", "failures")

    def __init__(self, first_s: float, longest_s: float, source: random.Random) -> None:
        self._first_ns = round(first_s * _NS_PER_S)
        self._longest_ns = round(longest_s * _NS_PER_S)
        self._random = source
        self.failures = 0

    def after_failure(self) -> int:
        """Counts one more failure in a row and gives the wait in ns."""
        wait = min(self._longest_ns, self._first_ns << min(self.failures, _DOUBLINGS))
        self.failures += 1
        return round(wait * self._random.uniform(0.5, 1.0))

    def reset(self) -> None:
        self.failures = 0


class Schedule:
    """The turns of one line."""

    def __init__(
        self, periods_s: Sequence[float], backoff_first_s: float, backoff_longest_s: float, source: random.Random
    ) -> None:
        self._periods_ns = [round(period * _NS_PER_S) for period in periods_s]
        self._random = source
        self._backoffs = [Backoff(backoff_first_s, backoff_longest_s, source) for _ in periods_s]
        self._connect_backoff = Backoff(backoff_first_s, backoff_longest_s, source)
        self._due: list[tuple[int, int]] = []
        self._fresh: set[int] = set()
        """Instruments whose next turn is the first since the start or since a new connection."""
        self._retry_at: dict[int, int] = {}
        """When each instrument that did not answer may be tried again."""
        self._probes_from = 0
        self._connect_at = 0

    def start(self, now_ns: int) -> None:
        """Makes every instrument due now: at the start, and at the first and last moment of an outage."""
        self._due = [(now_ns, index) for index in range(len(self._periods_ns))]
        self._fresh = set(range(len(self._periods_ns)))
        self._retry_at = dict.fromkeys(self._retry_at, now_ns)

    def next(self, now_ns: int, connected: bool) -> Turn:
        """Takes the next turn. A POLL or REPORT taken is due again one period later."""
        if not connected and self._connect_at <= now_ns:
            return Turn(Task.CONNECT, self._connect_at)
        due_ns, index = self._due[0]
        other = self._probe_turn() if connected else Turn(Task.CONNECT, self._connect_at)
        if other is not None and other.at_ns < due_ns:
            return other if other.at_ns <= now_ns else Turn(Task.WAIT, other.at_ns)
        if due_ns > now_ns:
            return Turn(Task.WAIT, due_ns)
        heapq.heapreplace(self._due, (self._following(index, due_ns, now_ns), index))
        reads = connected and index not in self._retry_at
        return Turn(Task.POLL if reads else Task.REPORT, due_ns, index)

    def connection_served(self) -> None:
        """Something came over the connection: should it be lost, it deserves a new try at once."""
        self._connect_backoff.reset()

    def answered(self, index: int) -> None:
        """The instrument spoke, if only to refuse."""
        if self._retry_at.pop(index, None) is not None:
            self._backoffs[index].reset()

    def unanswered(self, index: int, now_ns: int, lost_ns: int) -> None:
        """The line waited `lost_ns` for the instrument in vain."""
        self._retry_at[index] = now_ns + self._backoffs[index].after_failure()
        self._probes_from = now_ns + _REST * lost_ns

    def connection_lost(self, now_ns: int) -> None:
        """A connection is gone. One that had served is tried again at once; one that had not, after a wait."""
        served = self._connect_backoff.failures == 0
        wait_ns = self._connect_backoff.after_failure()
        self._connect_at = now_ns if served else now_ns + wait_ns

    def connection_doubted(self, now_ns: int) -> None:
        """A connection on which all was silent was closed: make a new one, and let the instruments have another try."""
        self._connect_at = now_ns
        self._probes_from = now_ns

    def connect_failed(self, now_ns: int) -> None:
        self._connect_at = now_ns + self._connect_backoff.after_failure()

    def _probe_turn(self) -> Turn | None:
        if not self._retry_at:
            return None
        index, retry_ns = min(self._retry_at.items(), key=lambda item: item[1])
        if len(self._retry_at) < len(self._periods_ns):
            retry_ns = max(retry_ns, self._probes_from)  # with none left to delay, none needs protection
        return Turn(Task.PROBE, retry_ns, index)

    def _following(self, index: int, due_ns: int, now_ns: int) -> int:
        period = self._periods_ns[index]
        if index in self._fresh:
            # All were due at once; from here on they are spread evenly over the period.
            self._fresh.discard(index)
            return now_ns + round(period * (index + self._random.uniform(0.1, 1.0)) / len(self._periods_ns))
        following = due_ns + period
        if following <= now_ns:
            following += ((now_ns - following) // period + 1) * period
        return following
