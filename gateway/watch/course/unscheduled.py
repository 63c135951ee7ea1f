"""A movement that nobody announced: by the quantity that warming does not change, against that of a tank at rest.

    not armed   it moves, or has not been at rest for long enough: what it does is taken for what it is there to do
    ARMED       at rest for 45 min: the quantity it then had is what it is compared with
    FOUND       the quantity is further from that than 5 mm of level, be it slowly or at a rate

FOUND ends

- with the movement, where it went on at a rate: once it has stood for 15 min the tank is not armed, and is
  again when it has been at rest for as long as that takes;
- where the quantity comes back to within half of the deviation: then nothing had moved;
- where the quantity has stood still for four times 45 min, or for 45 min after a time that nobody watched: the tank is
  armed by what it holds now.

A tank in the middle of its work never comes to be armed, so that one movement at a rate is one finding, and that of a
tank which fills and empties all day is none. Whoever knows of a movement says so by `expected`; a tank whose movements
are nobody's concern has no plan for it. Common practice, and no regulatory leak-detection method.
"""

from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because
from gateway.tank_state import Motion
from gateway.watch.course.contents import Contents, area_m2
from gateway.watch.course.followed import Followed, Step
from gateway.watch.course.motion import Moving, utc_of
from gateway.watch.plan import UnscheduledPlan

__all__ = ["Armed", "armed_at", "is_due", "movement_fault", "next_armed"]

_ENDS_WITHIN = 0.5
_ENDED_PART = 1.0 / 3.0
"""Of the time it takes to arm, 15 min: so long it has to have stood until its movement is over. One that goes on too
slowly to be seen as one moves 2.5 mm, and the mean with it, within 12 min."""
_STANDS_STILL = 4.0
"""Times as long as it takes to arm: a movement so slow that it is not seen by then is left to the statistic."""

_MOVES = (Motion.FILLING, Motion.EMPTYING)


class Armed(NamedTuple):
    """What a tank at rest is compared with."""

    since_s: SteadyTime
    since_utc_s: float
    quantity: float
    level_m: float
    area_m2: float
    still: float
    """The quantity that it has stood at, within half of the deviation, since `still_s`."""
    still_s: SteadyTime
    unwatched_s: float = 0.0
    """For how long nothing was read since."""
    is_pause_unknown: bool = False
    """Whether nobody can tell for how long nobody watched."""
    found: bool = False
    moved: bool = False
    """Whether it has gone at a rate since it was found."""


def next_armed(
    before: Armed,
    plan: UnscheduledPlan,
    tank: TankPlan,
    contents: Contents,
    followed: Followed,
    step: Step,
    moving: Moving,
    gap_s: float,
    now_s: float,
    utc_s: float,
) -> Armed | None:
    """`before` with the contents of now; None: no longer armed.

    `gap_s`: for how long nothing had been read; 0 for no gap.
    """
    at_rest = moving.motion is Motion.AT_REST
    band = plan.deviation_m * before.area_m2 * contents.per_m3
    armed = _shifted(before, followed, step)
    if gap_s > 0.0:
        armed = armed._replace(unwatched_s=armed.unwatched_s + gap_s)
    if moving.motion is Motion.UNKNOWN:
        # A window that has just begun: one reading is no proof.
        return armed
    now = followed.quantity
    if abs(now - armed.still) > _ENDS_WITHIN * band:
        armed = armed._replace(still=now, still_s=now_s)
    off = abs(now - armed.quantity)
    if not armed.found:
        if off <= band:
            return armed
        return armed._replace(found=True, moved=moving.motion in _MOVES, still=now, still_s=now_s)
    if moving.motion in _MOVES:
        return armed if armed.moved else armed._replace(moved=True)
    stands_s = now_s - armed.still_s
    if armed.moved and at_rest and stands_s >= _ENDED_PART * plan.arms_after_s:
        return None
    if off < _ENDS_WITHIN * band:
        return armed._replace(found=False, moved=False)
    times = 1.0 if armed.unwatched_s > 0.0 or armed.is_pause_unknown else _STANDS_STILL
    if at_rest and stands_s >= times * plan.arms_after_s:
        return armed_at(tank, followed, now_s, utc_s)
    return armed


def is_due(plan: UnscheduledPlan, moving: Moving, now_s: float) -> bool:
    """Whether a tank has been at rest for long enough to be armed."""
    if moving.motion is not Motion.AT_REST or moving.since_s is None:
        return False
    return now_s - moving.since_s >= plan.arms_after_s


def movement_fault(armed: Armed | None, followed: Followed | None, now_s: float, utc_s: float) -> Reason | None:
    """What is to be said of a movement that was found, else None."""
    if armed is None or followed is None or not armed.found:
        return None
    level_m = followed.level_m - armed.level_m
    amount_m3 = (followed.quantity - armed.quantity) / followed.last.per_m3
    since_s = utc_of(armed.since_s, armed.since_utc_s, now_s, utc_s)
    equivalent_m = amount_m3 / armed.area_m2
    if armed.is_pause_unknown:
        return because(
            ReasonCode.MOVES_UNSCHEDULED,
            _PAUSED,
            amount=amount_m3,
            since=since_s,
            equivalent=equivalent_m,
            level=level_m,
        )
    if armed.unwatched_s > 0.0:
        return because(
            ReasonCode.MOVES_UNSCHEDULED,
            _UNWATCHED,
            amount=amount_m3,
            since=since_s,
            equivalent=equivalent_m,
            level=level_m,
            unwatched=armed.unwatched_s,
        )
    return because(
        ReasonCode.MOVES_UNSCHEDULED, _MOVED, amount=amount_m3, since=since_s, equivalent=equivalent_m, level=level_m
    )


_MOVED = (
    "the contents have changed by {amount:m3 +.2f} since {since:utc} with no movement announced: {equivalent:mm +.0f} "
    "of level that temperature does not explain; the level itself has moved by {level:mm +.0f}"
)
_UNWATCHED = (
    "the contents have changed by {amount:m3 +.2f} since {since:utc} with no movement announced: {equivalent:mm +.0f} "
    "of level that temperature does not explain; the level itself has moved by {level:mm +.0f}; for "
    "{unwatched:duration} of that time nothing was read"
)
_PAUSED = (
    "the contents have changed by {amount:m3 +.2f} since about {since:utc} with no movement announced: "
    "{equivalent:mm +.0f} of level that temperature does not explain; the level itself has moved by "
    "{level:mm +.0f}; for a part of that time that is not known nothing was read"
)


def armed_at(tank: TankPlan, followed: Followed, now_s: float, utc_s: float) -> Armed | None:
    """Compared from now on with what is in it; None where its surface is not known."""
    area = area_m2(tank, followed.level_m)
    if area is None:
        return None
    return Armed(now_s, utc_s, followed.quantity, followed.level_m, area, followed.quantity, now_s)


def _shifted(armed: Armed, followed: Followed, step: Step) -> Armed:
    """What it is compared with, by what the contents rest on now."""
    if step.quantity == 0.0:
        return armed
    off = followed.quantity - step.quantity - armed.quantity
    if step.by_water and abs(off + step.quantity) < abs(off):
        # Water that was drawn and is dipped only now: that is where it went.
        return armed._replace(still=armed.still + step.quantity)
    return armed._replace(quantity=armed.quantity + step.quantity, still=armed.still + step.quantity)
