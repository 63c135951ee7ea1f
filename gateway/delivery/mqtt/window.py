"""Pure: history on its way to an MQTT server: what is sent next, what the answers mean, up to where all has arrived.

Acknowledgements come in any order; delivered is only what stands before the first entry without one. With the
connection all of it is forgotten and taken from the outbox again: nothing else repeats an entry, but that it was
refused for now. All times are monotonic seconds.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import NamedTuple

from gateway.delivery.mqtt_wire.words import Refusal
from gateway.history import Entry, KeptRecord

__all__ = ["ENDS_THE_CONNECTION", "HistoryWindow", "Reached", "stream_of"]

PATIENCE_S = 600.0
"""How long a refusal that somebody may set right holds the stream up, where the server takes other topics."""
STRIKES = 5
"""So many times in a row the server must end the connection at one entry, which is all that it had not answered."""
_QUICK_S = 0.5
"""An answer that takes so much longer than the quickest shows a path that is full: a live record would wait there."""
_WINDOWS_AHEAD = 4
"""Entries sent beyond the first without an answer, in windows."""

_NEVER = frozenset({0x90, 0x95, 0x99})
"""Topic name invalid, packet too large, payload format invalid: it is about this very message, whenever it comes."""
_LATER = frozenset({0x91, 0x97})
"""Packet identifier in use, quota exceeded: it is about the server, and no message is the better for being given up.

Any other, such as not authorized, may be about the topic: somebody may set it right, or it is for good.
"""


class Reached(NamedTuple):
    """How far it is settled what becomes of entries."""

    position: int
    lost: Sequence[int]
    """Positions up to there that are given up; all others have arrived."""


ENDS_THE_CONNECTION = Refusal(0x95, f"the server ends the connection at it, {STRIKES} times in a row")


class _Fate(Enum):
    IN_FLIGHT = auto()
    HELD = auto()
    """Refused for now."""
    ARRIVED = auto()
    LOST = auto()


@dataclass(slots=True, eq=False)
class _Slot:
    entry: Entry
    stream: str
    fate: _Fate
    sent_s: float
    held_since_s: float | None = None
    doubtful: bool = False


def stream_of(entry: Entry) -> str:
    """The end of its topic: what has the same is read in order."""
    if isinstance(entry, KeptRecord):
        return f"{entry.record.identity.tank}/history"
    return f"{entry.identity.tank or 'gateway'}/events"


class HistoryWindow:
    """What of history is under way. `next` names the entry to send; then comes `sent`, or `refused_unsent`."""

    def __init__(self, most: int, wait_s: Callable[[float], float]) -> None:
        """`most`: entries in flight. `wait_s`: how long until what was refused for now is tried again, by how long it
        has gone well before."""
        self.most = most
        self._wait_s = wait_s
        self.refusals: dict[str, tuple[Refusal, bool]] = {}
        """By stream of which nothing has arrived since: why, and whether that is for good."""
        self._given_up: set[str] = set()
        self._careful_up_to = -1
        """Position up to which each entry is sent alone, since a connection has ended at one of them."""
        self._suspect, self._strikes = -1, 0
        self._forget()

    def _forget(self) -> None:
        self._unsent: deque[Entry] = deque()
        self._slots: deque[_Slot] = deque()
        """In the order of their positions, from the first that is not settled."""
        self._in_flight: dict[int, _Slot] = {}
        self._held: list[_Slot] = []
        self._again: deque[_Slot] = deque()
        """Held ones that are to be sent again in this round."""
        self._in_round = False
        self._retry_s = float("inf")
        self._probes = 0
        """New entries that may still be sent in this round, to see whether others are taken."""
        self._arrived_in_round: set[str] = set()
        self._reached: int | None = None
        self._lost: list[int] = []
        """Positions, of those up to there."""
        self._limit = 1
        self._halved_s = float("-inf")
        self._shortest_s = float("inf")

    def give(self, entries: Iterable[Entry]) -> None:
        """What the outbox gave, in its order."""
        self._unsent.extend(entries)

    @property
    def unsent(self) -> int:
        return len(self._unsent)

    @property
    def in_flight(self) -> int:
        return len(self._in_flight)

    @property
    def retry_s(self) -> float:
        """When `next` may have something without anything else happening."""
        return self._retry_s if self._held and not self._in_flight else float("inf")

    @property
    def next_is_alone(self) -> bool:
        """Whether what is to be sent next must have the connection for itself."""
        following = self._again[0].entry if self._again else self._unsent[0] if self._unsent else None
        return following is not None and following.position <= self._careful_up_to

    @property
    def alone_in_flight(self) -> bool:
        """Whether nothing else may be sent until it is answered."""
        if not self._slots or self._slots[0].entry.position > self._careful_up_to:
            return False
        return any(slot.entry.position <= self._careful_up_to for slot in self._in_flight.values())

    def next(self, now_s: float) -> Entry | None:
        """The entry to be sent now; None where there is none or no room for it."""
        if self._held and not self._again and not self._in_flight and now_s >= self._retry_s:
            self._begin_round(now_s)
        if len(self._in_flight) >= min(self._limit, self.most) or self.alone_in_flight:
            return None
        if self._again:
            return self._unless_careful(self._again[0].entry)
        if (self._held or self._in_round) and not self._probes:
            return None
        if len(self._slots) >= _WINDOWS_AHEAD * self.most:
            return None
        while self._unsent and self._unsent[0].position == self._suspect and self._strikes >= STRIKES:
            self.refused_unsent(ENDS_THE_CONNECTION, now_s)
        return self._unless_careful(self._unsent[0]) if self._unsent else None

    def _unless_careful(self, entry: Entry) -> Entry | None:
        return None if self._in_flight and entry.position <= self._careful_up_to else entry

    def sent(self, number: int, now_s: float) -> None:
        """What `next` named is under way under this number."""
        if self._again:
            slot = self._again.popleft()
            slot.fate, slot.sent_s = _Fate.IN_FLIGHT, now_s
        else:
            self._probes = max(0, self._probes - 1)
            slot = self._taken(_Fate.IN_FLIGHT, now_s)
        self._in_flight[number] = slot

    def refused_unsent(self, refusal: Refusal, now_s: float) -> None:
        """What `next` named cannot be sent at all."""
        slot = self._again.popleft() if self._again else self._taken(_Fate.LOST, now_s)
        self._lose(slot, refusal)
        self._look_at_round(now_s)
        self._advance()

    def holds(self, number: int) -> bool:
        return number in self._in_flight

    def settled(self, number: int, refusal: Refusal | None, now_s: float) -> None:
        """The server has answered."""
        slot = self._in_flight.pop(number)
        self._widen(slot, now_s)
        if refusal is None:
            slot.fate = _Fate.ARRIVED
            self.refusals.pop(slot.stream, None)
            self._given_up.discard(slot.stream)
            self._arrived_in_round.add(slot.stream)
        elif refusal.code in _NEVER or (refusal.code not in _LATER and slot.stream in self._given_up):
            self._lose(slot, refusal)
        else:
            slot.fate = _Fate.HELD
            slot.doubtful = refusal.code not in _LATER
            if slot.held_since_s is None:
                slot.held_since_s = now_s
            self.refusals[slot.stream] = (refusal, False)
            self._held.append(slot)
        self._look_at_round(now_s)
        self._advance()

    def reached(self) -> Reached | None:
        """Up to where all has arrived or is given up, where that is another than when last asked."""
        if self._reached is None:
            return None
        reached, self._reached, self._lost = Reached(self._reached, self._lost), None, []
        return reached

    def broken(self, *, by_server: bool) -> None:
        """The connection has ended. `by_server`: not by our own patience, nor at a stop."""
        under_way = list(self._in_flight.values())
        if by_server and under_way:
            highest = max(slot.entry.position for slot in under_way)
            if len(under_way) == 1 and highest <= self._careful_up_to:
                self._strikes = self._strikes + 1 if highest == self._suspect else 1
                self._suspect = highest
            self._careful_up_to = max(self._careful_up_to, highest)
        self._forget()

    def _taken(self, fate: _Fate, now_s: float) -> _Slot:
        entry = self._unsent.popleft()
        slot = _Slot(entry, stream_of(entry), fate, now_s)
        self._slots.append(slot)
        return slot

    def _begin_round(self, now_s: float) -> None:
        self._again.extend(sorted(self._held, key=lambda slot: slot.entry.position))
        self._held.clear()
        self._in_round = True
        self._retry_s = float("inf")
        self._arrived_in_round.clear()
        self._probes = self.most if any(self._is_overdue(slot, now_s) for slot in self._again) else 0

    def _look_at_round(self, now_s: float) -> None:
        if not self._in_flight and not self._again:
            if self._held:
                self._end_round(now_s)
            self._in_round = False

    def _end_round(self, now_s: float) -> None:
        """All is answered, and some refused: only where others are taken is it for good."""
        for slot in [each for each in self._held if self._is_overdue(each, now_s)]:
            if self._arrived_in_round - {slot.stream}:
                self._held.remove(slot)
                self._given_up.add(slot.stream)
                self._lose(slot, self.refusals[slot.stream][0])
        self._probes = 0
        self._retry_s = now_s + self._wait_s(0.0 if self._in_round else float("inf"))

    def _is_overdue(self, slot: _Slot, now_s: float) -> bool:
        return slot.doubtful and slot.held_since_s is not None and now_s - slot.held_since_s >= PATIENCE_S

    def _lose(self, slot: _Slot, refusal: Refusal) -> None:
        slot.fate = _Fate.LOST
        self.refusals[slot.stream] = (refusal, True)

    def _advance(self) -> None:
        while self._slots and self._slots[0].fate in (_Fate.ARRIVED, _Fate.LOST):
            slot = self._slots.popleft()
            if slot.fate is _Fate.LOST:
                self._lost.append(slot.entry.position)
            self._reached = slot.entry.position

    def _widen(self, slot: _Slot, now_s: float) -> None:
        """As much in flight as the path takes without making anybody wait: one more for each quick answer, half of it
        for a slow one."""
        waited_s = now_s - slot.sent_s
        self._shortest_s = min(self._shortest_s, waited_s)
        if waited_s <= self._shortest_s + _QUICK_S:
            self._limit = min(self.most, self._limit + 1)
        elif slot.sent_s >= self._halved_s:
            self._limit = max(1, self._limit // 2)
            self._halved_s = now_s
