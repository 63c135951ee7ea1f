"""What people do to an alarm: acknowledge it, shelve it, take it out of service, and back. Each with an end."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from gateway.errors import GatewayError
from gateway.reasons import Reason, ReasonCode, because
from gateway.sentences import duration_words
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.memory import (
    AlarmMemory,
    Aside,
    changed,
    event_of,
    is_hidden,
    phase_of,
    released,
    settled,
)
from gateway.watch.alarms.states import Change
from gateway.watch.plan import AlarmPlan

__all__ = ["AlarmCommand", "AlarmRefusedError", "AlarmVerb", "Longest", "apply", "hidden_until"]


class AlarmVerb(StrEnum):
    """What can be done to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"


class AlarmCommand(NamedTuple):
    """What somebody wants to be done to one alarm."""

    verb: AlarmVerb
    alarm: str
    """Its name."""
    by: str
    why: str = ""
    until: datetime | None = None
    """UTC, of `shelve` and `out_of_service`: when that ends by itself."""
    raised: datetime | None = None
    """UTC, of `acknowledge`: when the alarm that somebody saw was raised, to the millisecond. One that was raised anew
    since then stays as it is. None: whichever it is."""


class AlarmRefusedError(GatewayError):
    """A command to an alarm that cannot be carried out: the text names the alarm, what is wrong and what would do."""


@dataclass(frozen=True, slots=True)
class Longest:
    """For how long an alarm may be hidden in one go (common practice: a shift, a month)."""

    shelf_s: float = 12 * 3600.0
    out_of_service_s: float = 31 * 86400.0


_LONGEST = Longest()
_AS_TOLD = timedelta(milliseconds=1)
"""A time in a message is cut by less."""
_CODES: Mapping[AlarmVerb, ReasonCode] = {
    AlarmVerb.ACKNOWLEDGE: ReasonCode.ACKNOWLEDGED,
    AlarmVerb.SHELVE: ReasonCode.SHELVED,
    AlarmVerb.UNSHELVE: ReasonCode.SHELVED,
    AlarmVerb.OUT_OF_SERVICE: ReasonCode.OUT_OF_SERVICE,
    AlarmVerb.IN_SERVICE: ReasonCode.OUT_OF_SERVICE,
}
_WANTED: Mapping[AlarmVerb, str] = {
    AlarmVerb.ACKNOWLEDGE: "acknowledge it",
    AlarmVerb.SHELVE: "shelve it",
    AlarmVerb.UNSHELVE: "unshelve it",
    AlarmVerb.OUT_OF_SERVICE: "take it out of service",
    AlarmVerb.IN_SERVICE: "put it back into service",
}
_UNHEARD_OF: Mapping[AlarmPhase, str] = {
    AlarmPhase.NORMAL: "it is normal",
    AlarmPhase.ACKNOWLEDGED: "it is acknowledged already",
    AlarmPhase.SHELVED: "it is shelved; unshelve it first",
    AlarmPhase.OUT_OF_SERVICE: "it is out of service; put it back into service first",
    AlarmPhase.SUPPRESSED: "it is suppressed by design, and comes back by itself if it holds then",
}
"""Why there is nothing to acknowledge."""


def apply(
    command: AlarmCommand,
    plan: AlarmPlan,
    name: str,
    memory: AlarmMemory,
    instant: datetime,
    steady_s: float,
    *,
    longest: Longest = _LONGEST,
    order: int = 1,
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    """How it is remembered after a command, and what happened. Raises AlarmRefusedError; then nothing has.

    `order`: if it is raised now, as what hid it is gone, among the alarms of its incident.
    """
    if not command.by.strip():
        raise AlarmRefusedError(f"{name}: it is not said who wants to {_WANTED[command.verb]}")
    if command.verb is AlarmVerb.ACKNOWLEDGE:
        return _acknowledged(command, plan, name, memory, instant, steady_s)
    if command.verb is AlarmVerb.SHELVE:
        aside = _aside(command, name, instant, steady_s, longest.shelf_s)
        after = settled(memory, memory._replace(shelved=aside), instant, steady_s)
        reason = hidden_until(ReasonCode.SHELVED, aside)
        return after, (event_of(EventKind.ALARM_SHELVED, plan, name, after, instant, reason, command.by),)
    if command.verb is AlarmVerb.OUT_OF_SERVICE:
        if not command.why.strip():
            raise AlarmRefusedError(f"{name}: taking it out of service needs a reason: say why")
        aside = _aside(command, name, instant, steady_s, longest.out_of_service_s)
        after = settled(memory, memory._replace(out_of_service=aside), instant, steady_s)
        reason = hidden_until(ReasonCode.OUT_OF_SERVICE, aside)
        return after, (event_of(EventKind.ALARM_OUT_OF_SERVICE, plan, name, after, instant, reason, command.by),)
    if command.verb is AlarmVerb.UNSHELVE:
        if memory.shelved is None:
            raise AlarmRefusedError(f"{name}: it is not shelved")
        kind, after = EventKind.ALARM_UNSHELVED, memory._replace(shelved=None)
    else:
        if memory.out_of_service is None:
            raise AlarmRefusedError(f"{name}: it is not out of service")
        kind, after = EventKind.ALARM_IN_SERVICE, memory._replace(out_of_service=None)
    after, raised = released(memory, after, None, instant, steady_s, order)
    events = [event_of(kind, plan, name, after, instant, _given(command), command.by)]
    if raised is not None:
        events.append(event_of(raised, plan, name, after, instant, after.reason))
    return after, tuple(events)


def _acknowledged(
    command: AlarmCommand, plan: AlarmPlan, name: str, memory: AlarmMemory, instant: datetime, steady_s: float
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    # Another time, not a later one: the clock may have been set back meanwhile.
    if command.raised is not None and memory.raised is not None and abs(memory.raised - command.raised) > _AS_TOLD:
        raise AlarmRefusedError(f"{name}: it was raised anew at {memory.raised:%H:%M:%S} UTC: acknowledge that")
    after, kind = changed(memory, Change.ACKNOWLEDGED, None, instant, steady_s, memory.order)
    if kind is None:
        by = "" if memory.by is None or is_hidden(memory) else f", by {memory.by}"
        raise AlarmRefusedError(f"{name}: there is nothing to acknowledge: {_UNHEARD_OF[phase_of(memory)]}{by}")
    if after.inner is AlarmPhase.ACKNOWLEDGED:
        after = after._replace(by=command.by, why=command.why)
    return after, (event_of(kind, plan, name, after, instant, _given(command), command.by),)


def _aside(command: AlarmCommand, name: str, instant: datetime, steady_s: float, longest_s: float) -> Aside:
    """Raises AlarmRefusedError where it has no end, or one that cannot be."""
    if command.until is None or command.until.tzinfo is None:
        missing = "an end" if command.until is None else "an end with its time zone"
        raise AlarmRefusedError(
            f"{name}: to {_WANTED[command.verb]} needs {missing}: no more than {_long(longest_s)} ahead"
        )
    ahead_s = (command.until - instant).total_seconds()
    wanted = f"{name}: {command.until.isoformat(' ', 'minutes')} is"
    if ahead_s <= 0.0:
        raise AlarmRefusedError(f"{wanted} past: it is {_minute(instant)} by the clock of the gateway")
    if ahead_s > longest_s:
        latest = _minute(instant + timedelta(seconds=longest_s))
        raise AlarmRefusedError(
            f"{wanted} too far ahead: give {latest} at the latest, which is {_long(longest_s)} from now"
        )
    return Aside(command.until.astimezone(UTC), steady_s + ahead_s, command.by, command.why)


def _given(command: AlarmCommand) -> Reason | None:
    """What people are told of it: what the person said."""
    if not command.why:
        return None
    return because(_CODES[command.verb], "{typed}", typed=command.why)


def hidden_until(code: ReasonCode, aside: Aside) -> Reason:
    """What people are told of an alarm that is hidden: until when, and what was given as a reason."""
    until = aside.until.timestamp()
    if not aside.why:
        return because(code, "until {until:utc}", until=until)
    return because(code, "until {until:utc}: {typed}", until=until, typed=aside.why)


def _minute(time: datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M} UTC"


def _long(seconds: float) -> str:
    return duration_words(seconds) if seconds < 172800.0 else f"{seconds / 86400.0:.0f} d"
