"""Pure: how far all has arrived, of messages that the protocol acknowledges none of.

A server answers a ping after all that came before it on the same connection: then what was sent before the ping is
there. Whether the primary host has it is another matter: only while it is online does any of it count.
"""

from collections import deque

__all__ = ["Reach"]


class Reach:
    """Of one connection. Messages are numbered as they are sent, entries of history in the order of their positions."""

    def __init__(self) -> None:
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

    def ping_answered(self, *, counts: bool) -> None:
        """`counts`: whether somebody is there who reads."""
        asked = self._asked.popleft() if self._asked else 0
        if counts:
            self.covered = max(self.covered, asked)

    def reached(self) -> tuple[int, list[int]] | None:
        """Up to which position all has arrived or is given up, and what is given up of it; None: no further."""
        position = None
        while self._entries and self._entries[0][1] <= self.covered:
            position = self._entries.popleft()[0]
        if position is None:
            return None
        refused = [each for each in self._refused if each <= position]
        self._refused = [each for each in self._refused if each > position]
        return position, refused
