"""What is remembered of one alarm, and how it stands by that."""

from datetime import datetime
from typing import NamedTuple

from gateway.plain_form import SteadyTime
from gateway.reasons import Reason
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase, AlarmStanding
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.states import ACTIVE, HIDDEN, IN_SIGHT, UNHEARD, Change
from gateway.watch.plan import AlarmPlan

__all__ = [
    "AlarmMemory",
    "Aside",
    "Turning",
    "changed",
    "event_of",
    "first_memory",
    "is_hidden",
    "phase_of",
    "released",
    "settled",
    "standing",
]


class Aside(NamedTuple):
    """That somebody shelved an alarm or took it out of service."""

    until: datetime
    """UTC: then it ends by itself."""
    ends_s: SteadyTime
    """No later than then, whatever is done to the other clock."""
    by: str
    why: str = ""


class Turning(NamedTuple):
    """What is about to turn an alarm, and has to hold for its delay."""

    since_s: SteadyTime
    """Later by what passed while nothing was known."""
    last_s: SteadyTime
    """When it was last known to hold."""
    is_paused: bool = False
    """Nothing has been known since."""


class AlarmMemory(NamedTuple):
    """All that one alarm hands on from one sheet to the next, also over a restart."""

    since: datetime
    """UTC, when it came into its phase."""
    inner: AlarmPhase = AlarmPhase.NORMAL
    """One of the first four phases: how it stands, were it not hidden."""
    turning: Turning | None = None
    shelved: Aside | None = None
    out_of_service: Aside | None = None
    suppressed: Reason | None = None
    raised: datetime | None = None
    """UTC, when people were last told of it."""
    order: int = 0
    """Which of its incident's alarms it is, counted from 1 as they were raised; 0: none."""
    value: float | None = None
    """SI, with `reason`: when it became active."""
    reason: Reason | None = None
    unheard_s: SteadyTime | None = None
    """Since when it has waited in sight for an acknowledgement; None where it does not."""
    escalated: bool = False
    by: str | None = None
    """Who acknowledged it."""
    why: str = ""


def first_memory(instant: datetime) -> AlarmMemory:
    """Of an alarm that nothing is known of yet."""
    return AlarmMemory(instant)


def is_hidden(memory: AlarmMemory) -> bool:
    """Whether something hides it from the list of what needs someone."""
    return memory.shelved is not None or memory.out_of_service is not None or memory.suppressed is not None


def phase_of(memory: AlarmMemory) -> AlarmPhase:
    """What is shown. Where more than one thing hides it: what somebody did, and of that what goes further."""
    if memory.out_of_service is not None:
        return AlarmPhase.OUT_OF_SERVICE
    if memory.shelved is not None:
        return AlarmPhase.SHELVED
    return memory.inner if memory.suppressed is None else AlarmPhase.SUPPRESSED


def standing(plan: AlarmPlan, name: str, memory: AlarmMemory) -> AlarmStanding:
    """How an alarm stands."""
    phase = phase_of(memory)
    aside = memory.out_of_service or memory.shelved
    by, until, why, reason = memory.by, None, memory.why, memory.reason
    if aside is not None:
        by, until, why = aside.by, aside.until, aside.why
    elif memory.suppressed is not None:
        by, why, reason = None, "", memory.suppressed
    return AlarmStanding(
        name,
        plan.kind,
        phase,
        plan.priority,
        memory.inner in ACTIVE,
        memory.since,
        memory.raised,
        memory.value,
        reason,
        by,
        until,
        why,
        memory.order or None,
    )


def event_of(
    kind: EventKind,
    plan: AlarmPlan,
    name: str,
    memory: AlarmMemory,
    instant: datetime,
    reason: Reason | None = None,
    by: str | None = None,
) -> Event:
    """What happened to an alarm, after which it stands as `memory` has it."""
    return Event(kind, instant, name, reason, by, standing(plan, name, memory))


def changed(
    memory: AlarmMemory, change: Change, condition: Condition | None, instant: datetime, steady_s: float, order: int
) -> tuple[AlarmMemory, EventKind | None]:
    """After one change, by the table, and what people are told of it.

    `condition`: of this instant; None: not known, and those of when it became active stay. `order`: if it is raised
    and was none of its incident's alarms before.
    """
    found = (HIDDEN if is_hidden(memory) else IN_SIGHT).get((memory.inner, change))
    if found is None:
        return memory, None
    inner, kind = found
    after = memory._replace(inner=inner, by=None, why="")
    if condition is not None and condition.active:
        after = after._replace(value=condition.value, reason=condition.reason)
    if kind is EventKind.ALARM_RAISED:
        after = after._replace(since=instant, raised=instant, order=memory.order or order)
    elif inner is AlarmPhase.NORMAL:
        after = after._replace(order=0)
    return settled(memory, after, instant, steady_s), kind


def released(
    memory: AlarmMemory,
    after: AlarmMemory,
    condition: Condition | None,
    instant: datetime,
    steady_s: float,
    order: int,
) -> tuple[AlarmMemory, EventKind | None]:
    """As `changed`, where `after` is hidden by less than `memory`, and by nothing perhaps."""
    if is_hidden(after):
        return settled(memory, after, instant, steady_s), None
    shown, kind = changed(after, Change.SHOWN, condition, instant, steady_s, order)
    return settled(memory, shown, instant, steady_s), kind


def settled(before: AlarmMemory, after: AlarmMemory, instant: datetime, steady_s: float) -> AlarmMemory:
    """With the times that follow from the phases before and after."""
    if phase_of(after) is not phase_of(before):
        after = after._replace(since=instant)
    if is_hidden(after) or after.inner not in UNHEARD:
        return after._replace(unheard_s=None, escalated=False)
    return after if after.unheard_s is not None else after._replace(unheard_s=steady_s)
