"""Pure: how far all has arrived, of messages that the protocol acknowledges none of.

A server answers a ping after all that came before it on the same connection: then what was sent before the ping is
there. Whether the primary host has it is another matter: only while it is online does any of it count. A host that goes
without a word is online for its server until one and a half times its keepalive has passed (MQTT 3.1.1, 3.1.2.10): what
has arrived is taken for read only when that time has passed and nobody has told that the host was away.
"""

from collections import deque
from typing import NamedTuple

__all__ = ["Reach"]

_MOST_HELD = 4000
"""Entries that have arrived and are not taken for read yet: where more come the oldest are, so that a long backlog goes
as fast as the way allows."""


class _Arrived(NamedTuple):
    at_s: float
    position: int
    refused: list[int]
    entries: int


class Reach:
    """Of one connection. Messages are numbered as they are sent, entries of history in the order of their positions.
    Seconds are monotonic."""

    def __init__(self, silence_s: float = 0.0) -> None:
        """`silence_s`: for so long a host may be gone before its server tells."""
        self._silence_s = silence_s
        self._arrived: deque[_Arrived] = deque()
        self._entries: deque[tuple[int, int]] = deque()
        """Position and the message that carries it."""
        self._refused: list[int] = []
        self._asked: deque[int] = deque()
        """What was sent last before each ping that is not answered yet; they are answered in their order."""
        self.covered = 0
        """All messages up to this number have arrived."""

    @property
    def waiting(self) -> int:
        return len(self._entries)

    def carried(self, position: int, number: int) -> None:
        """An entry has gone with this message, which may be older than those of the entries before."""
        self._entries.append((position, number))

    def given_up(self, position: int) -> None:
        """It cannot be sent at all."""
        self._refused.append(position)
        self._entries.append((position, 0))

    def ping_sent(self, last: int) -> None:
        self._asked.append(last)

    def ping_answered(self, now_s: float, *, counts: bool) -> None:
        """`counts`: whether somebody is there who reads."""
        asked = self._asked.popleft() if self._asked else 0
        if counts:
            self.covered = max(self.covered, asked)
        position, entries = None, 0
        while self._entries and self._entries[0][1] <= self.covered:
            position, entries = self._entries.popleft()[0], entries + 1
        if position is not None:
            refused = [each for each in self._refused if each <= position]
            self._refused = [each for each in self._refused if each > position]
            self._arrived.append(_Arrived(now_s, position, refused, entries))

    def reached(self, now_s: float) -> tuple[int, list[int]] | None:
        """Up to which position all is read or given up, and what is given up of it; None: no further."""
        held = sum(each.entries for each in self._arrived)
        position: int | None = None
        refused: list[int] = []
        while self._arrived and (now_s - self._arrived[0].at_s >= self._silence_s or held > _MOST_HELD):
            taken = self._arrived.popleft()
            held -= taken.entries
            position, refused = taken.position, [*refused, *taken.refused]
        return None if position is None else (position, refused)

    def begin_again(self) -> None:
        """All that is not taken for read is sent once more."""
        self._arrived.clear()
        self._entries.clear()
        self._refused.clear()
