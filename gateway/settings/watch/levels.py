"""Levels of concern in API 2350's terms: whether there is time to act between one and the next, and the overflow.

The time between two levels is the volume between them over the greatest flow in: what the tank takes in no less time.
This is a check of figures, and no overfill prevention system; setting them is for competent people under local codes.
"""

import math

from gateway.calculation.contracts import Capacity
from gateway.settings.reading.document import KeyPath
from gateway.settings.tanks.limit_levels import LimitLevels
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.tank_state import AlarmKind
from gateway.watch.plan import WatchPlan

__all__ = ["check_time_to_act"]

_STEPS = (
    ("high_high", "critical_high", AlarmKind.HIGH_HIGH),
    ("maximum_working", "high_high", AlarmKind.MAXIMUM_WORKING),
)
_ROUNDING_S = 0.5


def check_time_to_act(
    watch: WatchPlan,
    limits: LimitLevels,
    capacity: Capacity,
    model: TankModel,
    path: KeyPath,
    manual: ManualValues,
) -> tuple[str, ...]:
    """Warns where the next level comes before somebody can act. Returns what cannot be checked, as remarks."""
    responses = {alarm.kind: alarm.response_s for alarm in watch.alarms}
    levels, flow_in = dict(limits.levels), model.maximum_flow_in
    words = {name: f"{name}, {written}" for name, written in limits.words.items()}
    overflow_m = model.limits.overflow
    if overflow_m is not None and "critical_high" not in levels:
        # Volumes end at the top of a table; the rest of the way is not counted on.
        levels["critical_high"] = min(overflow_m, capacity.top_m)
        words["critical_high"] = f"the overflow, {overflow_m:.3f} m"
    where = ".".join(str(part) for part in path)
    remarks = []
    for lower, upper, kind in _STEPS:
        low_m, high_m, response_s = levels.get(lower), levels.get(upper), responses.get(kind)
        if low_m is None or high_m is None or response_s is None:
            continue
        if flow_in is None:
            text = "cannot be checked for time to act without maximum_flow_in"
            remarks.append(f"{where}.limits.{lower}: {limits.words[lower]} {text}")
            continue
        left_s = (capacity.volume(high_m) - capacity.volume(low_m)) / flow_in
        if left_s < response_s - _ROUNDING_S:
            # Down to a tenth: what is said to be left is never more than there is.
            left_min = math.floor(left_s / 6.0) / 10.0
            text = f"{limits.words[lower]} is {left_min:.1f} min below {words[upper]}, at"
            text = f"{text} maximum_flow_in, and the response takes {response_s / 60.0:.3g} min; lower it"
            manual.warn((*path, "limits", lower), text)
    return tuple(remarks)
