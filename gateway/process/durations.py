"""Counts of how long things took, which grow and are handed out as frozen records."""

from bisect import bisect_left
from collections.abc import Sequence

from gateway.status import Histogram

__all__ = ["DurationCounts"]

_NS = 1e-9


class DurationCounts:
    """How many durations lay at or below each of some fixed bounds."""

    __slots__ = ("_bounds_ns", "_bounds_s", "_counts", "_sum_ns")

    def __init__(self, bounds_s: Sequence[float]) -> None:
        self._bounds_s = (*bounds_s, float("inf"))
        self._bounds_ns = tuple(round(bound / _NS) for bound in bounds_s)
        self._counts = [0] * len(self._bounds_s)
        self._sum_ns = 0

    def add(self, duration_ns: int) -> None:
        self._counts[bisect_left(self._bounds_ns, duration_ns)] += 1
        self._sum_ns += duration_ns

    def record(self) -> Histogram:
        total = 0
        counts = tuple(total := total + count for count in self._counts)
        return Histogram(self._bounds_s, counts, self._sum_ns * _NS)
