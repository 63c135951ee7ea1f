"""A level that moves against what surely flows: ullage read as innage, a meter with its sign wrong, or liquid that goes
where nobody sent it (common practice).

A run begins where a sure flow does, or where the level has followed it by more than noise; it ends with the flow. The
level is found to move AGAINST it when, within one run,

- the flow has gone one way for five minutes, and by itself was due to move the level by more than noise, and
- for a minute on end the level has stood further the other way than noise and heat explain.

Once found it stays so, also without flow and while the gauge is not read, until the level has followed a sure flow by
more than noise, or a second gauge that agrees with it at rest bears it out.
"""

from enum import StrEnum
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
from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Figure, Reason, ReasonCode, TankInput, because

__all__ = ["Course", "CourseState", "course_fault", "next_course"]

_AGAINST_FOR_S = 60.0
_LONGEST_RUN_S = 3600.0
_THERMAL_PER_S = 3e-3 / 3600.0
"""A liquid that is heated or cools by three degrees an hour moves by three thousandths of its height at most."""
_MISSING_S = 60.0
"""A run goes on over readings that are missing for this long."""


class CourseState(StrEnum):
    OPEN = "open"
    """Nothing is found yet."""
    AGAINST = "against"


class Found(NamedTuple):
    """What was found, for its reason."""

    due_m: float
    """By how much the flow was due to move the level; negative for down."""
    moved_m: float
    flowing_s: float


class Course(NamedTuple):
    """A level beside a sure flow."""

    level_m: float
    """Where the run began."""
    last_s: SteadyTime
    """When the level was last read."""
    flow_m3_s: float
    """What surely flowed into the tank then; negative for out of it, 0 where nothing did or nobody knows."""
    due_m3: float = 0.0
    flowing_s: float = 0.0
    against_since_s: SteadyTime | None = None
    """Since when the level has stood on the wrong side of where the run began."""
    found: Found | None = None

    @property
    def state(self) -> CourseState:
        return CourseState.OPEN if self.found is None else CourseState.AGAINST


def next_course(
    plan: TankPlan,
    tank_input: TankInput,
    level_m: float | None,
    difference: Figure,
    before: Course | None,
    now_s: float,
) -> Course | None:
    """`before` with the newest reading.

    `level_m`: by the first gauge; None where it gives none, or one that its own past puts in doubt. `now_s` steady.
    """
    gauge, reading = first_reading(plan, tank_input)
    if not plan.flows or gauge is None:
        return None
    found = None if before is None else before.found
    if reading is None or level_m is None:
        is_kept = before is not None and (found is not None or 0.0 <= now_s - before.last_s <= _MISSING_S)
        return before if is_kept else None
    time_s = now_s - reading.age_s
    flow = sure_flow(plan.flows, tank_input.flows)
    if found is not None and not flow and second_agrees(plan, difference):
        found = None
    afresh = Course(level_m, time_s, flow or 0.0, found=found)
    if before is None or time_s < before.last_s - BACK_S:
        return afresh
    step_s = step_length_s(before.last_s, time_s)
    if step_s <= 0.0:
        return before._replace(found=found)
    noise_m = limit_m(gauge)
    limit_m3 = span_volume(plan.capacity, level_m, noise_m)
    if limit_m3 is None:
        return afresh
    passed = lesser_flow(before.flow_m3_s, flow or 0.0, limit_m3)
    if passed == 0.0 or passed * before.due_m3 < 0.0:
        return afresh
    due_m3 = before.due_m3 + passed * step_s
    flowing_s = before.flowing_s + step_s
    along_m = (level_m - before.level_m) * (1.0 if passed > 0.0 else -1.0)
    if along_m > noise_m:
        # Borne out.
        return Course(level_m, time_s, flow or 0.0)
    is_against = along_m < -(noise_m + _THERMAL_PER_S * flowing_s * abs(level_m))
    if not is_against and flowing_s >= _LONGEST_RUN_S:
        return afresh
    since_s = (time_s if before.against_since_s is None else before.against_since_s) if is_against else None
    is_due = flowing_s >= STANDS_FOR_S and abs(due_m3) > limit_m3
    if since_s is not None and time_s - since_s >= _AGAINST_FOR_S and is_due:
        found = Found(due_m3 / limit_m3 * noise_m, level_m - before.level_m, flowing_s)
    return Course(before.level_m, time_s, flow or 0.0, due_m3, flowing_s, since_s, found)


def course_fault(plan: TankPlan, course: Course | None) -> Reason | None:
    """What is wrong with a level that moves against the flow, else None."""
    if course is None or course.found is None:
        return None
    due_m, moved_m, flowing_s = course.found
    return because(
        ReasonCode.LEVEL_AGAINST_FLOW,
        _FELL if due_m > 0 else _ROSE,
        flows=flow_names(plan),
        flowing=flowing_s,
        due=abs(due_m),
        moved=abs(moved_m),
    )


_FELL = (
    "level moves against the flow: by {flows} liquid flowed in for {flowing:duration}, due to raise it by "
    "{due:mm .0f}, and it fell by {moved:mm .0f}; see whether ullage and innage are the right way round and where the "
    "liquid goes, and dip"
)
_ROSE = (
    "level moves against the flow: by {flows} liquid flowed out for {flowing:duration}, due to lower it by "
    "{due:mm .0f}, and it rose by {moved:mm .0f}; see whether ullage and innage are the right way round and where the "
    "liquid goes, and dip"
)
