"""One alarm from one sheet to the next.

What cannot be judged leaves an alarm as it is, and delays do not run out meanwhile: the time is not counted. A restart
is no such gap: what held before it and holds after it has held. Escalation and the end of a shelf are about people and
go on whatever is known.
"""

from datetime import datetime

from gateway.reasons import Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory, Aside, Turning, changed, event_of, is_hidden, released, settled
from gateway.watch.alarms.states import ACTIVE, Change
from gateway.watch.plan import AlarmPlan

__all__ = ["UNKNOWN", "is_calm", "is_over", "next_alarm"]

UNKNOWN = Condition(None)
_SHELF_OVER = Reason(ReasonCode.SHELVED, "its time on the shelf is over")
_ABSENCE_OVER = Reason(ReasonCode.OUT_OF_SERVICE, "its time out of service is over")


def is_calm(memory: AlarmMemory, condition: Condition) -> bool:
    """Whether nothing is to be done: the alarm is normal and stays so."""
    return (
        not condition.active
        and condition.suppressed is None
        and memory.inner is AlarmPhase.NORMAL
        and memory.turning is None
        and memory.shelved is None
        and memory.out_of_service is None
        and memory.suppressed is None
    )


def is_over(condition: Condition) -> bool:
    """Whether it is known that what raises an alarm does not hold, and is behind the deadband too."""
    return condition.active is False and condition.inside


def next_alarm(
    plan: AlarmPlan,
    name: str,
    memory: AlarmMemory,
    condition: Condition,
    instant: datetime,
    steady_s: float,
    *,
    is_told: bool = True,
    order: int = 1,
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    """How it is remembered after this sheet, and what happened to it.

    `is_told`: whether `instant` can be. `order`: of an alarm that is raised now, among those of its incident.
    """
    if is_calm(memory, condition):
        return memory, ()
    events: list[Event] = []
    after = memory
    if condition.suppressed is not None:
        # Before it is judged: nobody is to be told what an instrument says that somebody is about to work on.
        after, events = _suppressed(plan, name, memory, condition.suppressed, instant, steady_s)
    after, change = _turned(plan, after, condition, steady_s)
    if change is not None:
        after, kind = changed(after, change, condition, instant, steady_s, order)
        if kind is not None:
            reason = after.reason if kind is EventKind.ALARM_RAISED else None
            events.append(event_of(kind, plan, name, after, instant, reason))
    if is_hidden(after):
        # After it is judged: what has returned is not raised anew in passing.
        after, ended = _ended(plan, name, after, condition, instant, steady_s, is_told, order)
        events += ended
    if _is_overdue(plan, after, steady_s):
        after = after._replace(escalated=True)
        reason = because(
            ReasonCode.NOT_ACKNOWLEDGED,
            "nobody has acknowledged it within {response:duration}",
            response=plan.response_s or 0.0,
        )
        events.append(event_of(EventKind.ALARM_ESCALATED, plan, name, after, instant, reason))
    return after, tuple(events)


def _suppressed(
    plan: AlarmPlan, name: str, memory: AlarmMemory, why: Reason, instant: datetime, steady_s: float
) -> tuple[AlarmMemory, list[Event]]:
    """Suppressed by design. Another reason for it is kept, with the values of when it began, and is no event."""
    before = memory.suppressed
    if before is not None and before.code is why.code:
        return memory, []
    after = settled(memory, memory._replace(suppressed=why), instant, steady_s)
    if before is not None:
        return after, []
    return after, [event_of(EventKind.ALARM_SUPPRESSED, plan, name, after, instant, why)]


def _turned(
    plan: AlarmPlan, memory: AlarmMemory, condition: Condition, steady_s: float
) -> tuple[AlarmMemory, Change | None]:
    """Whether it becomes active or inactive now, and how far it is from that."""
    turning = memory.turning
    if condition.active is None:
        return (memory if turning is None else memory._replace(turning=turning._replace(is_paused=True))), None
    is_active = memory.inner in ACTIVE
    turns = (not condition.active and condition.inside) if is_active else condition.active
    if not turns:
        return (memory if turning is None else memory._replace(turning=None)), None
    delay_s = plan.off_delay_s if is_active else plan.on_delay_s
    since_s = steady_s
    if turning is not None:
        since_s = turning.since_s + (steady_s - turning.last_s if turning.is_paused else 0.0)
    if steady_s - since_s >= delay_s:
        return memory._replace(turning=None), Change.INACTIVE if is_active else Change.ACTIVE
    return memory._replace(turning=Turning(since_s, steady_s)), None


def _ended(
    plan: AlarmPlan,
    name: str,
    memory: AlarmMemory,
    condition: Condition,
    instant: datetime,
    steady_s: float,
    is_told: bool,
    order: int,
) -> tuple[AlarmMemory, list[Event]]:
    """Without what has hidden it until now."""
    after = memory
    over: list[tuple[EventKind, Reason | None]] = []
    if memory.suppressed is not None and condition.suppressed is None:
        after = after._replace(suppressed=None)
        over.append((EventKind.ALARM_UNSUPPRESSED, None))
    if _is_over(memory.shelved, instant, steady_s, is_told):
        after = after._replace(shelved=None)
        over.append((EventKind.ALARM_UNSHELVED, _SHELF_OVER))
    if _is_over(memory.out_of_service, instant, steady_s, is_told):
        after = after._replace(out_of_service=None)
        over.append((EventKind.ALARM_IN_SERVICE, _ABSENCE_OVER))
    if not over:
        return memory, []
    after, kind = released(memory, after, condition, instant, steady_s, order)
    if kind is not None:
        over.append((kind, after.reason))
    return after, [event_of(each, plan, name, after, instant, reason) for each, reason in over]


def _is_over(aside: Aside | None, instant: datetime, steady_s: float, is_told: bool) -> bool:
    return aside is not None and (steady_s >= aside.ends_s or (is_told and instant >= aside.until))


def _is_overdue(plan: AlarmPlan, memory: AlarmMemory, steady_s: float) -> bool:
    return (
        plan.response_s is not None
        and memory.unheard_s is not None
        and not memory.escalated
        and memory.inner is AlarmPhase.UNACKNOWLEDGED
        and steady_s - memory.unheard_s >= plan.response_s
    )
