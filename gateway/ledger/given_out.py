"""Pure: what an outbox has given out and nobody has said to be delivered. Places alone: thousands may be held back."""

from collections import deque
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from gateway.history import Entry, KeptRecord

__all__ = ["GivenOut"]


class _Place(NamedTuple):
    position: int
    instant_ns: int


class GivenOut:
    """Of one destination. Positions rise; instants are in ns since 1970, UTC."""

    def __init__(self) -> None:
        self.taken: deque[_Place] = deque()
        self._again: deque[_Place] = deque()
        """To be given once more, and not read again yet; they are behind all that is ready."""
        self.up_to = 0
        """The greatest position that was ever given out."""

    def give(self, entries: Sequence[Entry]) -> None:
        self.taken.extend(map(_place, entries))
        self.up_to = max(self.up_to, self.taken[-1].position)

    def go_back(self, ready: Iterable[Entry]) -> None:
        """All that was given out, and is `ready` to be, is to be read again."""
        self._again = deque([*self.taken, *map(_place, ready), *self._again])
        self.taken.clear()

    def read_again(self, position: int) -> None:
        """What is wanted up to there is ready."""
        _drop(self._again, position)

    def settle(self, position: int) -> list[int]:
        """Nothing up to there is waited for. The positions that were."""
        return [*_drop(self.taken, position), *_drop(self._again, position)]

    def oldest_ns(self, ready: Sequence[Entry]) -> int | None:
        """Of all that waits, with what is `ready`, as far as it is known."""
        if self.taken:
            return self.taken[0].instant_ns
        if ready:
            return _place(ready[0]).instant_ns
        return self._again[0].instant_ns if self._again else None


def _drop(places: deque[_Place], position: int) -> list[int]:
    found = []
    while places and places[0].position <= position:
        found.append(places.popleft().position)
    return found


def _place(entry: Entry) -> _Place:
    instant = entry.record.inventory.instant if isinstance(entry, KeptRecord) else entry.event.instant
    return _Place(entry.position, round(instant.timestamp() * 1e9))
