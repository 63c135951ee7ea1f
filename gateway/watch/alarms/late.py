"""What was remembered of alarms and comes late, as the disk was away at the start.

It is joined with what has happened since. Nobody waits for it: what holds is raised at once, whatever was known of it
before. What people did to an alarm before the start holds from now on, unless it is another occurrence: one that was
seen not to hold since then and was raised is, and so is one that people have dealt with since. What this process has
told stays told, and nothing that it knows is lost.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from gateway.reasons import Reason, ReasonCode
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.alarm import is_over
from gateway.watch.alarms.commands import hidden_until
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory, changed, event_of, phase_of, settled, standing
from gateway.watch.alarms.states import ACTIVE, Change
from gateway.watch.alarms.together import Alarms, standings
from gateway.watch.plan import AlarmPlan

__all__ = ["Since", "joined"]

_HEARD_BEFORE = Reason(ReasonCode.ACKNOWLEDGED, "before the gateway was started, which it did not know until now")


class Since:
    """What tells one occurrence of an alarm from another, of those judged since the start."""

    def __init__(self) -> None:
        self.over: set[str] = set()
        """Known not to hold at any time."""
        self.suppressed: set[str] = set()

    def note(self, judged: Mapping[Any, Condition]) -> None:
        """By name: one look more."""
        self.over |= {str(name) for name, condition in judged.items() if is_over(condition)}
        self.suppressed |= {str(name) for name, condition in judged.items() if condition.suppressed is not None}


def joined(
    plans: Mapping[str, AlarmPlan],
    before: Mapping[str, AlarmMemory],
    now: Mapping[str, AlarmMemory],
    since: Since,
    instant: datetime,
    steady_s: float,
) -> Alarms:
    """`before`: by the clock of now."""
    after = dict(now)
    events: list[Event] = []
    for name, plan in plans.items():
        known, present = before.get(name), now.get(name)
        if known is None or phase_of(known) is AlarmPhase.NORMAL:
            continue
        if present is None or _is_untouched(present):
            memory, kind = _gone_on(known, present, name in since.over, instant, steady_s)
            reason = None
        else:
            is_another = name in since.over or name in since.suppressed
            memory, kind, reason = _with_what_was_done(known, present, is_another, instant, steady_s)
        after[name] = memory
        if kind is not None:
            by = None if reason is None else standing(plan, name, memory).by
            events.append(event_of(kind, plan, name, memory, instant, reason, by))
    return Alarms(after, standings(plans, after), tuple(events))


def _is_untouched(memory: AlarmMemory) -> bool:
    """Whether nothing was told of it since the start but that it is suppressed by design."""
    return memory.raised is None and memory.shelved is None and memory.out_of_service is None


def _gone_on(
    known: AlarmMemory, present: AlarmMemory | None, is_over: bool, instant: datetime, steady_s: float
) -> tuple[AlarmMemory, EventKind | None]:
    """As a restart would have had it: what was seen to be over has returned, of the rest the next sheet tells."""
    if present is None:
        return known._replace(turning=None), None
    turning = None if known.inner in ACTIVE else present.turning
    after = known._replace(turning=turning, suppressed=present.suppressed or known.suppressed)
    if present.inner in ACTIVE:
        # Behind what suppresses it.
        return changed(after, Change.ACTIVE, None, instant, steady_s, after.order)
    if is_over:
        return changed(after, Change.INACTIVE, None, instant, steady_s, after.order)
    return after, None


def _with_what_was_done(
    known: AlarmMemory, present: AlarmMemory, is_another: bool, instant: datetime, steady_s: float
) -> tuple[AlarmMemory, EventKind | None, Reason | None]:
    """One that this process has told of, and what is to be told of it now."""
    after = present
    if present.shelved is None and present.out_of_service is None:
        after = present._replace(shelved=known.shelved, out_of_service=known.out_of_service)
    if after.out_of_service is not None and present.out_of_service is None:
        reason = hidden_until(ReasonCode.OUT_OF_SERVICE, after.out_of_service)
        return settled(present, after, instant, steady_s), EventKind.ALARM_OUT_OF_SERVICE, reason
    if after.shelved is not None and present.shelved is None:
        reason = hidden_until(ReasonCode.SHELVED, after.shelved)
        return settled(present, after, instant, steady_s), EventKind.ALARM_SHELVED, reason
    if is_another or present.inner is not AlarmPhase.UNACKNOWLEDGED or phase_of(known) not in ACTIVE:
        # What was hidden nobody had acknowledged.
        return present, None, None
    after = present._replace(raised=known.raised, order=known.order)
    if known.inner is AlarmPhase.UNACKNOWLEDGED:
        waits_s = present.unheard_s if known.unheard_s is None else known.unheard_s
        return after._replace(unheard_s=waits_s, escalated=present.escalated or known.escalated), None, None
    after = after._replace(inner=AlarmPhase.ACKNOWLEDGED, by=known.by, why=known.why)
    return settled(present, after, instant, steady_s), EventKind.ALARM_ACKNOWLEDGED, _HEARD_BEFORE
