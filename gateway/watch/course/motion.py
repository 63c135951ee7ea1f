"""Whether the contents move, by the net rate with hysteresis (common practice).

A tank moves from a rate on that brings its level two steps of its gauge, 3.5 mm at least, within the window, or from
the one that its plan gives; and never by less than five standard deviations of the slope, so that noise moves nothing.
It rests again below half of that. At rest is said only of a window that is half full: before, a slow movement cannot
be told from none.
"""

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from gateway.plain_form import SteadyTime
from gateway.tank_state import Motion
from gateway.watch.course.rates import SURE, Rates
from gateway.watch.course.window import Window
from gateway.watch.plan import CoursePlan

__all__ = ["NO_MOVING", "Moving", "is_going", "next_moving", "utc_of"]

_STEPS = 2.0
_LEAST_M = 0.0035
"""A level that steps by four deviations, 2.3 mm, has not left its line, and tilts it by half as much again."""
_SURE_OF_UNSTEADY = 2.0 * SURE
"""Of a line with readings far off it: what these are is not noise, and a few of them can look like a slope."""
_LEAVES = 0.5
_SAME_S = 1.0
"""UTC and the steady clock drift apart: what has been told moves only when they differ by more."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_REST, _UNKNOWN = Motion.AT_REST, Motion.UNKNOWN


class Moving(NamedTuple):
    """How it moves, and since when."""

    motion: Motion = _UNKNOWN
    since_s: SteadyTime | None = None
    since_utc_s: float = 0.0
    """The same by UTC, as it was first told; `since` is that as a time."""
    since: datetime | None = None
    lost: Motion = _UNKNOWN
    """Where it is not known: how it moved when it last was."""
    lost_s: SteadyTime = 0.0


NO_MOVING = Moving()


def next_moving(
    before: Moving, plan: CoursePlan, window: Window, found: Rates, step_m: float, now_s: float, utc_s: float
) -> Moving:
    """`before` with the rates of now, `found` in the window.

    `step_m`: of the gauge; `now_s` steady, `utc_s` the same instant by UTC.
    """
    if found.level.value is None:
        if before.motion is _UNKNOWN or (found.is_too_soon and window.turned):
            # Where the flow has become another, a few readings more tell how it goes on.
            return before
        # A window that has just begun anew does not go on from what it was before.
        lost = before.motion if window.readings.span_s > 0.0 else _UNKNOWN
        return before._replace(motion=_UNKNOWN, lost=lost, lost_s=now_s)
    times = window.readings.times
    goes_on = before.motion is _UNKNOWN and times[0] <= before.lost_s
    known = before.lost if goes_on else before.motion
    motion = _motion(known, plan, window, step_m)
    if motion is known and before.since_s is not None and motion is not _UNKNOWN:
        since_utc_s = utc_of(before.since_s, before.since_utc_s, now_s, utc_s)
        if motion is before.motion and since_utc_s == before.since_utc_s:
            return before
        return Moving(motion, before.since_s, since_utc_s, _instant(since_utc_s))
    if motion is _UNKNOWN:
        return before if before.motion is _UNKNOWN else Moving()
    # A whole window at rest was at rest when it began.
    since_s = times[0] if known is _UNKNOWN else times[-1]
    since_utc_s = utc_s - (now_s - since_s)
    return Moving(motion, since_s, since_utc_s, _instant(since_utc_s))


def utc_of(steady_s: float, told_utc_s: float, now_s: float, utc_s: float) -> float:
    """A steady time by UTC: as it was told, unless the clock was set since."""
    by_now_s = utc_s - (now_s - steady_s)
    return told_utc_s if abs(by_now_s - told_utc_s) <= _SAME_S else by_now_s


def _instant(utc_s: float) -> datetime | None:
    try:
        return _EPOCH + timedelta(seconds=utc_s)
    except OverflowError:
        # By a clock that is far off: since when, it cannot tell.
        return None


def is_going(plan: CoursePlan, window: Window, step_m: float) -> bool:
    """Whether a tank that has been moving still does by the line of now, so that it can be told where to."""
    return _share(plan, window, step_m) >= _LEAVES


def _share(plan: CoursePlan, window: Window, step_m: float) -> float:
    """The rate of now, of that from which on a tank moves."""
    line = window.line
    sure = _SURE_OF_UNSTEADY if line.is_unsteady else SURE
    speed_m_s, least_m_s = abs(line.slope_m_s), sure * line.noise_m_s
    if plan.moving_m3_s is None:
        return speed_m_s / max(least_m_s, max(_LEAST_M, _STEPS * step_m) / plan.window_s)
    return min(speed_m_s / least_m_s, abs(line.slope_m3_s) / plan.moving_m3_s)


def _motion(known: Motion, plan: CoursePlan, window: Window, step_m: float) -> Motion:
    share = _share(plan, window, step_m)
    if share >= 1.0:
        return Motion.FILLING if window.line.slope_m_s > 0.0 else Motion.EMPTYING
    is_half_full = window.readings.span_s >= plan.window_s / 2.0
    if known is _UNKNOWN:
        return _REST if is_half_full else _UNKNOWN
    if known is _REST or share >= _LEAVES:
        return known
    return _REST if is_half_full else known
