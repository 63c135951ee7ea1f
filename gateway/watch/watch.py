"""The watch of one tank: sheet, memory -> how it moves, which alarms it has, and what has happened."""

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.reasons import Reason, ReasonCode
from gateway.records import Figure, Inventory, Quality, TankInput
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, Motion, TankState
from gateway.watch.alarms.commands import AlarmCommand
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.together import apply_to, by_kind, next_alarms
from gateway.watch.conditions import conditions
from gateway.watch.course.activity import WATER_DRAW
from gateway.watch.course.course import Course
from gateway.watch.course.fold import next_course
from gateway.watch.course.memory import NO_COURSE, CourseMemory
from gateway.watch.loss.loss import next_loss
from gateway.watch.loss.memory import NO_LOSS, LossMemory
from gateway.watch.memory import WatchMemory
from gateway.watch.plan import WatchPlan
from gateway.watch.sight import UNJUDGED

__all__ = ["Watched", "act", "watch", "watch_in_parts"]

_MOVES = (Motion.FILLING, Motion.EMPTYING)
_FAULT = Reason(ReasonCode.CALCULATION_FAILED, "the watch of this tank made a mistake: see the log of the gateway")


class Watched(NamedTuple):
    """What a sheet brings the watch to."""

    state: TankState
    events: tuple[Event, ...]
    memory: WatchMemory
    judged: Mapping[AlarmKind, Condition]
    """What the alarms were judged by."""


def watch(
    plan: WatchPlan,
    tank: TankPlan,
    tank_input: TankInput,
    inventory: Inventory,
    memory: WatchMemory,
    *,
    is_told: bool = True,
    announced: Reason | None = None,
) -> Watched:
    """One sheet more. Never raises for bad field data; never better than what the sheet says. `is_told`: whether its
    instant is believed: else what people gave an end to ends by the steady clock alone. `announced`: by what somebody
    has said that the contents are to move; None: nobody has."""
    course, course_memory = next_course(plan.course, tank, tank_input, inventory, memory.course)
    loss, loss_memory = None, memory.loss
    if plan.loss is not None:
        loss, loss_memory = next_loss(plan.loss, tank, tank_input, inventory, course.at_rest, memory.loss)
    judged = _announced(conditions(plan, tank, tank_input, inventory, course, loss), announced)
    return _watched(plan, tank_input, course, judged, memory._replace(course=course_memory, loss=loss_memory), is_told)


def watch_in_parts(
    plan: WatchPlan,
    tank: TankPlan,
    tank_input: TankInput,
    inventory: Inventory,
    memory: WatchMemory,
    *,
    is_told: bool = True,
    announced: Reason | None = None,
) -> Watched:
    """The same where `watch` raised: a part that does so begins anew, and what rests on it is not judged. The others go
    on: no mistake in a rate or a statistic keeps a high level from being told.
    """
    course, course_memory = _course_or_none(plan, tank, tank_input, inventory, memory)
    found: tuple[Reason | None, LossMemory] | None = (None, memory.loss)
    if plan.loss is not None:
        try:
            found = next_loss(plan.loss, tank, tank_input, inventory, course.at_rest, memory.loss)
        except Exception:  # noqa: BLE001 - whatever it was, `watch` has raised it already
            found = None
    loss, loss_memory = (None, NO_LOSS) if found is None else found
    judged: dict[AlarmKind, Condition] = {}
    for alarm in plan.alarms:
        one = WatchPlan(plan.tank, plan.course, plan.loss, (alarm,))
        try:
            judged |= conditions(one, tank, tank_input, inventory, course, loss)
        except Exception:  # noqa: BLE001 - likewise
            judged[alarm.kind] = UNJUDGED
    if found is None:
        judged[AlarmKind.SLOW_LOSS] = UNJUDGED
    told = _announced(judged, announced)
    return _watched(plan, tank_input, course, told, memory._replace(course=course_memory, loss=loss_memory), is_told)


def _announced(judged: Mapping[AlarmKind, Condition], announced: Reason | None) -> Mapping[AlarmKind, Condition]:
    """A movement that somebody has announced is none that nobody did."""
    condition = None if announced is None else judged.get(AlarmKind.UNSCHEDULED_MOVEMENT)
    if condition is None:
        return judged
    suppressed = condition._replace(suppressed=condition.suppressed or announced)
    return {**judged, AlarmKind.UNSCHEDULED_MOVEMENT: suppressed}


def _course_or_none(
    plan: WatchPlan, tank: TankPlan, tank_input: TankInput, inventory: Inventory, memory: WatchMemory
) -> tuple[Course, CourseMemory]:
    try:
        return next_course(plan.course, tank, tank_input, inventory, memory.course)
    except Exception:  # noqa: BLE001 - whatever it was, `watch` has raised it already
        unknown = Figure(None, Quality.BAD, (_FAULT,), inventory.figures.level.age_s)
        return Course(Motion.UNKNOWN, None, unknown, unknown), NO_COURSE


def _watched(
    plan: WatchPlan,
    tank_input: TankInput,
    course: Course,
    judged: Mapping[AlarmKind, Condition],
    memory: WatchMemory,
    is_told: bool,
) -> Watched:
    """`memory`: with what course and loss remember from now on."""
    instant = tank_input.instant
    steady_s = instant.timestamp() if tank_input.steady_s is None else tank_input.steady_s
    is_told = is_told and tank_input.clock_doubt is None
    alarms = next_alarms(plan.alarms, memory.alarms, judged, instant, steady_s, is_told=is_told)
    moved, told = _movement(memory.told, course, instant)
    state = TankState(
        course.motion,
        course.since,
        _told(course.rate),
        _told(course.level_rate),
        course.times,
        course.activity,
        alarms.standings,
        course.still,
    )
    return Watched(
        state, (*moved, *alarms.events), WatchMemory(memory.course, memory.loss, alarms.memories, told), judged
    )


def act(
    plan: WatchPlan, memory: WatchMemory, command: AlarmCommand, instant: datetime, steady_s: float
) -> tuple[WatchMemory, tuple[Event, ...]]:
    """After what somebody did to one alarm. Raises AlarmRefusedError; then nothing has happened."""
    alarms = apply_to(command, by_kind(plan.alarms), memory.alarms, instant, steady_s)
    return memory._replace(alarms=alarms.memories), alarms.events


def _told(rate: Figure) -> Figure:
    """To five digits: no reading of a level gives more, and what is kept of each sheet is kept for long."""
    return rate if rate.value is None else rate._replace(value=float(f"{rate.value:.5g}"))


def _movement(told: Motion, course: Course, instant: datetime) -> tuple[tuple[Event, ...], Motion]:
    """What has begun or ended, and what is told by now. Where it is not known, nothing has.

    That it is water that flows out is said with it, where the sheet says so; where that shows later, with its end.
    """
    motion = course.motion
    if motion is told or motion is Motion.UNKNOWN:
        return (), told
    draw = course.activity_reason if course.activity == WATER_DRAW else None
    events = []
    if told in _MOVES:
        events.append(_moved(EventKind.MOVEMENT_ENDED, told, instant, draw))
    if motion in _MOVES:
        events.append(_moved(EventKind.MOVEMENT_BEGAN, motion, instant, draw))
    return tuple(events), motion


def _moved(kind: EventKind, motion: Motion, instant: datetime, draw: Reason | None) -> Event:
    return Event(kind, instant, motion.value, draw if motion is Motion.EMPTYING else None)
