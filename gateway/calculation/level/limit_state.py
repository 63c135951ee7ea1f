"""Which of the levels of concern the level has passed (API 2350's terms)."""

from gateway.calculation.plan import LimitPlan
from gateway.states import LimitState

__all__ = ["limit_state"]

_NORMAL = LimitState.NORMAL

_LEAVES_M = 0.005
"""A limit counts as passed until the level is back by this much, or by two steps of the gauge (common practice)."""


def limit_state(limits: LimitPlan, level_m: float, before: LimitState, resolution_m: float) -> LimitState:
    """The state of `level_m`, m above the datum. A limit that was passed `before` holds a little longer.

    A high limit is passed at its very level, the minimum below it.
    """
    minimum_m = limits.minimum_m
    if before is _NORMAL and level_m < limits.lowest_high_m and (minimum_m is None or level_m >= minimum_m):
        return before
    leaves_m = max(_LEAVES_M, 2.0 * resolution_m)
    highs = (
        (LimitState.ABOVE_CRITICAL_HIGH, limits.critical_high_m),
        (LimitState.ABOVE_HIGH_HIGH, limits.high_high_m),
        (LimitState.ABOVE_MAXIMUM_WORKING, limits.maximum_working_m),
    )
    held = False
    for state, limit_m in highs:
        held = held or before is state
        if limit_m is not None and level_m >= (limit_m - leaves_m if held else limit_m):
            return state
    if minimum_m is not None:
        low_m = minimum_m + leaves_m if before is LimitState.BELOW_MINIMUM else minimum_m
        if level_m < low_m:
            return LimitState.BELOW_MINIMUM
    return _NORMAL
