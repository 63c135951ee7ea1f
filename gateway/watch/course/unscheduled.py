"""A movement that nobody announced: by the quantity that warming does not change, against that of a tank at rest.

    not armed   it moves, or has not been at rest for long enough: what it does is taken for what it is there to do
    ARMED       at rest for 45 min: the quantity it then had is what it is compared with
    FOUND       the quantity is 5 mm of level from its mean of the last day since then, or 10 mm from what it then was

A gauge wanders by a millimetre over hours and days: against what it said at one moment of last week 5 mm are passed by
a tank in which nothing moves once a month, against the last day not once in 400 days of simulated noise.

FOUND ends

- with the movement, where it went on at a rate: once it has stood for 15 min the tank is not armed, and is
  again when it has been at rest for as long as that takes;
- where the quantity comes back to within half of the deviation: then nothing had moved;
- where the quantity has stood still for four times 45 min, or for 45 min after a time that nobody watched: the tank is
  armed by what it holds now.

A tank in the middle of its work never comes to be armed, so that one movement at a rate is one finding, and that of a
tank which fills and empties all day is none. Whoever knows of a movement has the alarm suppressed (`watch.py`); a tank
whose movements are nobody's concern has no plan for it. Common practice, and no regulatory leak-detection method.
"""

import math
from datetime import UTC, datetime
from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because
from gateway.tank_state import Motion, Stillness
from gateway.watch.course.contents import Contents, area_m2
from gateway.watch.course.followed import Followed, Step
from gateway.watch.course.motion import Moving
from gateway.watch.plan import UnscheduledPlan

__all__ = ["Armed", "armed_at", "is_due", "movement_fault", "next_armed", "stillness"]

_ENDS_WITHIN = 0.5
_ENDED_PART = 1.0 / 3.0
"""Of the time it takes to arm, 15 min: so long it has to have stood until its movement is over. One that goes on too
slowly to be seen as one moves 2.5 mm, and the mean with it, within 12 min."""
_STANDS_STILL = 4.0
"""Times as long as it takes to arm: a movement so slow that it is not seen by then is left to the statistic."""

_TRACKS_S = 86_400.0
"""Time constant of the mean: by a millimetre an hour and more it hardly follows."""
_ALL_IN_ALL = 2.0
"""Deviations from what it was armed with: a loss too slow for the last day to show."""
_EACH_S = 60.0
"""The mean of a day need not follow at every sheet."""
_LONGEST_S = 300.0

_MOVES = (Motion.FILLING, Motion.EMPTYING)


class Armed(NamedTuple):
    """What a tank at rest is compared with."""

    since_s: SteadyTime
    quantity: float
    """Mean of the last day; where something was found, what that was found against."""
    level_m: float
    """The same of the level."""
    first: float
    """The quantity that it was armed with."""
    first_m: float
    area_m2: float
    seen_s: SteadyTime
    """When it last went into those means."""
    still: float
    """The quantity that it has stood at, within half of the deviation, since `still_s`."""
    still_s: SteadyTime
    unwatched_s: float = 0.0
    """For how long nothing was read since."""
    is_pause_unknown: bool = False
    """Whether nobody can tell for how long nobody watched."""
    found: bool = False
    """Then `since_s` is from when on what it was found against holds."""
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
) -> Armed | None:
    """`before` with the contents of now; None: no longer armed.

    `gap_s`: for how long nothing had been read; 0 for no gap.
    """
    at_rest, is_moving = moving.motion is Motion.AT_REST, moving.motion in _MOVES
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
        if off > band:
            since_s = max(armed.since_s, now_s - _TRACKS_S)
            return armed._replace(since_s=since_s, found=True, moved=is_moving, still=now, still_s=now_s)
        if abs(now - armed.first) > _ALL_IN_ALL * band:
            return armed._replace(
                quantity=armed.first, level_m=armed.first_m, found=True, moved=is_moving, still=now, still_s=now_s
            )
        return armed if is_moving else _tracked(armed, followed, now_s)
    if is_moving:
        return armed if armed.moved else armed._replace(moved=True)
    stands_s = now_s - armed.still_s
    if armed.moved and at_rest and stands_s >= _ENDED_PART * plan.arms_after_s:
        return None
    if off < _ENDS_WITHIN * band:
        return armed._replace(found=False, moved=False)
    times = 1.0 if armed.unwatched_s > 0.0 or armed.is_pause_unknown else _STANDS_STILL
    if at_rest and stands_s >= times * plan.arms_after_s:
        return armed_at(tank, followed, now_s)
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
    since_s = utc_s - (now_s - armed.since_s)
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


def stillness(
    plan: UnscheduledPlan | None,
    armed: Armed | None,
    followed: Followed | None,
    motion: Motion,
    now_s: float,
    utc_s: float | None,
) -> Stillness | None:
    """How far the contents are from what they are compared with. `utc_s`: of now; None where that is not known."""
    if plan is None or armed is None or followed is None:
        return None
    if motion is Motion.UNKNOWN and not armed.found:
        # As in `next_armed`: what is not looked at yet, as after a pause, is not within the band by that.
        return None
    since_s = armed.since_s if armed.found else max(armed.since_s, now_s - _TRACKS_S)
    since = None if utc_s is None else datetime.fromtimestamp((utc_s - (now_s - since_s)) // 60.0 * 60.0, UTC)
    change_m3 = (followed.quantity - armed.quantity) / followed.last.per_m3
    return Stillness(_short(change_m3), _short(plan.deviation_m * armed.area_m2), not armed.found, since)


def _short(volume_m3: float) -> float:
    """To three digits: a gauge tells no more of so little, and what is kept of each sheet is kept for long."""
    if volume_m3 == 0.0 or not math.isfinite(volume_m3):
        return volume_m3
    return round(volume_m3, 2 - math.floor(math.log10(abs(volume_m3))))


_MOVED = (
    "the contents have changed by {amount:m3 +.2f} with no movement announced, against the mean since {since:utc}: "
    "{equivalent:mm +.0f} of level that temperature does not explain; the level itself has moved by {level:mm +.0f}"
)
_UNWATCHED = (
    "the contents have changed by {amount:m3 +.2f} with no movement announced, against the mean since {since:utc}: "
    "{equivalent:mm +.0f} of level that temperature does not explain; the level itself has moved by {level:mm +.0f}; "
    "for {unwatched:duration} nothing was read"
)
_PAUSED = (
    "the contents have changed by {amount:m3 +.2f} with no movement announced, against the mean since about "
    "{since:utc}: {equivalent:mm +.0f} of level that temperature does not explain; the level itself has moved by "
    "{level:mm +.0f}; for a time that is not known nothing was read"
)


def armed_at(tank: TankPlan, followed: Followed, now_s: float) -> Armed | None:
    """Compared from now on with what is in it; None where its surface is not known."""
    area = area_m2(tank, followed.level_m)
    if area is None:
        return None
    quantity, level_m = followed.quantity, followed.level_m
    return Armed(now_s, quantity, level_m, quantity, level_m, area, now_s, quantity, now_s)


def _tracked(armed: Armed, followed: Followed, now_s: float) -> Armed:
    """With the mean of the last day as it is now. Over a gap it goes on as if that had been short."""
    passed_s = now_s - armed.seen_s
    if 0.0 <= passed_s < _EACH_S:
        return armed
    passed_s = min(max(passed_s, 0.0), _LONGEST_S)
    share = passed_s / (_TRACKS_S + passed_s)
    quantity = armed.quantity + share * (followed.quantity - armed.quantity)
    level_m = armed.level_m + share * (followed.level_m - armed.level_m)
    return armed._replace(quantity=quantity, level_m=level_m, seen_s=now_s)


def _shifted(armed: Armed, followed: Followed, step: Step) -> Armed:
    """What it is compared with, by what the contents rest on now."""
    if step.quantity == 0.0:
        return armed
    shifted = armed._replace(still=armed.still + step.quantity)
    off = followed.quantity - step.quantity - armed.quantity
    if step.by_water and abs(off + step.quantity) < abs(off):
        # Water that was drawn and is dipped only now: that is where it went.
        return shifted
    return shifted._replace(quantity=armed.quantity + step.quantity, first=armed.first + step.quantity)
