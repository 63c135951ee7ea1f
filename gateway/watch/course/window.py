"""The readings of a level over a stated window: which belong together, so that one line goes through them.

The window begins anew

- with the first reading after a gap, with another gauge, and with another density or temperature under a level by
  pressure: what lies between is no flow;
- when three readings on end, that follow from one another, have left the line on one side by more than noise: the flow
  has become another, or the level has stepped; either way those before say nothing of now. One or two such readings
  are a wave or a spike, and are left out.

A reading that its own past puts in doubt (`rate_implausible`) is not taken in, and a level that stands still while
liquid flows empties the window.
"""

import math
from typing import NamedTuple

from gateway.calculation.doubts.rates import volume_near
from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Input, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.sources import LevelSource
from gateway.watch.course.basis import Basis
from gateway.watch.course.line import NO_LINE, NO_READINGS, Line, Readings, line_through

__all__ = ["GAP_PART", "NO_WINDOW", "Window", "is_gap", "next_window", "reading_age_s", "resolution_m"]

_PARTS = 32.0
"""Of the window: readings are kept no closer. Thirty that are polled every ten seconds all are, if some come early."""
GAP_PART = 0.5
"""Of the window: whatever happened in a gap as long is not told by a line across it."""
_BACK_S = 1.0
"""A reading further back than rounding explains is by another clock."""
_LEFT = 4.0
"""Standard deviations: a reading this far from the line has left it."""
_LEAVE = 3
"""So many on end, on one side, begin another line."""
_USUAL = 30.0
"""So many readings tell the noise of a gauge: at ten seconds those of the window, at a minute those of half an hour."""
_DIP_M = 0.001

_GOOD = Quality.GOOD
_JUMPS = ReasonCode.RATE_IMPLAUSIBLE
_FROZEN = ReasonCode.LEVEL_FROZEN


class Window(NamedTuple):
    """The readings and the line through them."""

    readings: Readings = NO_READINGS
    line: Line = NO_LINE
    left: Readings = NO_READINGS
    """The newest, where they have left the line; fewer than begin another one."""
    basis: Basis | None = None
    """What the level rests on."""
    turned: bool = False
    """Whether it began with another flow, or a step, while the level was watched."""
    doubt: Reason | None = None
    """What the newest doubted one among the readings was doubted for."""
    doubted_s: SteadyTime = 0.0
    """When that was read."""
    usual_m2: float = 0.0
    """Mean square of how far the last readings lay from where the line before each went on to; 0: not known yet."""

    @property
    def newest_s(self) -> float | None:
        """When the last reading was taken in; None before the first."""
        times = self.left.times or self.readings.times
        return times[-1] if times else None


NO_WINDOW = Window()


def reading_age_s(tank_input: TankInput, source: LevelSource) -> float | None:
    """How old the reading is that the level comes from; None for a level by hand, or none."""
    given: Input | None = None
    if source is LevelSource.GAUGE:
        given = tank_input.level
    elif source is LevelSource.PRESSURE:
        given = tank_input.bottom_pressure
    elif source is LevelSource.SECOND_GAUGE:
        given = tank_input.second_level
    return None if given is None else given.age_s


def resolution_m(tank: TankPlan, source: LevelSource) -> float:
    """The step of the gauge that the level comes from, in m."""
    plan = tank.second_gauge if source is LevelSource.SECOND_GAUGE else tank.gauge
    return _DIP_M if plan is None else plan.resolution_m


def is_gap(passed_s: float, window_s: float) -> bool:
    """Whether two readings so far apart have between them what no line tells, or are by two clocks."""
    return passed_s > GAP_PART * window_s or passed_s < -_BACK_S


def next_window(
    before: Window, tank: TankPlan, inventory: Inventory, basis: Basis, time_s: float | None, window_s: float
) -> Window:
    """`before` with the newest reading. `time_s`: when it was read, steady; None where nothing was read by a gauge."""
    level, tov = inventory.figures.level, inventory.figures.tov
    level_m, volume_m3 = level.value, tov.value
    if level_m is None or time_s is None:
        return before
    doubt = None
    if level.quality is not _GOOD:
        codes = [reason.code for reason in level.reasons]
        if _FROZEN in codes:
            return NO_WINDOW
        if _JUMPS in codes:
            return before
        doubt = level.reasons[-1] if level.reasons else None
    if volume_m3 is None:
        # For the level's own rate: what is told of the volume is in doubt until this reading has left the window.
        volume_m3, doubt = volume_near(tank, level_m), tov.reasons[0] if tov.reasons else doubt
    newest_s = before.newest_s
    if newest_s is None or is_gap(time_s - newest_s, window_s) or _is_another(before.basis, basis):
        first = NO_READINGS.and_then(time_s, level_m, volume_m3)
        usual_m2 = 0.0 if _is_another(before.basis, basis) else before.usual_m2
        return Window(first, basis=basis, doubt=doubt, doubted_s=time_s, usual_m2=usual_m2)
    if doubt is not None:
        before = before._replace(doubt=doubt, doubted_s=time_s)
    if time_s - newest_s < window_s / _PARTS:
        return before
    if before.doubt is not None and time_s - before.doubted_s > window_s:
        before = before._replace(doubt=None)
    step_m = resolution_m(tank, basis.level)
    off = before.line.off(time_s, level_m)
    usual_m = math.sqrt(before.usual_m2)
    if before.line.through > 2 and abs(off) > _LEFT:
        left = before.left
        if left.times and before.line.off(left.times[-1], left.levels[-1]) * off < 0.0:
            before, left = before._replace(usual_m2=_usual_m2(before)), NO_READINGS
        left = left.and_then(time_s, level_m, volume_m3)
        if len(left.times) < _LEAVE:
            return before._replace(left=left)
        line = line_through(left, step_m, usual_m)
        if line.is_unsteady:
            # Nor do these follow from one another.
            return before._replace(left=Readings(left.times[1:], left.levels[1:], left.volumes[1:]))
        return Window(left, line, NO_READINGS, basis, True, before.doubt, before.doubted_s, before.usual_m2)
    readings = before.readings.and_then(time_s, level_m, volume_m3, time_s - window_s)
    if before.line.through > 2:
        before = before._replace(usual_m2=_usual_m2(before, off))
    return Window(
        readings,
        line_through(readings, step_m, math.sqrt(before.usual_m2)),
        NO_READINGS,
        basis,
        before.turned,
        before.doubt,
        before.doubted_s,
        before.usual_m2,
    )


def _usual_m2(before: Window, *offs: float) -> float:
    """With readings so many standard deviations off the line, and those that had left it and did not go on: these count
    as if they just had."""
    mean_m2 = before.usual_m2 or before.line.rest_m**2
    for off in (*[_LEFT] * len(before.left.times), *offs):
        seen_m = off * before.line.counted_m
        mean_m2 += (seen_m * seen_m - mean_m2) / _USUAL
    return mean_m2


def _is_another(before: Basis | None, now: Basis) -> bool:
    """Whether the level comes from another gauge, or by another density."""
    if before is None or before.level is not now.level:
        return True
    return now.level is LevelSource.PRESSURE and (
        before.density is not now.density
        or before.entered_density != now.entered_density
        or before.temperature is not now.temperature
    )
