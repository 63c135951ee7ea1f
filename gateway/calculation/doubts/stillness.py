"""A level that stands still while liquid is known to flow: the gauge is stuck, or nothing flows (common practice).

A quiet tank stands still for days and is well, so stillness alone says nothing. It is judged only against what a flow
meter measures, or against the least that flows while a contact says that a pump runs or a valve is open.

A level once found stuck stays so while it is not read, and ends when it moves, or when a second gauge that agrees with
it at rest bears it out.
"""

from typing import NamedTuple

from gateway.calculation.doubts.sure_flow import (
    BACK_S,
    STANDS_FOR_S,
    first_reading,
    flow_names,
    lesser_flow,
    limit_m,
    second_agrees,
    span_volume,
    step_length_s,
    sure_flow,
)
from gateway.calculation.plan import TOUCH_M, GaugePlan, HeadPlan, TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Figure, Reason, ReasonCode, TankInput, because

__all__ = ["Stillness", "frozen_fault", "next_stillness"]

_MISSING_S = 60.0
"""What has flowed by is remembered for this long while the gauge is not read."""
_LIGHTEST_KG_M3 = 450.0
"""No stored liquid is much lighter: one step of the level is at least this column of pressure."""


class Stillness(NamedTuple):
    """A level gauge that has said the same since some time."""

    since_s: SteadyTime
    reading: float
    """What it says, in its own quantity: m, or Pa where the level comes from pressure."""
    last_s: SteadyTime
    """When it was last read."""
    flow_m3_s: float
    """What surely flowed into the tank then; negative for out of it, 0 where nothing did or nobody knows."""
    due_m3: float = 0.0
    """What has surely flowed in since."""
    flowing_s: float = 0.0
    """For how long something did."""
    due_m: float = 0.0
    """By how much the level was due to move."""
    doubted: bool = False


def next_stillness(
    plan: TankPlan, tank_input: TankInput, level: Figure, difference: Figure, before: Stillness | None, now_s: float
) -> Stillness | None:
    """How long the gauge has said the same, and how much has flowed meanwhile; None while that cannot be told.

    `difference` is that between the two gauges, `now_s` steady. What is told does not change without a new reading.
    """
    gauge, reading = first_reading(plan, tank_input)
    level_m = level.value
    if not plan.flows or gauge is None:
        return None
    if reading is None or reading.value is None or level_m is None:
        is_kept = before is not None and (before.doubted or 0.0 <= now_s - before.last_s <= _MISSING_S)
        return before if is_kept else None
    time_s = now_s - reading.age_s
    flow = sure_flow(plan.flows, tank_input.flows)
    afresh = Stillness(time_s, reading.value, time_s, flow or 0.0)
    if before is None or time_s < before.last_s - BACK_S or abs(reading.value - before.reading) > _step(plan, gauge):
        return afresh
    if before.doubted and not flow and second_agrees(plan, difference):
        return afresh
    if flow is None and not before.doubted:
        # What flowed meanwhile may have come back again.
        return afresh
    step_s = step_length_s(before.last_s, time_s)
    if step_s <= 0.0:
        return before
    limit_m3 = span_volume(plan.capacity, level_m, limit_m(gauge))
    if limit_m3 is None:
        return before if before.doubted else afresh
    passed = lesser_flow(before.flow_m3_s, flow or 0.0, limit_m3)
    due_m3 = before.due_m3 + passed * step_s
    flowing_s = before.flowing_s + (step_s if passed else 0.0)
    doubted = before.doubted or (flowing_s >= STANDS_FOR_S and abs(due_m3) > limit_m3)
    due_m = abs(due_m3) / limit_m3 * limit_m(gauge)
    return Stillness(before.since_s, before.reading, time_s, flow or 0.0, due_m3, flowing_s, due_m, doubted)


def frozen_fault(plan: TankPlan, still: Stillness | None) -> Reason | None:
    """What is wrong with a level that stands still while liquid flows, else None."""
    if still is None or not still.doubted:
        return None
    return because(
        ReasonCode.LEVEL_FROZEN,
        _FLOWED_IN if still.due_m3 > 0 else _FLOWED_OUT,
        flows=flow_names(plan),
        flowing=still.flowing_s,
        due=still.due_m,
    )


_FLOWED_IN = (
    "level stands still: by {flows} liquid has flowed in for {flowing:duration}, {due:mm .0f} were due; the gauge is "
    "stuck or nothing flows: dip"
)
_FLOWED_OUT = (
    "level stands still: by {flows} liquid has flowed out for {flowing:duration}, {due:mm .0f} were due; the gauge is "
    "stuck or nothing flows: dip"
)


def _step(plan: TankPlan, gauge: GaugePlan | HeadPlan) -> float:
    """The least change that is a movement, in what the gauge says itself: m or Pa."""
    step_m = gauge.resolution_m + TOUCH_M
    return step_m * _LIGHTEST_KG_M3 * plan.gravity_m_s2 if isinstance(gauge, HeadPlan) else step_m
