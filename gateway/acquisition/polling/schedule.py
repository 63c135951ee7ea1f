"""Pure: whose turn it is on a line. Decides; the line does. Knows no clock: every call is told the time.

An instrument is due once a period, earliest due first; a period that was missed is skipped, never made up for. An
instrument that did not answer is left alone for a growing, jittered while, and what all such instruments together cost
the line is bounded: after each vain wait the next probe must leave the line to the others for `_REST` times as long.
So the time lost is at most a sixth, however many are dead and however long their time-outs are. A probe waits a little
for a gap between two polls that is as long as it may take itself; so where there are gaps it delays nobody.
"""

import heapq
import math
import random
from collections.abc import Sequence
from enum import Enum, auto
from typing import NamedTuple

from gateway.backoff import Backoff

__all__ = ["Schedule", "Task", "Turn"]

_NS_PER_S = 1_000_000_000
_REST = 5
_PATIENCE = 0.25
"""How long a probe may wait for a gap, in parts of the wait before it."""
_GAP_SOUGHT = 2
"""So many times the last vain wait a gap is looked for at least."""
_SILENCE_FIRST_NS = 600_000_000
_SILENCE_LONGEST_NS = 4_000_000_000
"""A line on which nothing is heard is left alone for so long after each vain wait, twice as long each time, where a
converter is in the way: one that has stopped keeps what it is sent, and works all of it off before it comes to anything
new. Not drawn by lot as a back-off is: it bounds how much is kept, and there is one of it on a line."""
_MEETING_NS = 40_000_000
"""Polls are begun at multiples of this, or of a half, a quarter ... of it where a line polls more often: at moments
that all lines have in common, so that the process wakes once for many of them."""
_CLOSEST_NS = 1_000_000
"""Where polls follow one another this closely the process does not sleep anyway."""


class Task(Enum):
    CONNECT = auto()
    """Try to reach the peer."""
    POLL = auto()
    """Read an instrument that is due."""
    PROBE = auto()
    """See whether an instrument that did not answer does so again."""
    RESUME = auto()
    """Go on with a poll that was begun."""
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


class _Absence:
    """An instrument that did not answer."""

    __slots__ = ("cost_ns", "latest_ns", "retry_ns")

    def __init__(self, retry_ns: int, latest_ns: int, cost_ns: int) -> None:
        self.retry_ns = retry_ns
        """When it may be tried again."""
        self.latest_ns = latest_ns
        """Until when a gap for that may be waited for."""
        self.cost_ns = cost_ns
        """How long the line is held up by the try, if it is vain."""


class Schedule:
    """The turns of one line."""

    def __init__(
        self, periods_s: Sequence[float], backoff_first_s: float, backoff_longest_s: float, source: random.Random
    ) -> None:
        self._periods_ns = [round(period * _NS_PER_S) for period in periods_s]
        self._backoffs = [Backoff(backoff_first_s, backoff_longest_s, source) for _ in periods_s]
        self._connect_backoff = Backoff(backoff_first_s, backoff_longest_s, source)
        self._due: list[tuple[int, int]] = []
        self._resumes: list[tuple[int, int]] = []
        self._resuming: set[int] = set()
        """The instruments in it: each has one such turn at most."""
        self._fresh: set[int] = set()
        """Instruments whose next turn is the first since the start or since a new connection."""
        self._absent: dict[int, _Absence] = {}
        self._probed: int | None = None
        """The instrument that is being probed: one at a time."""
        self._probes_from_ns = 0
        self._gaps_until_ns = 0
        self._silence_ns = _SILENCE_FIRST_NS
        self._silent_until_ns = 0
        """No probe before that while nothing on the line answers."""
        self._connect_at_ns = 0
        self._served_from_ns: int | None = None
        """When the present connection first brought something; None while it has not."""
        self._served_s = 0.0
        """How long the one before it did."""

    def begin(self, now_ns: int) -> None:
        """No poll is under way, every instrument is due."""
        self._resumes = []
        self._resuming = set()
        self._probed = None
        self.start(now_ns)

    def start(self, now_ns: int) -> None:
        """Makes every instrument due now: at the start, and at the first and last moment of an outage."""
        self._due = [(now_ns, index) for index in range(len(self._periods_ns))]
        self._fresh = set(range(len(self._periods_ns)))
        self._retry_absent(now_ns)

    def next(self, now_ns: int, connected: bool) -> Turn:
        """Takes the next turn. A POLL or REPORT taken is due again one period later."""
        if not connected and self._connect_at_ns <= now_ns:
            return Turn(Task.CONNECT, self._connect_at_ns)
        due_ns, index = self._due[0]
        resumes = bool(self._resumes) and self._resumes[0][0] <= due_ns
        if resumes:
            due_ns, index = self._resumes[0]
        other: Turn | None = None
        if not connected:
            other = Turn(Task.CONNECT, self._connect_at_ns)
        elif self._absent:
            other = self._probe_turn(now_ns, due_ns)
        if other is not None and other.at_ns < due_ns:
            if other.at_ns > now_ns:
                return Turn(Task.WAIT, other.at_ns)
            self._probed = other.instrument
            return other
        if due_ns > now_ns:
            return Turn(Task.WAIT, due_ns)
        if resumes:
            heapq.heappop(self._resumes)
            self._resuming.discard(index)
            return Turn(Task.RESUME, due_ns, index)
        heapq.heapreplace(self._due, (self._following(index, due_ns, now_ns), index))
        reads = connected and index not in self._absent
        return Turn(Task.POLL if reads else Task.REPORT, due_ns, index)

    def is_due(self, now_ns: int) -> bool:
        """Whether a poll is due, or is to go on; probes wait for their own time."""
        return self._due[0][0] <= now_ns or (bool(self._resumes) and self._resumes[0][0] <= now_ns)

    def resume(self, index: int, at_ns: int) -> None:
        """The poll of the instrument goes on then, unless it has a turn for that already."""
        if index not in self._resuming:
            self._resuming.add(index)
            heapq.heappush(self._resumes, (at_ns, index))

    def may_time_out(self, now_ns: int) -> bool:
        """Whether the others have had the line for long enough since the last vain wait."""
        return now_ns >= self._probes_from_ns

    def timed_out(self, now_ns: int, lost_ns: int) -> None:
        """The line waited `lost_ns` for something that did not come."""
        self._probes_from_ns = now_ns + _REST * lost_ns
        self._gaps_until_ns = self._probes_from_ns + _GAP_SOUGHT * lost_ns

    def silence_ended(self, now_ns: int) -> None:
        """The first answer after nothing on the line answered: those given up meanwhile deserve a try at once."""
        self._probes_from_ns = self._gaps_until_ns = now_ns
        self._retry_absent(now_ns)

    def connection_served(self, now_ns: int) -> None:
        """Something came over the connection: should it be lost, it deserves a new try at once."""
        if self._served_from_ns is None:
            self._served_from_ns = now_ns

    def answered(self, index: int) -> bool:
        """The instrument spoke, if only to refuse. Returns whether it had been given up."""
        if self._probed == index:
            self._probed = None
        if self._absent.pop(index, None) is None:
            return False
        self._backoffs[index].forget()
        self._silence_ns = _SILENCE_FIRST_NS
        return True

    def unanswered(self, index: int, now_ns: int, lost_ns: int, next_ns: int = 0, *, is_kept: bool = False) -> None:
        """The line waited `lost_ns` for the instrument in vain, and would wait `next_ns` at the next try.

        `is_kept`: whether what was asked may lie before something that has stopped, and nothing tells that it runs.
        """
        wait_ns = round(self._backoffs[index].after(0.0) * _NS_PER_S)
        self._absent[index] = _Absence(now_ns + wait_ns, now_ns + round(wait_ns * (1 + _PATIENCE)), next_ns)
        self.timed_out(now_ns, lost_ns)
        if is_kept and len(self._absent) == len(self._periods_ns):
            self._silent_until_ns = now_ns + self._silence_ns
            self._silence_ns = min(2 * self._silence_ns, _SILENCE_LONGEST_NS)
        if self._probed == index:
            self._probed = None

    def connection_lost(self, now_ns: int) -> None:
        """A connection is gone. One that had served is tried again at once; one that had not, after a wait."""
        if self._connection_ended(now_ns):
            self._connect_at_ns = now_ns
            return
        is_first = not self._connect_backoff.failures
        self.connect_failed(now_ns)
        if is_first:  # what it served may be judged only after its loss is seen
            self._connect_at_ns = now_ns

    def connection_doubted(self, now_ns: int) -> None:
        """A connection on which all was silent was closed: make a new one, and let the instruments have another try."""
        self._connection_ended(now_ns)
        self._connect_at_ns = now_ns
        self._probes_from_ns = self._silent_until_ns = now_ns

    def connect_failed(self, now_ns: int) -> None:
        """A try for a connection. How long the last one had served says whether what failed before it still counts."""
        served_s, self._served_s = self._served_s, 0.0
        self._connect_at_ns = now_ns + round(self._connect_backoff.after(served_s) * _NS_PER_S)

    def _connection_ended(self, now_ns: int) -> bool:
        """Whether it had served."""
        if self._served_from_ns is None:
            return False
        self._served_s = (now_ns - self._served_from_ns) / _NS_PER_S
        self._served_from_ns = None
        return True

    def _retry_absent(self, now_ns: int) -> None:
        self._silent_until_ns = now_ns
        for absence in self._absent.values():
            absence.retry_ns = absence.latest_ns = now_ns

    def _probe_turn(self, now_ns: int, due_ns: int) -> Turn | None:
        """The next probe and when it is due, given when the line is wanted next by others."""
        if self._probed is not None:
            return None
        index, absence = min(self._absent.items(), key=lambda item: item[1].retry_ns)
        at_ns = absence.retry_ns
        if len(self._absent) == len(self._periods_ns):
            at_ns = max(at_ns, self._silent_until_ns)  # with none left to delay, none needs protection
        else:
            at_ns = max(at_ns, self._probes_from_ns)
            latest_ns = max(absence.latest_ns, self._gaps_until_ns)
            if at_ns <= now_ns < latest_ns and due_ns - now_ns < absence.cost_ns:
                return None
        return Turn(Task.PROBE, at_ns, index)

    def _following(self, index: int, due_ns: int, now_ns: int) -> int:
        period = self._periods_ns[index]
        if index in self._fresh:
            # All were due at once; from here on they are spread evenly over the period.
            self._fresh.discard(index)
            share_ns = period / len(self._periods_ns)
            return _next_meeting(now_ns + round(share_ns * (index + 0.5)), share_ns)
        following = due_ns + period
        if following <= now_ns:
            following += ((now_ns - following) // period + 1) * period
        return following


def _next_meeting(at_ns: int, share_ns: float) -> int:
    """The first moment from `at_ns` on that lines have in common; where each poll has `share_ns`, one for each."""
    if share_ns < _CLOSEST_NS:
        return at_ns
    meeting_ns = _MEETING_NS >> max(0, math.ceil(math.log2(_MEETING_NS / share_ns)))
    return -(-at_ns // meeting_ns) * meeting_ns
