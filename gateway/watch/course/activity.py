"""What a change of level is known to be, where the compensated quantity has not changed: warming, or a water draw.

Against the level of when it was last quiet: that of the last time when it had stood within half of the deviation for as
long as a tank takes to be armed, or when product last moved. Where more than half of the change is product, nothing is
said (common practice).
"""

from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because
from gateway.watch.course.contents import Contents, area_m2
from gateway.watch.course.followed import Followed, Step
from gateway.watch.plan import UnscheduledPlan

__all__ = ["THERMAL", "WATER_DRAW", "Quiet", "activity_reason", "next_quiet"]

THERMAL = ReasonCode.THERMAL.value
WATER_DRAW = ReasonCode.WATER_DRAW.value
_ENDS_WITHIN = 0.5
_UNEXPLAINED = 0.5
"""Of a change of level: with more of it being product, it is a movement."""


class Quiet(NamedTuple):
    """The contents when the level last was quiet, and what is known of how it has changed since."""

    time_s: SteadyTime
    quantity: float
    level_m: float
    water_m3: float | None
    temperature_c: float | None
    area_m2: float
    still_m: float
    """The level that it has stood at since `still_s`."""
    still_s: SteadyTime
    activity: str = ""


def next_quiet(
    before: Quiet | None,
    plan: UnscheduledPlan,
    tank: TankPlan,
    contents: Contents,
    followed: Followed,
    step: Step,
    now_s: float,
) -> Quiet | None:
    """`before` with the contents of now."""
    quantity, level_m = followed.quantity, followed.level_m
    if before is None:
        return _quiet(tank, contents, quantity, level_m, now_s)
    if step.quantity != 0.0 or step.water_m3 != 0.0:
        water_m3 = None if before.water_m3 is None else before.water_m3 + step.water_m3
        before = before._replace(quantity=before.quantity + step.quantity, water_m3=water_m3)
    half_m = _ENDS_WITHIN * plan.deviation_m
    per_m = before.area_m2 * contents.per_m3
    off, off_m = quantity - before.quantity, level_m - before.level_m
    if abs(off) > plan.deviation_m * per_m:
        return _quiet(tank, contents, quantity, level_m, now_s)
    if abs(level_m - before.still_m) > half_m:
        before = before._replace(still_m=level_m, still_s=now_s)
    elif now_s - before.still_s >= plan.arms_after_s and before.activity:
        return _quiet(tank, contents, quantity, level_m, now_s)
    is_one = abs(off_m) >= (half_m if before.activity else plan.deviation_m)
    activity = ""
    if is_one and abs(off) <= _UNEXPLAINED * abs(off_m) * per_m:
        activity = _activity(before, contents, off_m, half_m)
    return before if activity == before.activity else before._replace(activity=activity)


def activity_reason(quiet: Quiet | None, contents: Contents, now_s: float, utc_s: float) -> Reason | None:
    """What is to be said of it, else None."""
    if quiet is None or not quiet.activity:
        return None
    since_utc_s = utc_s - (now_s - quiet.time_s)
    level_m = contents.level_m - quiet.level_m
    if quiet.activity == WATER_DRAW and contents.water_m3 is not None and quiet.water_m3 is not None:
        return because(
            ReasonCode.WATER_DRAW,
            "water is drawn off: since {since:utc} the level has moved by {level:mm +.0f} and the free water by "
            "{water:m3 +.2f}; the product has stayed",
            since=since_utc_s,
            level=level_m,
            water=contents.water_m3 - quiet.water_m3,
        )
    if contents.temperature_c is None or quiet.temperature_c is None:
        return None
    return because(
        ReasonCode.THERMAL,
        "by temperature: since {since:utc} the level has moved by {level:mm +.0f} while the liquid went from "
        "{before:degC .1f} to {now:degC .1f}; the product has stayed",
        since=since_utc_s,
        level=level_m,
        before=quiet.temperature_c,
        now=contents.temperature_c,
    )


def _activity(quiet: Quiet, contents: Contents, off_m: float, half_m: float) -> str:
    if contents.water_m3 is not None and quiet.water_m3 is not None:
        drawn_m3 = quiet.water_m3 - contents.water_m3
        if off_m < 0.0 and drawn_m3 >= half_m * quiet.area_m2:
            return WATER_DRAW
    if contents.temperature_c is not None and quiet.temperature_c is not None:
        warmer_c = contents.temperature_c - quiet.temperature_c
        if warmer_c * off_m > 0.0:
            return THERMAL
    return ""


def _quiet(tank: TankPlan, contents: Contents, quantity: float, level_m: float, now_s: float) -> Quiet | None:
    area = area_m2(tank, level_m)
    if area is None or area <= 0.0:
        return None
    return Quiet(now_s, quantity, level_m, contents.water_m3, contents.temperature_c, area, level_m, now_s)
