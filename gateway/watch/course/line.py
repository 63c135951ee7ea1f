"""Readings of a level, and the straight line through them by least squares.

Over 30 readings with 0.6 mm of noise the slope of that line errs by 0.4 mm over the window; by the two end points alone
it would be 0.8 mm.
"""

import math
from operator import mul
from typing import NamedTuple

from gateway.plain_form import SteadyTime

__all__ = ["NO_LINE", "NO_READINGS", "Line", "Readings", "line_through"]

_RIPPLE_M = 0.0005
"""White noise of a level at rest, beside the steps of its gauge (common practice)."""
_MOST = 10.0
"""Times what a level at rest has: noise beyond that is no noise, and no line goes through it."""


class Readings(NamedTuple):
    """Of one gauge, oldest first."""

    times: tuple[SteadyTime, ...] = ()
    levels: tuple[float, ...] = ()
    """m above the datum."""
    volumes: tuple[float, ...] = ()
    """TOV in m3."""

    @property
    def span_s(self) -> float:
        return self.times[-1] - self.times[0] if self.times else 0.0

    def and_then(self, time_s: float, level_m: float, volume_m3: float, since_s: float = -math.inf) -> "Readings":
        """One more, and those of these that are not older than `since_s`."""
        times, first = self.times, 0
        while first < len(times) and times[first] < since_s:
            first += 1
        return Readings((*times[first:], time_s), (*self.levels[first:], level_m), (*self.volumes[first:], volume_m3))


NO_READINGS = Readings()


class Line(NamedTuple):
    """The line: slopes, where its middle is, and how well it is known."""

    slope_m_s: float = 0.0
    slope_m3_s: float = 0.0
    middle_s: SteadyTime = 0.0
    middle_m: float = 0.0
    spread_s2: float = 0.0
    """Sum of the squares of the times about their mean."""
    noise_m: float = _RIPPLE_M
    """Standard deviation of a reading about it."""
    rest_m: float = _RIPPLE_M
    """The same of a level at rest: the least that it can be."""
    through: int = 0
    """So many readings."""

    @property
    def is_unsteady(self) -> bool:
        """Whether the readings lie further from it than noise explains."""
        return self.noise_m > _MOST * self.rest_m

    @property
    def noise_m_s(self) -> float:
        """Standard deviation of the slope of the level."""
        return self.noise_m / math.sqrt(self.spread_s2) if self.spread_s2 > 0.0 else math.inf

    @property
    def counted_m(self) -> float:
        """What counts as noise of a reading: beyond that none is."""
        return min(self.noise_m, _MOST * self.rest_m)

    def off(self, time_s: float, level_m: float) -> float:
        """How far a level is from where the line goes on to, in standard deviations of such a reading."""
        if self.spread_s2 <= 0.0:
            return 0.0
        after_s = time_s - self.middle_s
        due_m = self.middle_m + self.slope_m_s * after_s
        known = math.sqrt(1.0 + 1.0 / self.through + after_s * after_s / self.spread_s2)
        return (level_m - due_m) / (self.counted_m * known)


NO_LINE = Line()


def line_through(readings: Readings, step_m: float, usual_m: float = 0.0) -> Line:
    """The line through readings of a gauge with steps of `step_m`; NO_LINE for fewer than two.

    `usual_m`: standard deviation of its readings about the lines before. A few readings may well lie on a line by
    chance, and say nothing of how sure its slope is.
    """
    times, levels, volumes = readings
    count = len(times)
    if count < 2:
        return NO_LINE
    middle_s, middle_m = sum(times) / count, sum(levels) / count
    apart = [each - middle_s for each in times]
    spread_s2 = sum(map(mul, apart, apart))
    slope_m_s = sum(map(mul, apart, levels)) / spread_s2
    least_m = math.sqrt(_RIPPLE_M * _RIPPLE_M + step_m * step_m / 12.0)
    # Of the squares of at most some ten metres a micrometre is left over, for noise of half a millimetre.
    left = sum(map(mul, levels, levels)) - count * middle_m * middle_m - slope_m_s * slope_m_s * spread_s2
    seen_m = math.sqrt(left / (count - 2)) if left > 0.0 and count > 2 else 0.0
    noise_m = max(least_m, seen_m, min(usual_m, _MOST * least_m))
    slope_m3_s = sum(map(mul, apart, volumes)) / spread_s2
    return Line(slope_m_s, slope_m3_s, middle_s, middle_m, spread_s2, noise_m, least_m, count)
