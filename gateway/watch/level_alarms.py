"""Alarms of the level: the levels of concern in API 2350's terms, the fill, the time to high-high, and no level at all.

A high limit is passed at its very level, and by the highest level that any gauge gives.
"""

import math

from gateway.calculation.plan import TOUCH_M
from gateway.errors import LimitError
from gateway.reasons import Reason, ReasonCode, because
from gateway.records import Quality
from gateway.tank_state import AlarmKind
from gateway.watch.alarms.condition import Condition
from gateway.watch.levels import Levels
from gateway.watch.plan import AlarmPlan
from gateway.watch.sight import INSIDE, Sight, active, known, not_judged

__all__ = ["critical_high", "fill_high", "high_high", "high_high_soon", "level_lost", "maximum_working", "minimum"]

_BAD = Quality.BAD
_PHRASES = {
    AlarmKind.CRITICAL_HIGH: "level {level:m .3f} has reached critical high, {limit:m .3f}",
    AlarmKind.HIGH_HIGH: "level {level:m .3f} has reached high-high, {limit:m .3f}",
    AlarmKind.MAXIMUM_WORKING: "level {level:m .3f} has reached maximum working, {limit:m .3f}",
}
_NO_LEVEL = Reason(ReasonCode.NOT_FITTED, "there is no level")
_TOUCH_FILL = 1e-9


def critical_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _high(sight, alarm, sight.tank.limits.critical_high_m)


def high_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _high(sight, alarm, sight.tank.limits.high_high_m)


def maximum_working(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _high(sight, alarm, sight.tank.limits.maximum_working_m)


def _high(sight: Sight, alarm: AlarmPlan, limit_m: float | None) -> Condition:
    """Passed at `limit_m`, left below it less the deadband; a gauge that says more than can be has passed it too."""
    levels = sight.levels
    level_m = levels.highest_m
    if limit_m is None:
        return INSIDE
    if level_m is not None and level_m >= limit_m - TOUCH_M:
        is_sure = _reaches(levels.sure_highest_m, limit_m) or levels.sure_above is not None
        reason = because(ReasonCode.ABOVE_LIMIT, _PHRASES[alarm.kind], level=level_m, limit=limit_m)
        return active(level_m, reason, None if is_sure else levels.maintenance)
    if levels.above is not None:
        is_sure = levels.sure_above is not None
        return active(_told_level(levels.above), levels.above, None if is_sure else levels.maintenance)
    if level_m is None:
        return not_judged(_suppressed(levels))
    return known(level_m, level_m < limit_m - alarm.deadband, _suppressed(levels))


def _reaches(level_m: float | None, limit_m: float) -> bool:
    return level_m is not None and level_m >= limit_m - TOUCH_M


def _suppressed(levels: Levels) -> Reason | None:
    """Of an alarm that is not active: by design where no gauge but those in maintenance would raise it."""
    return None if levels.sure_highest_m is not None else levels.maintenance


def minimum(sight: Sight, alarm: AlarmPlan) -> Condition:
    """Passed below its level, by the lowest that any gauge gives."""
    limit_m, levels = sight.tank.limits.minimum_m, sight.levels
    level_m = levels.lowest_m
    if limit_m is None:
        return INSIDE
    if level_m is not None and level_m < limit_m - TOUCH_M:
        sure_m = levels.sure_lowest_m
        is_sure = (sure_m is not None and sure_m < limit_m - TOUCH_M) or levels.sure_below is not None
        phrase = "level {level:m .3f} is below minimum, {limit:m .3f}"
        reason = because(ReasonCode.BELOW_LIMIT, phrase, level=level_m, limit=limit_m)
        return active(level_m, reason, None if is_sure else levels.maintenance)
    if levels.below is not None:
        is_sure = levels.sure_below is not None
        return active(_told_level(levels.below), levels.below, None if is_sure else levels.maintenance)
    if level_m is None:
        return not_judged(_suppressed(levels))
    return known(level_m, level_m >= limit_m + alarm.deadband, _suppressed(levels))


def _told_level(reason: Reason) -> float | None:
    """The level that is more, or less, than can be."""
    for name, value in reason.values:
        if name == "level" and isinstance(value, float):
            return value
    return None


def fill_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    """As a part of the whole capacity, at the highest level. A level above the volumes known is more than any part."""
    limit, levels = alarm.limit, sight.levels
    if limit is None:
        return INSIDE
    fill, too_high = _fill(sight, levels.highest_m, levels.above)
    if too_high is not None or (fill is not None and fill >= limit - _TOUCH_FILL):
        sure, sure_too_high = _fill(sight, levels.sure_highest_m, levels.sure_above)
        is_sure = sure_too_high is not None or (sure is not None and sure >= limit - _TOUCH_FILL)
        phrase = "the tank is {fill:% .1f} full, the limit is {limit:% .1f}"
        reason = too_high
        if reason is None and fill is not None:
            reason = because(ReasonCode.ABOVE_LIMIT, phrase, fill=fill, limit=limit)
        return Condition(True, False, fill, reason, None if is_sure else levels.maintenance)
    if fill is None:
        return not_judged(_suppressed(levels))
    return known(fill, fill < limit - alarm.deadband, _suppressed(levels))


def _fill(sight: Sight, level_m: float | None, above: Reason | None) -> tuple[float | None, Reason | None]:
    """The fill at a level, and why it is more than can be told."""
    if above is not None or level_m is None:
        return None, above
    figures, tank = sight.inventory.figures, sight.tank
    if figures.fill.value is not None and figures.level.value == level_m:
        return figures.fill.value, None
    try:
        return tank.capacity.volume(level_m) / tank.full_volume_m3, None
    except LimitError:
        if level_m <= tank.capacity.top_m:
            return None, None
        phrase = "level {level:m .3f} is above all volumes that are known, which end at {top:m .3f}"
        return None, because(ReasonCode.OUTSIDE_TABLE, phrase, level=level_m, top=tank.capacity.top_m)


def high_high_soon(sight: Sight, alarm: AlarmPlan) -> Condition:
    """`limit`: what it takes to act, in s. Passed where high-high is nearer than that at the rate of now, from the
    highest level that any gauge gives."""
    limit_s, course = alarm.limit, sight.course
    if limit_s is None:
        return INSIDE
    suppressed = sight.level_maintenance
    for ahead in course.times:
        if ahead.limit == "high_high":
            rate = course.rate.value or 0.0
            sooner_s = _sooner_s(sight, rate)
            in_s = max(0.0, ahead.in_s - sooner_s)
            if in_s >= limit_s:
                return known(in_s, in_s >= limit_s + alarm.deadband, suppressed)
            higher_m = sight.levels.sure_highest_m if sooner_s else None
            reason = _time_short(ahead.level_m, in_s, rate, limit_s, higher_m)
            return active(in_s, reason, suppressed)
    if course.rate.value is None:
        return not_judged(suppressed)
    return INSIDE if suppressed is None else Condition(False, suppressed=suppressed)


def _time_short(limit_m: float, left_s: float, rate_m3_s: float, response_s: float, higher_m: float | None) -> Reason:
    if higher_m is None:
        return because(
            ReasonCode.TIME_SHORT,
            "high-high, {limit:m .3f}, is {left:duration} away at {rate:m3/h .1f}, and to act takes "
            "{response:duration}",
            limit=limit_m,
            left=left_s,
            rate=rate_m3_s,
            response=response_s,
        )
    return because(
        ReasonCode.TIME_SHORT,
        "high-high, {limit:m .3f}, is {left:duration} away at {rate:m3/h .1f} from the higher gauge's {level:m .3f}, "
        "and to act takes {response:duration}",
        limit=limit_m,
        left=left_s,
        rate=rate_m3_s,
        level=higher_m,
        response=response_s,
    )


def _sooner_s(sight: Sight, rate_m3_s: float) -> float:
    """By how much high-high is nearer from the highest level that a gauge gives than from that of the sheet."""
    level_m, highest_m = sight.inventory.figures.level.value, sight.levels.sure_highest_m
    if level_m is None or highest_m is None or highest_m <= level_m + TOUCH_M or rate_m3_s <= 0.0:
        return 0.0
    capacity = sight.tank.capacity
    try:
        return (capacity.volume(highest_m) - capacity.volume(level_m)) / rate_m3_s
    except LimitError:
        # Above all volumes that are known there is no time left.
        return math.inf if highest_m > capacity.top_m else 0.0


def level_lost(sight: Sight, alarm: AlarmPlan) -> Condition:
    """No gauge gives a level: nothing warns of an overfill. A dip stands in for a level, and does not move; where no
    gauge is fitted, it is the level."""
    levels, tank = sight.levels, sight.tank
    suppressed = levels.maintenance if levels.only_in_maintenance else None
    is_seen = levels.by_sure_gauge or (levels.by_gauge and levels.only_in_maintenance)
    is_seen = is_seen or (tank.gauge is None and tank.second_gauge is None)
    if is_seen and sight.inventory.figures.level.value is not None:
        return INSIDE if suppressed is None else Condition(False, suppressed=suppressed)
    cause = _why_lost(sight)
    return active(None, because(cause.code, "no gauge gives a level: {cause}", cause=cause), suppressed)


def _why_lost(sight: Sight) -> Reason:
    """What is wrong with the gauge; else with the level of the sheet."""
    given = sight.given
    for each in (given.level, given.bottom_pressure, given.second_level):
        if each is not None and each.quality is _BAD and each.reason is not None:
            return each.reason
    level = sight.inventory.figures.level
    return level.reasons[0] if level.value is None and level.reasons else _NO_LEVEL
