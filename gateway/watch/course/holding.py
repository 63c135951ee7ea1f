"""What a tank holds, followed over time: its mean, the last quiet level, and what a tank at rest is compared with."""

from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.tank_state import Motion
from gateway.watch.course.activity import Quiet, next_quiet
from gateway.watch.course.basis import Basis
from gateway.watch.course.contents import Contents
from gateway.watch.course.followed import Followed, as_they_are, next_followed, settled, step_between
from gateway.watch.course.motion import Moving
from gateway.watch.course.unscheduled import Armed, armed_at, is_due, next_armed
from gateway.watch.course.window import Window, is_gap
from gateway.watch.plan import CoursePlan, UnscheduledPlan

__all__ = ["NO_HOLDING", "Holding", "Now", "next_holding"]

_DEFAULT = UnscheduledPlan()
"""What a change of level is known to be is told of every tank."""
_REST, _UNKNOWN = Motion.AT_REST, Motion.UNKNOWN


class Holding(NamedTuple):
    """What is remembered of the contents."""

    followed: Followed | None = None
    """None: they have not been known yet."""
    quiet: Quiet | None = None
    armed: Armed | None = None


NO_HOLDING = Holding()


class Now(NamedTuple):
    """What a sheet says of the contents, and when."""

    contents: Contents
    basis: Basis
    time_s: float
    """When the level was read, steady."""
    now_s: float


def next_holding(
    before: Holding,
    plan: CoursePlan,
    tank: TankPlan,
    now: Now,
    window: Window,
    was: Moving,
    moving: Moving,
) -> Holding:
    """`before` with the contents of now; `was` and `moving`: how it moved at the last sheet, and moves."""
    contents, basis, time_s, now_s = now
    followed, quiet, armed = before
    unscheduled = plan.unscheduled or _DEFAULT
    arms = plan.unscheduled is not None
    if window.left.times and followed is not None:
        # A wave, a spike, or the begin of something: the next readings tell.
        return before if arms else before._replace(armed=None)
    passed_s = 0.0 if followed is None else time_s - followed.time_s
    has_gap = is_gap(passed_s, plan.window_s)
    gap_s = max(passed_s, 0.0) if has_gap else 0.0
    # One that may just have begun to move is not what it is to be compared with.
    is_settled = window.readings.span_s >= plan.window_s / 2.0
    arming = arms and armed is None and is_settled and is_due(unscheduled, moving, now_s)
    step = step_between(followed, contents, basis)
    if moving.motion is not _REST:
        followed = as_they_are(contents, basis, time_s)
    elif followed is None or was.motion is _UNKNOWN or has_gap or arming:
        followed = settled(contents, basis, time_s, window)
    else:
        followed = next_followed(followed, contents, basis, time_s, plan.window_s, step)
    quiet = next_quiet(quiet, unscheduled, tank, contents, followed, step, now_s)
    if arming:
        armed = armed_at(tank, followed, now_s)
    elif not arms:
        armed = None
    elif armed is not None:
        armed = next_armed(armed, unscheduled, tank, contents, followed, step, moving, gap_s, now_s)
    return Holding(followed, quiet, armed)
