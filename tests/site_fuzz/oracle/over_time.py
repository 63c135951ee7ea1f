"""What one sheet after another gives away: a jump that no pump can make, and two gauges that part for good.

Rules as decided: faster than 1.5 times the greatest flow over at least 60 s, less a step of the gauge, is doubted until
it could have come about; gauges that differ by more than their limit for 10 min make the level doubtful.
"""

from tests.site_fuzz.oracle.expected import Expected
from tests.site_fuzz.oracle.volumes import table_volume
from tests.site_fuzz.states import GOOD
from tests.site_fuzz.tanks import Tank

__all__ = ["History"]

_SPAN_S, _ALLOWANCE, _DIFFER_S = 60.0, 1.5, 600.0
_SURELY = 1.02
"""A rate within 2 % of the limit is left to the sheet."""


class History:
    """Of the sheets of one tank that follow one another."""

    def __init__(self, tank: Tank) -> None:
        self._tank = tank
        self._base: tuple[float, float] | None = None
        """Time and level that nobody doubted."""
        self._differ_since: float | None = None

    def doubts(self, time_s: float, level: Expected, second: Expected) -> bool:
        """Whether the level cannot be Good at this sheet, for what came before it."""
        jumped = self._jumps(time_s, level)
        if not jumped and level.value is not None and level.best == GOOD:
            self._base = (time_s, level.value)
        return self._parted(time_s, level, second) or jumped

    def _jumps(self, time_s: float, level: Expected) -> bool:
        tank, base = self._tank, self._base
        if base is None or level.value is None or tank.flow is None:
            return False
        low, high = sorted((min(max(base[1], tank.bottom), tank.top), min(max(level.value, tank.bottom), tank.top)))
        step = max(0.001, tank.gauge.signal.step)
        if high - low <= step:
            return False
        change = (table_volume(tank, high) - table_volume(tank, low)) * (1.0 - step / (high - low))
        return change / max(time_s - base[0], _SPAN_S) > _ALLOWANCE * tank.flow * _SURELY

    def _parted(self, time_s: float, level: Expected, second: Expected) -> bool:
        if self._tank.second is None or level.value is None or second.value is None:
            self._differ_since = None
            return False
        if abs(level.value - second.value) <= self._tank.difference_limit + 1e-9:
            self._differ_since = None
            return False
        if self._differ_since is None:
            self._differ_since = time_s
        return time_s - self._differ_since >= _DIFFER_S
