"""Two gauges against each other: compared, never averaged (common practice).

    AGREE   the two differ by no more than the limit, or there has been nothing to compare
    APART   they have differed by more for less than ten minutes: a wave, a filling tank, a slow gauge
    PROVEN  they have done so for ten minutes: nobody can tell which is right, so the level is in doubt

APART and PROVEN end when the gauges bear each other out: at the limit, and once proven at four fifths of it. A reading
that is missing ends neither at once: APART waits for a minute, PROVEN for as long as it took to prove.
"""

from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because

__all__ = ["GAUGES_DIFFER_FOR_S", "Apart", "GaugesState", "gauges_fault", "gauges_state", "next_apart"]

GAUGES_DIFFER_FOR_S = 600.0
_WAITS_S = 60.0
_LEAVES = 0.8
_ROUNDING_M = 1e-9


class GaugesState(StrEnum):
    AGREE = "agree"
    APART = "apart"
    PROVEN = "proven"


class Apart(NamedTuple):
    """Two gauges that differ by more than their limit. None of it: AGREE."""

    since_s: SteadyTime
    last_s: SteadyTime
    """When they were last compared."""
    difference_m: float
    """First less second, then."""
    proven: bool = False


def gauges_state(apart: Apart | None) -> GaugesState:
    if apart is None:
        return GaugesState.AGREE
    return GaugesState.PROVEN if apart.proven else GaugesState.APART


def next_apart(
    before: Apart | None, difference_m: float | None, limit_m: float, now_s: float, moved_m: float = 0.0
) -> Apart | None:
    """`before` with the difference of now; None where there is none.

    `moved_m`: by how much the level may have moved between the two readings, which are seldom of one moment.
    """
    if before is not None and now_s < before.last_s:
        before = None
    if difference_m is None:
        waits_s = GAUGES_DIFFER_FOR_S if before is not None and before.proven else _WAITS_S
        return before if before is not None and now_s - before.last_s <= waits_s else None
    is_proven = before is not None and before.proven
    apart_m = abs(difference_m) - moved_m
    if apart_m <= (_LEAVES if is_proven else 1.0) * limit_m + _ROUNDING_M:
        return None
    since_s = now_s if before is None else before.since_s
    return Apart(since_s, now_s, difference_m, is_proven or now_s - since_s >= GAUGES_DIFFER_FOR_S)


def gauges_fault(plan: TankPlan, apart: Apart | None, now_s: float) -> Reason | None:
    """What is wrong with a level that a second gauge contradicts, else None."""
    if apart is None or not apart.proven or plan.gauge is None or plan.second_gauge is None:
        return None
    first, second, limit_m = plan.gauge.name, plan.second_gauge.name, plan.gauge_difference_limit_m
    lasted_s = apart.last_s - apart.since_s
    if now_s > apart.last_s:
        return because(
            ReasonCode.GAUGES_DISAGREE,
            "{first} and {second} had differed by over {limit:mm .0f} for {lasted:duration}, by {difference:mm +.0f} "
            "when last compared, {ago:duration} ago",
            first=first,
            second=second,
            limit=limit_m,
            lasted=lasted_s,
            difference=apart.difference_m,
            ago=now_s - apart.last_s,
        )
    return because(
        ReasonCode.GAUGES_DISAGREE,
        "{first} and {second} have differed by over {limit:mm .0f} for {lasted:duration}, now by {difference:mm +.0f}",
        first=first,
        second=second,
        limit=limit_m,
        lasted=lasted_s,
        difference=apart.difference_m,
    )
