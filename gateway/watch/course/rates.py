"""The net flow rate: the slope of the line through the total observed volume (TOV) of a window.

TOV follows from level and table alone, so that a temperature that jumps, free water dipped anew or another density are
no flow; GOV and what is made from it would take each of them for one.
"""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.records import Figure, Inventory, Quality, Reason, ReasonCode, because
from gateway.sources import LevelSource
from gateway.watch.course.basis import Basis
from gateway.watch.course.line import Line
from gateway.watch.course.window import GAP_PART, Window

__all__ = ["SURE", "Rates", "rates"]

SURE = 5.0
"""Standard deviations: a slope this far from zero is one."""
_LEAST = 3
"""Fewer readings give no rate."""
_LEAST_PART = 0.2
"""Of the window: readings over less give a rate only where it is far beyond its noise."""
_LEFT = 2
"""So many readings on end that have left the line put it in doubt."""

_GOOD, _UNCERTAIN = Quality.GOOD, Quality.UNCERTAIN


class Rates(NamedTuple):
    """Net rates over the window."""

    volume: Figure
    """m3/s of observed volume into the tank."""
    level: Figure
    """m/s, upwards."""
    is_too_soon: bool = False
    """Whether nothing is missing but more readings."""


def rates(
    window: Window, inventory: Inventory, basis: Basis, time_s: float | None, now_s: float, window_s: float
) -> Rates:
    """The net rates now, each with its quality: of the `next_window` of this sheet."""
    level, tov = inventory.figures.level, inventory.figures.tov
    missing = _missing(window, level, basis, time_s, now_s, window_s)
    if missing is not None:
        return Rates(missing, missing)
    line, span_s = window.line, window.readings.span_s
    if line.through < _LEAST or (span_s < _LEAST_PART * window_s and not _is_sure(line)):
        reason = because(
            ReasonCode.TOO_SOON, _TOO_FEW, count=line.through, span=span_s, least_span=_LEAST_PART * window_s
        )
        soon = figure.bad(reason, level.age_s)
        return Rates(soon, soon, is_too_soon=True)
    reasons: tuple[Reason, ...] = ()
    if span_s < window_s / 2.0:
        if line.is_unsteady:
            unsteady = figure.bad(_UNSTEADY, level.age_s)
            return Rates(unsteady, unsteady)
        phrase = _TURNED if window.turned else _SO_FAR
        reasons = (because(ReasonCode.TOO_SOON, phrase, span=span_s, window=window_s),)
    if len(window.left.times) >= _LEFT:
        reasons += (_CHANGES,)
    if line.is_unsteady:
        reasons += (_UNSTEADY,)
    if window.doubt is not None and level.quality is _GOOD:
        reasons += (because(ReasonCode.INPUT_UNCERTAIN, _DOUBTED, why=window.doubt),)
    level_rate = _figure(line.slope_m_s, level, reasons)
    if tov.value is None:
        return Rates(figure.derive(None, (tov,)), level_rate)
    return Rates(_figure(line.slope_m3_s, tov, reasons), level_rate)


_TOO_FEW = "readings so far: {count} over {span:duration}; a rate needs {least_span:duration}"
_SO_FAR = "over {span:duration} so far, of a window of {window:duration}"
_TURNED = "the flow has changed: over the {span:duration} since, of a window of {window:duration}"
_CHANGES = Reason(ReasonCode.TOO_SOON, "the last readings depart from it: the flow changes, or the level is unsteady")
_UNSTEADY = Reason(ReasonCode.INPUT_UNCERTAIN, "the level is unsteady: its readings lie far from any line")
_DOUBTED = "a level within the window was in doubt: {why}"
_BY_HAND = Reason(ReasonCode.MANUAL, "the level is by hand: one level tells no rate")
_NO_READING = Reason(ReasonCode.NOT_YET_READ, "no gauge reads the level")
_LONG_AGO = "the last level that tells a rate is {age:duration} old, more than {longest:duration}"


def _is_sure(line: Line) -> bool:
    return abs(line.slope_m_s) >= SURE * line.noise_m_s and not line.is_unsteady


def _missing(
    window: Window, level: Figure, basis: Basis, time_s: float | None, now_s: float, window_s: float
) -> Figure | None:
    """Why nothing is read that tells a rate, else None."""
    if level.value is None:
        return figure.derive(None, (level,))
    if time_s is None:
        return figure.bad(_BY_HAND if basis.level is LevelSource.DIP else _NO_READING, level.age_s)
    codes = {} if level.quality is _GOOD else {each.code: each for each in level.reasons}
    frozen = codes.get(ReasonCode.LEVEL_FROZEN)
    if frozen is not None:
        return figure.bad(frozen, level.age_s)
    times = window.readings.times
    age_s = now_s - (times[-1] if times else time_s)
    if age_s <= GAP_PART * window_s:
        return None
    jump = codes.get(ReasonCode.RATE_IMPLAUSIBLE)
    if jump is not None:
        return figure.bad(jump, age_s)
    return figure.bad(because(ReasonCode.STALE, _LONG_AGO, age=age_s, longest=GAP_PART * window_s), age_s)


def _figure(slope: float, of: Figure, reasons: tuple[Reason, ...]) -> Figure:
    if not reasons:
        return figure.derive(slope, (of,))
    return Figure(slope, _UNCERTAIN, (*of.reasons, *reasons), of.age_s, of.manual)
