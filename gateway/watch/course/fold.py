"""How the contents of a tank move: one sheet more, and what is remembered of those before."""

from gateway.calculation.plan import TankPlan
from gateway.records import Figure, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.tank_state import AlarmKind, LimitTime, Motion, Stillness
from gateway.watch.course.activity import activity_reason
from gateway.watch.course.basis import basis_of
from gateway.watch.course.contents import contents_of
from gateway.watch.course.course import Course
from gateway.watch.course.holding import Holding, Now, next_holding
from gateway.watch.course.limit_times import limit_times
from gateway.watch.course.memory import CourseMemory
from gateway.watch.course.motion import is_going, next_moving
from gateway.watch.course.rates import rates
from gateway.watch.course.unscheduled import movement_fault, stillness
from gateway.watch.course.window import next_window, reading_age_s, resolution_m
from gateway.watch.plan import CoursePlan

__all__ = ["next_course"]

_FOUND_BY_FLOW = {
    ReasonCode.LEVEL_FROZEN: AlarmKind.LEVEL_FROZEN,
    ReasonCode.LEVEL_AGAINST_FLOW: AlarmKind.WRONG_WAY,
}
"""What the calculation finds of a level beside a flow."""
_MOVES = (Motion.FILLING, Motion.EMPTYING)


def next_course(
    plan: CoursePlan,
    tank: TankPlan,
    tank_input: TankInput,
    inventory: Inventory,
    memory: CourseMemory,
) -> tuple[Course, CourseMemory]:
    """The course of a tank at one sheet, and what is remembered for the next. Never raises for bad field data."""
    utc_s = tank_input.instant.timestamp()
    now_s = utc_s if tank_input.steady_s is None else tank_input.steady_s
    level, tov = inventory.figures.level, inventory.figures.tov
    basis = basis_of(tank_input, inventory)
    age_s = reading_age_s(tank_input, basis.level)
    time_s = None if age_s is None else now_s - age_s
    window = next_window(memory.window, tank, inventory, basis, time_s, plan.window_s)
    found = rates(window, inventory, basis, time_s, now_s, plan.window_s)
    step_m = resolution_m(tank, basis.level)
    moving = next_moving(memory.moving, plan, window, found, step_m, now_s, utc_s)
    findings = _found_by_flow(level)
    times: tuple[LimitTime, ...] = ()
    goes_on = moving.motion in _MOVES and is_going(plan, window, step_m)
    if goes_on and age_s is not None and AlarmKind.WRONG_WAY not in findings:
        times = limit_times(tank, moving.motion, level, tov, found.volume, age_s, tank_input.instant)
    contents = None if time_s is None else contents_of(tank, inventory)
    why: Reason | None = None
    still: Stillness | None = None
    if contents is None or time_s is None:
        holding = _waiting(memory.holding)
    else:
        now = Now(contents, basis, time_s, now_s)
        holding = next_holding(memory.holding, plan, tank, now, window, memory.moving, moving)
        why = activity_reason(holding.quiet, contents, now_s, utc_s)
        told_s = utc_s if tank_input.clock_doubt is None else None
        still = stillness(plan.unscheduled, holding.armed, holding.followed, moving.motion, now_s, told_s)
    moved = movement_fault(holding.armed, holding.followed, now_s, utc_s)
    if moved is not None:
        findings[AlarmKind.UNSCHEDULED_MOVEMENT] = moved
    activity = "" if why is None else why.code.value
    since = None if moving.motion is Motion.UNKNOWN else moving.since
    course = Course(moving.motion, since, found.volume, found.level, times, activity, findings, still, why)
    return course, CourseMemory(window, moving, holding)


def _found_by_flow(level: Figure) -> dict[AlarmKind, Reason]:
    if level.quality is Quality.GOOD:
        return {}
    return {_FOUND_BY_FLOW[reason.code]: reason for reason in level.reasons if reason.code in _FOUND_BY_FLOW}


def _waiting(holding: Holding) -> Holding:
    """What is remembered waits for the contents to be known again; what they do meanwhile, nobody knows."""
    quiet = holding.quiet
    return holding if quiet is None or not quiet.activity else holding._replace(quiet=quiet._replace(activity=""))
