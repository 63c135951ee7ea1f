"""All alarms of one tank, or of the gateway itself: from one sheet to the next, in order, and what people do to one."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from gateway.reasons import Reason, ReasonCode
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, Priority
from gateway.watch.alarms.alarm import UNKNOWN, is_calm, next_alarm
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, Longest, apply
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory, event_of, first_memory, phase_of, standing
from gateway.watch.plan import AlarmPlan

__all__ = [
    "Alarms",
    "alarms_now",
    "apply_to",
    "by_kind",
    "given_up",
    "left_over",
    "next_alarms",
    "next_named_alarms",
    "standings",
]

_Abnormal = tuple[str, AlarmPlan, AlarmMemory]
_RANKS = {
    AlarmPhase.UNACKNOWLEDGED: 0,
    AlarmPhase.RETURNED: 1,
    AlarmPhase.ACKNOWLEDGED: 2,
    AlarmPhase.SHELVED: 3,
    AlarmPhase.SUPPRESSED: 4,
    AlarmPhase.OUT_OF_SERVICE: 5,
}
_LAST_IN_SIGHT = 2
_GIVEN_UP = Reason(ReasonCode.NOT_WATCHED, "nobody watches for it any more, by the site file")


class Alarms(NamedTuple):
    """All alarms after one sheet or one command."""

    memories: Mapping[str, AlarmMemory]
    """By name, of every alarm of the plan: the very mapping that was given, where nothing has changed."""
    standings: tuple[AlarmStanding, ...]
    """Those that are not normal, first things first."""
    events: tuple[Event, ...]


def next_alarms(
    plans: Iterable[AlarmPlan],
    memories: Mapping[str, AlarmMemory],
    conditions: Mapping[AlarmKind, Condition],
    instant: datetime,
    steady_s: float,
    *,
    is_told: bool = True,
) -> Alarms:
    """The alarms of a tank, each named after its kind.

    One that no plan has any more is forgotten, one that is new begins as normal, and one without a condition cannot be
    judged. `is_told`: whether `instant` can be.
    """
    return _next([(plan.kind, plan) for plan in plans], memories, conditions, instant, steady_s, is_told)


def next_named_alarms(
    plans: Mapping[str, AlarmPlan],
    memories: Mapping[str, AlarmMemory],
    conditions: Mapping[str, Condition],
    instant: datetime,
    steady_s: float,
    *,
    is_told: bool = True,
) -> Alarms:
    """As `next_alarms`, of alarms that have names of their own: those of the gateway itself."""
    return _next(plans.items(), memories, conditions, instant, steady_s, is_told)


def _next(
    named: Collection[tuple[str, AlarmPlan]],
    memories: Mapping[str, AlarmMemory],
    conditions: Mapping[Any, Condition],
    instant: datetime,
    steady_s: float,
    is_told: bool,
) -> Alarms:
    changes: dict[str, AlarmMemory] = {}
    abnormal: list[_Abnormal] = []
    events: list[Event] = []
    known = 0
    last: int | None = None
    for name, plan in named:
        before = memories.get(name)
        condition = conditions.get(name, UNKNOWN)
        if before is not None:
            known += 1
            if is_calm(before, condition):
                continue
        if last is None:
            last = _last_order(memories)
        name = str(name)
        memory, told = next_alarm(
            plan, name, before or first_memory(instant), condition, instant, steady_s, is_told=is_told, order=last + 1
        )
        last = max(last, memory.order)
        if memory is not before:
            changes[name] = memory
        if phase_of(memory) is not AlarmPhase.NORMAL:
            abnormal.append((name, plan, memory))
        events += told
    after = {**memories, **changes} if changes else memories
    if known < len(memories):
        kept = {str(name) for name, _ in named}
        after = {name: memory for name, memory in after.items() if name in kept}
    return Alarms(after, _in_order(abnormal), tuple(events))


def standings(plans: Mapping[str, AlarmPlan], memories: Mapping[str, AlarmMemory]) -> tuple[AlarmStanding, ...]:
    """Those that are not normal, first things first."""
    known = [(name, plan, memories[name]) for name, plan in plans.items() if name in memories]
    return _in_order([each for each in known if phase_of(each[2]) is not AlarmPhase.NORMAL])


def alarms_now(tank: str, plans: Mapping[str, AlarmPlan], memories: Mapping[str, AlarmMemory]) -> tuple[AlarmNow, ...]:
    """All alarms of a tank that have been judged, normal or not, in the order of their plans, with what people have to
    know of them. `tank`: empty for those of the gateway itself.
    """
    return tuple(
        [
            AlarmNow(tank, standing(plan, name, memories[name]), plan.consequence, plan.action, plan.response_s)
            for name, plan in plans.items()
            if name in memories
        ]
    )


def given_up(
    plans: Mapping[str, AlarmPlan], memories: Mapping[str, AlarmMemory], kept: Collection[str], instant: datetime
) -> tuple[Event, ...]:
    """What is to be told where nobody watches for alarms any more, all of `plans` but those `kept`: whoever was told
    that one was raised, or hidden, would wait for its end for ever.
    """
    given = [(name, plan, memories[name]) for name, plan in plans.items() if name not in kept and name in memories]
    return _told_over(given, instant)


def left_over(memories: Mapping[str, AlarmMemory], kept: Collection[str], instant: datetime) -> tuple[Event, ...]:
    """The same of alarms that are remembered from a process before, which alone had their plans.

    How urgent one was stood there; what is over asks nothing of anybody, and is told as what is least so.
    """
    given: list[_Abnormal] = []
    for name, memory in memories.items():
        try:
            kind = AlarmKind(name.partition(".")[0])
        except ValueError:
            # Of another version, which alone knew what it meant: nothing here can say it.
            continue
        if name not in kept:
            given.append((name, AlarmPlan(kind, Priority.LOOK, "", ""), memory))
    return _told_over(given, instant)


def _told_over(given: Iterable[_Abnormal], instant: datetime) -> tuple[Event, ...]:
    events = []
    for name, plan, memory in given:
        if phase_of(memory) is not AlarmPhase.NORMAL:
            after = first_memory(instant)._replace(raised=memory.raised, value=memory.value, reason=memory.reason)
            events.append(event_of(EventKind.ALARM_RETURNED, plan, name, after, instant, _GIVEN_UP))
    return tuple(events)


def apply_to(
    command: AlarmCommand,
    plans: Mapping[str, AlarmPlan],
    memories: Mapping[str, AlarmMemory],
    instant: datetime,
    steady_s: float,
    *,
    longest: Longest = Longest(),  # noqa: B008 - frozen
) -> Alarms:
    """After a command to one of them. Raises AlarmRefusedError; then nothing has happened."""
    plan = plans.get(command.alarm)
    if plan is None:
        raise AlarmRefusedError(f"there is no alarm '{command.alarm}' here; there are {', '.join(sorted(plans))}")
    before = memories.get(command.alarm) or first_memory(instant)
    order = 1 + _last_order(memories)
    memory, events = apply(command, plan, command.alarm, before, instant, steady_s, longest=longest, order=order)
    after = {**memories, command.alarm: memory}
    return Alarms(after, standings(plans, after), events)


def by_kind(plans: Iterable[AlarmPlan]) -> Mapping[str, AlarmPlan]:
    """The alarms of a tank by their names."""
    return {plan.kind.value: plan for plan in plans}


def _last_order(memories: Mapping[str, AlarmMemory]) -> int:
    """Of the incident that goes on: it ends when all its alarms are normal again."""
    return max((memory.order for memory in memories.values()), default=0)


def _in_order(abnormal: list[_Abnormal]) -> tuple[AlarmStanding, ...]:
    abnormal.sort(key=_place)
    return tuple([standing(plan, name, memory) for name, plan, memory in abnormal])


def _place(each: _Abnormal) -> tuple[bool, int, int, int, datetime]:
    """What is hidden comes last; then by priority, then what waits for somebody, then as they were raised."""
    _, plan, memory = each
    rank = _RANKS[phase_of(memory)]
    return rank > _LAST_IN_SIGHT, plan.priority.rank, rank, memory.order, memory.since
