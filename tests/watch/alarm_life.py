"""One alarm lived through in a test: sheets, commands, restarts, and all that was told of it."""

from datetime import UTC, datetime, timedelta
from typing import Any

from gateway.plain_form import PlainForm
from gateway.reasons import Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from gateway.watch.alarms.alarm import next_alarm
from gateway.watch.alarms.commands import AlarmCommand, AlarmVerb, apply
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory, first_memory, standing
from gateway.watch.plan import AlarmPlan

__all__ = ["BETWEEN", "MAINTENANCE", "NAME", "NOON", "OFF", "ON", "PLAN", "UNKNOWN", "Life", "plan_of"]

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
NAME = "high_high"
_HIGH = because(ReasonCode.ABOVE_LIMIT, "level {level:.3f} m is above high-high", level=13.551)
ON = Condition(True, value=13.551, reason=_HIGH)
OFF = Condition(False)
BETWEEN = Condition(False, inside=False)
UNKNOWN = Condition(None)
MAINTENANCE = Reason(ReasonCode.IN_MAINTENANCE, "its gauge is in maintenance")
_FORM = PlainForm(AlarmMemory)


def plan_of(kind: AlarmKind = AlarmKind.HIGH_HIGH, priority: Priority = Priority.NOW, **given: Any) -> AlarmPlan:
    return AlarmPlan(kind, priority, "the tank fills to its critical high level", "stop the filling", **given)


PLAN = plan_of()


class Life:
    """What one alarm goes through, by a clock of its own."""

    def __init__(self, plan: AlarmPlan = PLAN) -> None:
        self.plan = plan
        self.instant = NOON
        self.steady_s = 1000.0
        self.memory = first_memory(NOON)
        self.events: list[Event] = []
        self.is_told = True

    @property
    def phase(self) -> AlarmPhase:
        return self.standing.phase

    @property
    def standing(self) -> AlarmStanding:
        return standing(self.plan, NAME, self.memory)

    @property
    def told(self) -> list[EventKind]:
        """What was told since this was last asked."""
        kinds = [event.kind for event in self.events]
        self.events.clear()
        return kinds

    def sheet(self, condition: Condition, after_s: float = 1.0) -> AlarmPhase:
        """The next sheet, so much later."""
        self.passes(after_s)
        self.memory, events = next_alarm(
            self.plan, NAME, self.memory, condition, self.instant, self.steady_s, is_told=self.is_told
        )
        self.events += events
        return self.phase

    def does(self, verb: AlarmVerb, *, why: str = "", for_s: float | None = None) -> AlarmPhase:
        """A command by Ann, for so long."""
        until = None if for_s is None else self.instant + timedelta(seconds=for_s)
        command = AlarmCommand(verb, NAME, "ann", why, until)
        self.memory, events = apply(command, self.plan, NAME, self.memory, self.instant, self.steady_s)
        self.events += events
        return self.phase

    def passes(self, seconds: float) -> None:
        self.instant += timedelta(seconds=seconds)
        self.steady_s += seconds

    def restarts(self, after_s: float = 0.0, steady_s: float = 5.0) -> None:
        """The memory is written, and read back so much later by a process with another steady clock."""
        plain = _FORM.to_plain(self.memory)
        self.memory = _FORM.moved(_FORM.from_plain(plain), steady_s - self.steady_s - after_s)
        self.instant += timedelta(seconds=after_s)
        self.steady_s = steady_s
