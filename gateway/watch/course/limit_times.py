"""When the level comes to each limit ahead, at the net rate of now: the volume that is missing, by the table, over it.

Never from the rate of the level: in a round vessel, and where a roof or a cone begins, the level speeds up or slows
down on its way while the flow goes on as before.
"""

from datetime import datetime, timedelta

from gateway.calculation.plan import TankPlan
from gateway.errors import LimitError
from gateway.records import Figure
from gateway.tank_state import LimitTime, Motion

__all__ = ["limit_times"]

_LONGEST_S = 1e9
"""Thirty years: what takes longer is no time to act by, and no date either."""


def limit_times(
    tank: TankPlan, motion: Motion, level: Figure, tov: Figure, rate: Figure, age_s: float, instant: datetime
) -> tuple[LimitTime, ...]:
    """The limits ahead, the nearest first. `age_s`: of the level; the flow has gone on since it was read.

    Filling: those above the level; emptying: the minimum. None at rest, nor where motion, rate or volume is unknown.
    """
    level_m, volume_m3, rate_m3_s = level.value, tov.value, rate.value
    if level_m is None or volume_m3 is None or rate_m3_s is None or rate_m3_s == 0.0:
        return ()
    limits = tank.limits
    if motion is Motion.FILLING and rate_m3_s > 0.0:
        named = (
            ("maximum_working", limits.maximum_working_m),
            ("high_high", limits.high_high_m),
            ("critical_high", limits.critical_high_m),
        )
        ahead = [(name, limit_m) for name, limit_m in named if limit_m is not None and limit_m > level_m]
    elif motion is Motion.EMPTYING and rate_m3_s < 0.0 and limits.minimum_m is not None and limits.minimum_m < level_m:
        ahead = [("minimum", limits.minimum_m)]
    else:
        return ()
    times = []
    for name, limit_m in ahead:
        try:
            missing_m3 = tank.capacity.volume(limit_m) - volume_m3
            in_s = max(0.0, missing_m3 / rate_m3_s - age_s)
            if in_s <= _LONGEST_S:
                times.append(LimitTime(name, limit_m, in_s, instant + timedelta(seconds=in_s)))
        except (LimitError, OverflowError):
            # Beyond the volumes, or beyond the calendar of a clock that is far off.
            continue
    return tuple(times)
