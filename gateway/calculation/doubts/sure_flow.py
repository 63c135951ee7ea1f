"""What surely flows into a tank, by flow meters and contacts: the least that can be relied on, never a best guess."""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import FlowPlan, GaugePlan, HeadPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Input, Quality, TankInput

__all__ = [
    "BACK_S",
    "STANDS_FOR_S",
    "first_reading",
    "flow_names",
    "lesser_flow",
    "limit_m",
    "second_agrees",
    "span_volume",
    "step_length_s",
    "sure_flow",
]

STANDS_FOR_S = 300.0
"""Liquid has to flow for this long before a level is judged by it."""
BACK_S = 1.0
"""A reading further back than rounding explains is by another clock."""
_LEAST_M = 0.005
"""A level must have been due to move by this much, or by four steps of the gauge where they are more."""
_STEPS = 4.0
_LONGEST_STEP_S = 60.0
"""A flow is not taken to have gone on for longer than this between two readings of the level."""
_SLOWEST_S = 3600.0
"""A flow that takes longer for that much is not judged: it may be no more than the zero error of a meter."""
_INFINITE = float("inf")


class _Bounds(NamedTuple):
    """What flows into the tank, at least and at most, in m3/s."""

    least: float
    most: float


def sure_flow(plans: Sequence[FlowPlan], flows: Sequence[Input]) -> float | None:
    """What surely flows into the tank (negative: out of it) in m3/s; 0 for nothing, None where nobody knows."""
    least = most = 0.0
    for plan, given in zip(plans, flows, strict=True):
        bounds = _bounds(plan, given)
        if bounds is None:
            return None
        least += bounds.least
        most += bounds.most
    if least < 0.0 < most:
        return None
    return least if least >= 0.0 else most


def _bounds(plan: FlowPlan, given: Input) -> _Bounds | None:
    if given.value is None or given.quality is Quality.BAD:
        return None
    if plan.rate_m3_s is None:
        flow = given.value if plan.into else -given.value
        return _Bounds(flow, flow)
    if (given.value != 0.0) is not plan.flowing_when:
        return _Bounds(0.0, 0.0)
    return _Bounds(plan.rate_m3_s, _INFINITE) if plan.into else _Bounds(-_INFINITE, -plan.rate_m3_s)


def lesser_flow(before: float, now: float, limit_m3: float) -> float:
    """The flow in m3/s that was there at two readings: what began or ended between them is left out, and so is one that
    needs over an hour for `limit_m3`."""
    if before * now <= 0.0:
        return 0.0
    lesser = before if abs(before) < abs(now) else now
    return lesser if abs(lesser) * _SLOWEST_S >= limit_m3 else 0.0


def step_length_s(before_s: float, now_s: float) -> float:
    """For how long a flow is taken to have gone on between two readings of the level."""
    return min(now_s - before_s, _LONGEST_STEP_S)


def first_reading(plan: TankPlan, tank_input: TankInput) -> tuple[GaugePlan | HeadPlan | None, Input | None]:
    """The first gauge and what it says itself, untouched by temperature and density."""
    if isinstance(plan.gauge, HeadPlan):
        return plan.gauge, tank_input.bottom_pressure
    return plan.gauge, tank_input.level


def limit_m(gauge: GaugePlan | HeadPlan) -> float:
    """By how much a level must be due to move, or have moved, to tell anything."""
    return max(_LEAST_M, _STEPS * gauge.resolution_m)


def span_volume(capacity: Capacity, level_m: float, span_m: float) -> float | None:
    """The volume of `span_m` around a level, in m3; None where the tank's volumes do not reach or it holds none."""
    low_m = max(level_m - span_m / 2.0, capacity.bottom_m)
    high_m = min(level_m + span_m / 2.0, capacity.top_m)
    if high_m - low_m < span_m / 4.0:
        return None
    try:
        volume = (capacity.volume(high_m) - capacity.volume(low_m)) * span_m / (high_m - low_m)
    except LimitError:
        return None
    return volume if volume > 0.0 else None


def flow_names(plan: TankPlan) -> str:
    return " and ".join(flow.name for flow in plan.flows)


def second_agrees(plan: TankPlan, difference: Figure) -> bool:
    return difference.value is not None and abs(difference.value) <= plan.gauge_difference_limit_m
