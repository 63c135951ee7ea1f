"""The readings of a level over a stated window, and the net flow rate that follows from them.

The rate is the slope of a straight line through the total observed volume (TOV), by least squares: over 30 readings
with 0.6 mm of noise its error is that of 0.4 mm over the window, where the two end points alone would give 0.8 mm.
TOV follows from level and table alone, so that a temperature that jumps, free water dipped anew or another density are
no flow; GOV and what is made from it would take each of them for one.

What is no flow begins the window anew: the first reading after a gap, a jump, another gauge, another density under a
level by pressure. A reading that is doubted for its jump is not taken in.
"""

import math
from operator import mul
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.doubts.rates import volume_near
from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Figure, Input, Inventory, Quality, Reason, ReasonCode, TankInput, because
from gateway.sources import LevelSource
from gateway.watch.course.basis import Basis

__all__ = [
    "NO_WINDOW",
    "Rates",
    "Window",
    "is_gap",
    "next_window",
    "noise_m_s",
    "rates",
    "reading_age_s",
    "resolution_m",
]

_PARTS = 32.0
"""Of the window: readings are kept no closer. Thirty that are polled every ten seconds all are, if some come early."""
_LEAST = 3
"""Fewer readings give no rate."""
_LEAST_PART = 0.2
"""Of the window: readings over less give no rate."""
_GAP_PART = 0.5
"""Of the window: whatever happened in a gap as long is not told by a line across it."""
_BACK_S = 1.0
"""A reading further back than rounding explains is by another clock."""
_RIPPLE_M = 0.0005
"""White noise of a level at rest, beside the steps of its gauge (common practice)."""
_SAME_M = 0.005
"""A level that has jumped is back where it was due within this, or five steps of its gauge."""
_SAME_STEPS = 5.0
_FASTEST_M_S = 0.02
"""No pump moves a level faster: 72 m an hour (common practice). For tanks of which the greatest flow is not given."""
_SHORTEST_S = 10.0
_DIP_M = 0.001

_BAD, _GOOD, _UNCERTAIN = Quality.BAD, Quality.GOOD, Quality.UNCERTAIN
_JUMPS = ReasonCode.RATE_IMPLAUSIBLE
_FROZEN = ReasonCode.LEVEL_FROZEN


class Window(NamedTuple):
    """The readings, oldest first, and the line through them."""

    times: tuple[SteadyTime, ...] = ()
    levels: tuple[float, ...] = ()
    """m above the datum."""
    volumes: tuple[float, ...] = ()
    """TOV in m3."""
    slope_m3_s: float = 0.0
    slope_m_s: float = 0.0
    spread_s2: float = 0.0
    """Sum of the squares of the times about their mean: what the noise of a slope goes by."""
    basis: Basis | None = None
    """What the level rests on."""
    jumped: bool = False
    """Whether the last reading was not taken in, for its jump."""
    doubt: Reason | None = None
    """What the newest doubted one among the readings was doubted for, and when."""
    doubted_s: SteadyTime = 0.0

    @property
    def span_s(self) -> float:
        return self.times[-1] - self.times[0] if self.times else 0.0


NO_WINDOW = Window()


class Rates(NamedTuple):
    """Net rates over the window."""

    volume: Figure
    """m3/s of observed volume into the tank."""
    level: Figure
    """m/s, upwards."""


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
    return passed_s > _GAP_PART * window_s or passed_s < -_BACK_S


def noise_m_s(window: Window, step_m: float) -> float:
    """The standard deviation of the slope of the level, in m/s, of a gauge with steps of `step_m` at rest."""
    if window.spread_s2 <= 0.0:
        return math.inf
    return math.sqrt((_RIPPLE_M * _RIPPLE_M + step_m * step_m / 12.0) / window.spread_s2)


def next_window(
    before: Window, tank: TankPlan, inventory: Inventory, basis: Basis, time_s: float | None, window_s: float
) -> Window:
    """`before` with the newest reading. `time_s`: when it was read, steady; None where nothing was read by a gauge."""
    level, tov = inventory.figures.level, inventory.figures.tov
    level_m = level.value
    if level_m is None or time_s is None:
        return before
    doubt = None
    if level.quality is not _GOOD:
        codes = [reason.code for reason in level.reasons]
        if _FROZEN in codes:
            return NO_WINDOW
        if _JUMPS in codes:
            return before if before.jumped else before._replace(jumped=True)
        doubt = level.reasons[-1] if level.reasons else None
    times = before.times
    volume_m3 = tov.value
    if volume_m3 is None:
        # For the level's own rate: what is told of the volume is in doubt until this reading has left the window.
        volume_m3, doubt = volume_near(tank, level_m), tov.reasons[0] if tov.reasons else doubt
    if not times or _is_another(before, basis, tank, level_m, time_s, window_s):
        return Window((time_s,), (level_m,), (volume_m3,), basis=basis, doubt=doubt, doubted_s=time_s)
    if time_s - times[-1] < window_s / _PARTS:
        if doubt is not None:
            return before._replace(jumped=False, doubt=doubt, doubted_s=time_s)
        return before._replace(jumped=False) if before.jumped else before
    first = 0
    while first < len(times) and time_s - times[first] > window_s:
        first += 1
    if doubt is not None:
        doubted_s = time_s
    else:
        doubted_s = before.doubted_s
        doubt = before.doubt if time_s - doubted_s <= window_s else None
    times = (*times[first:], time_s)
    levels = (*before.levels[first:], level_m)
    volumes = (*before.volumes[first:], volume_m3)
    slope_m3_s, slope_m_s, spread_s2 = _line(times, levels, volumes)
    return Window(times, levels, volumes, slope_m3_s, slope_m_s, spread_s2, basis, False, doubt, doubted_s)


def rates(
    window: Window, inventory: Inventory, basis: Basis, time_s: float | None, now_s: float, window_s: float
) -> Rates:
    """The net rates now, each with its quality: of a window that is `next_window` of this sheet."""
    level, tov = inventory.figures.level, inventory.figures.tov
    missing = _missing(window, level, basis, time_s, now_s, window_s)
    if missing is not None:
        return Rates(missing, missing)
    reasons: tuple[Reason, ...] = ()
    span_s = window.span_s
    if span_s < window_s / 2.0:
        reasons = (because(ReasonCode.TOO_SOON, _SO_FAR, span=span_s, window=window_s),)
    if window.doubt is not None and level.quality is _GOOD:
        reasons += (because(ReasonCode.INPUT_UNCERTAIN, _DOUBTED, why=window.doubt),)
    level_rate = _figure(window.slope_m_s, level, reasons)
    if tov.value is None:
        return Rates(figure.derive(None, (tov,)), level_rate)
    return Rates(_figure(window.slope_m3_s, tov, reasons), level_rate)


_SO_FAR = "over {span:duration} so far, of a window of {window:duration}"
_DOUBTED = "a level within the window was in doubt: {why}"
_BY_HAND = Reason(ReasonCode.MANUAL, "the level is by hand: one level tells no rate")


def _missing(
    window: Window, level: Figure, basis: Basis, time_s: float | None, now_s: float, window_s: float
) -> Figure | None:
    """Why there is no rate, else None."""
    if level.value is None:
        return figure.derive(None, (level,))
    if time_s is None:
        return figure.bad(_BY_HAND if basis.level is LevelSource.DIP else _NO_READING, level.age_s)
    frozen = None if level.quality is _GOOD else next((each for each in level.reasons if each.code is _FROZEN), None)
    if frozen is not None:
        return figure.bad(frozen, level.age_s)
    newest_s = window.times[-1] if window.times else time_s
    if now_s - newest_s > _GAP_PART * window_s:
        jump = next((each for each in level.reasons if each.code is _JUMPS), None)
        reason = because(ReasonCode.STALE, _LONG_AGO, age=now_s - newest_s, longest=_GAP_PART * window_s)
        return figure.bad(reason if jump is None else jump, now_s - newest_s)
    count, span_s = len(window.times), window.span_s
    if count < _LEAST or span_s < _LEAST_PART * window_s:
        reason = because(
            ReasonCode.TOO_SOON, _TOO_FEW, count=count, span=span_s, least=_LEAST, least_span=_LEAST_PART * window_s
        )
        return figure.bad(reason, level.age_s)
    return None


_NO_READING = Reason(ReasonCode.NOT_YET_READ, "no gauge reads the level")
_LONG_AGO = "the last level that tells a rate is {age:duration} old, more than {longest:duration}"
_TOO_FEW = "readings so far: {count} over {span:duration}; a rate needs {least} over {least_span:duration}"


def _figure(slope: float, of: Figure, reasons: tuple[Reason, ...]) -> Figure:
    if not reasons:
        return figure.derive(slope, (of,))
    return Figure(slope, _UNCERTAIN, (*of.reasons, *reasons), of.age_s, of.manual)


def _is_another(before: Window, basis: Basis, tank: TankPlan, level_m: float, time_s: float, window_s: float) -> bool:
    """Whether a reading does not follow from those before by a flow."""
    passed_s = time_s - before.times[-1]
    if is_gap(passed_s, window_s):
        return True
    if before.basis is not None and _other_level(before.basis, basis):
        return True
    moved_m = abs(level_m - before.levels[-1])
    if before.jumped:
        same_m = max(_SAME_M, _SAME_STEPS * resolution_m(tank, basis.level))
        return abs(level_m - before.levels[-1] - before.slope_m_s * passed_s) > same_m
    return moved_m > _FASTEST_M_S * max(passed_s, _SHORTEST_S)


def _other_level(before: Basis, now: Basis) -> bool:
    """Whether the level comes from another gauge, or by another density."""
    if before.level is not now.level:
        return True
    return now.level is LevelSource.PRESSURE and (
        before.density is not now.density
        or before.entered_density != now.entered_density
        or before.temperature is not now.temperature
    )


def _line(
    times: tuple[float, ...], levels: tuple[float, ...], volumes: tuple[float, ...]
) -> tuple[float, float, float]:
    """Slopes of volume and level by least squares, and the spread of the times; zeros for fewer than two readings."""
    if len(times) < 2:
        return 0.0, 0.0, 0.0
    middle_s = sum(times) / len(times)
    apart = [each - middle_s for each in times]
    spread_s2 = sum(map(mul, apart, apart))
    return sum(map(mul, apart, volumes)) / spread_s2, sum(map(mul, apart, levels)) / spread_s2, spread_s2
