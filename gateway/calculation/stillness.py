"""A level that stands still while liquid is known to flow: the gauge is stuck, or nothing flows (common practice).

A quiet tank stands still for days and is well, so stillness alone says nothing. It is judged only against what a flow
meter measures, or against the least that flows while a contact says that a pump runs or a valve is open.
"""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.memory import Stillness
from gateway.calculation.plan import TOUCH_M, FlowPlan, GaugePlan, HeadPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Input, Quality, TankInput

__all__ = ["STANDS_FOR_S", "frozen_fault", "next_stillness"]

STANDS_FOR_S = 300.0
"""Liquid has to flow for this long before a level that does not move is doubted."""
_LEAST_M = 0.005
"""It must have been due to move by this much, or by four steps of the gauge where they are more."""
_STEPS = 4.0
_SLOWEST_S = 3600.0
"""A flow that takes longer for that much is not judged: it may be no more than the zero error of a meter."""
_LONGEST_STEP_S = 60.0
"""A flow is not taken to have gone on for longer than this between two readings of the level."""
_BACK_S = 1.0
"""Further back than rounding explains is another clock."""
_LIGHTEST_KG_M3 = 450.0
"""No stored liquid is much lighter: one step of the level is at least this column of pressure."""


class _Bounds(NamedTuple):
    """What flows into the tank, at least and at most, in m3/s."""

    least: float
    most: float


_INFINITE = float("inf")


def next_stillness(
    plan: TankPlan, tank_input: TankInput, level: Figure, difference: Figure, before: Stillness | None, now_s: float
) -> Stillness | None:
    """How long the gauge has said the same, and how much has flowed meanwhile; None while that cannot be told.

    `difference` is that between the two gauges, `now_s` steady. What is told does not change without a new reading.
    """
    gauge, reading = _first_gauge(plan, tank_input)
    level_m = level.value
    if not plan.flows or gauge is None or reading is None or reading.value is None or level_m is None:
        return None
    time_s = now_s - reading.age_s
    flow = _sure_flow(plan.flows, tank_input.flows)
    afresh = Stillness(time_s, reading.value, time_s, flow or 0.0)
    if before is None or time_s < before.last_s - _BACK_S or abs(reading.value - before.reading) > _step(plan, gauge):
        return afresh
    if before.doubted and not flow and _second_agrees(plan, difference):
        return afresh
    if flow is None and not before.doubted:
        # What flowed meanwhile may have come back again.
        return afresh
    step_s = min(time_s - before.last_s, _LONGEST_STEP_S)
    if step_s <= 0.0:
        return before
    limit_m3 = _volume_of(plan.capacity, level_m, _limit_m(gauge))
    if limit_m3 is None:
        return afresh
    passed = _lesser(before.flow_m3_s, flow or 0.0)
    if abs(passed) * _SLOWEST_S < limit_m3:
        passed = 0.0
    due_m3 = before.due_m3 + passed * step_s
    flowing_s = before.flowing_s + (step_s if passed else 0.0)
    doubted = before.doubted or (flowing_s >= STANDS_FOR_S and abs(due_m3) > limit_m3)
    due_m = abs(due_m3) / limit_m3 * _limit_m(gauge)
    return Stillness(before.since_s, before.reading, time_s, flow or 0.0, due_m3, flowing_s, due_m, doubted)


def frozen_fault(plan: TankPlan, still: Stillness | None) -> str | None:
    """What is wrong with a level that stands still while liquid flows, else None."""
    if still is None or not still.doubted:
        return None
    names = " and ".join(flow.name for flow in plan.flows)
    direction = "in" if still.due_m3 > 0 else "out"
    return (
        f"level stands still: by {names} liquid has flowed {direction} for {still.flowing_s / 60:.0f} min, "
        f"{still.due_m * 1000:.0f} mm were due; the gauge is stuck or nothing flows: dip"
    )


def _first_gauge(plan: TankPlan, tank_input: TankInput) -> tuple[GaugePlan | HeadPlan | None, Input | None]:
    """The gauge and what it says itself, untouched by temperature and density."""
    if isinstance(plan.gauge, HeadPlan):
        return plan.gauge, tank_input.bottom_pressure
    return plan.gauge, tank_input.level


def _step(plan: TankPlan, gauge: GaugePlan | HeadPlan) -> float:
    """The least change that is a movement, in what the gauge says itself: m or Pa."""
    step_m = gauge.resolution_m + TOUCH_M
    return step_m * _LIGHTEST_KG_M3 * plan.gravity_m_s2 if isinstance(gauge, HeadPlan) else step_m


def _limit_m(gauge: GaugePlan | HeadPlan) -> float:
    return max(_LEAST_M, _STEPS * gauge.resolution_m)


def _volume_of(capacity: Capacity, level_m: float, span_m: float) -> float | None:
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


def _sure_flow(plans: Sequence[FlowPlan], flows: Sequence[Input]) -> float | None:
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


def _lesser(before: float, now: float) -> float:
    """The flow that was there at both readings: what began or ended between them is left out."""
    if before * now <= 0.0:
        return 0.0
    return before if abs(before) < abs(now) else now


def _second_agrees(plan: TankPlan, difference: Figure) -> bool:
    return difference.value is not None and abs(difference.value) <= plan.gauge_difference_limit_m
