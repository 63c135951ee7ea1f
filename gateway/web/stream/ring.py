"""The newest changes of the live view, for those who have missed a few. Without I/O."""

from collections import deque

from gateway.web.stream.parcel import Parcel

__all__ = ["Ring"]

_MOST = 200


class Ring:
    """Changes by their numbers, which follow one another. It is bounded by count and by size: who has missed more than
    a whole view is long is told the whole view."""

    def __init__(self) -> None:
        self.number = 0
        """Of the newest change; 0: there was none."""
        self._changes: deque[Parcel] = deque()
        self._size = 0

    def add(self, change: Parcel, *, at_most: int) -> None:
        """`at_most`: bytes of all that are kept, but for the newest, which is kept whatever its size."""
        self.number += 1
        self._changes.append(change)
        self._size += len(change.text)
        while len(self._changes) > 1 and (len(self._changes) > _MOST or self._size > at_most):
            self._size -= len(self._changes.popleft().text)

    def begin_anew(self) -> None:
        """Nothing leads from what was before to what comes."""
        self.number += 1
        self._changes.clear()
        self._size = 0

    def since(self, number: int) -> list[Parcel] | None:
        """What came after that one; None where it is not all there, or was never told."""
        missed = self.number - number
        if not 0 <= missed <= len(self._changes):
            return None
        return list(self._changes)[len(self._changes) - missed :]
