"""What a figure must be: its value, how far off it may be, and the best quality that is honest."""

import math
from typing import NamedTuple

from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN, Said

__all__ = ["LOST", "NOT_APPLICABLE", "OPEN", "STALE_S", "TOUCH", "Expected", "best_of", "of_said"]

STALE_S = 60.0
"""Of instruments polled each 2 s: the longer of three periods and 60 s."""
TOUCH = 1e-6
"""A level within a micrometre of a mark has reached it: no float32 of a level tells them apart (common practice)."""


class Expected(NamedTuple):
    """Without a value: not applicable where `best` is Good, none that could be judged where it is Uncertain, and none
    at all where it is Bad. A sheet may be more doubtful than `best`, never less."""

    value: float | None
    best: int = GOOD
    tolerance: float = 0.0

    @property
    def enters(self) -> bool:
        return self.value is not None or self.best != GOOD

    def doubted(self) -> "Expected":
        return self._replace(best=max(self.best, UNCERTAIN))


NOT_APPLICABLE = Expected(None)
LOST = Expected(None, BAD)
OPEN = Expected(0.0, GOOD, math.inf)
"""A hair from a mark, where rounding decides which of two answers is given, and either is right."""


def best_of(*parts: Expected) -> int:
    """Worst of what is used."""
    return max((part.best for part in parts if part.enters), default=GOOD)


def of_said(said: Said | None, tolerance: float = 1e-9) -> Expected:
    if said is None:
        return NOT_APPLICABLE
    if said.quality == BAD or said.age_s > STALE_S:
        return LOST
    return Expected(said.value, said.quality, tolerance)
