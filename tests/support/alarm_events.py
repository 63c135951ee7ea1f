"""Alarms as events and as they stand, by hand, for the tests of who tells people of them."""

from datetime import datetime

from gateway.history import KeptEvent
from gateway.reasons import Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind, Identity
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, Priority
from tests.support.records import BOOT, NOON

__all__ = ["alarm_event", "alarm_now", "standing_of"]

_PHASES = {
    EventKind.ALARM_RAISED: AlarmPhase.UNACKNOWLEDGED,
    EventKind.ALARM_ESCALATED: AlarmPhase.UNACKNOWLEDGED,
    EventKind.ALARM_RETURNED: AlarmPhase.RETURNED,
    EventKind.ALARM_ACKNOWLEDGED: AlarmPhase.ACKNOWLEDGED,
}


def standing_of(
    kind: AlarmKind = AlarmKind.HIGH_HIGH,
    phase: AlarmPhase = AlarmPhase.UNACKNOWLEDGED,
    priority: Priority = Priority.NOW,
    *,
    since: datetime = NOON,
    raised: datetime = NOON,
    name: str = "",
    is_active: bool | None = None,
    value: float | None = 13.56,
    by: str | None = None,
    until: datetime | None = None,
) -> AlarmStanding:
    if is_active is None:
        is_active = phase not in (AlarmPhase.RETURNED, AlarmPhase.NORMAL)
    reason = Reason(ReasonCode.ABOVE_LIMIT, "the level is above the limit")
    if value is not None:
        reason = because(ReasonCode.ABOVE_LIMIT, "level {level:.3f} m is above the limit", level=value)
    return AlarmStanding(
        name or kind.value, kind, phase, priority, is_active, since, raised, value, reason, by=by, until=until
    )


def alarm_event(
    position: int,
    kind: EventKind = EventKind.ALARM_RAISED,
    tank: str = "TK-1",
    of: AlarmKind = AlarmKind.HIGH_HIGH,
    priority: Priority = Priority.NOW,
    *,
    instant: datetime = NOON,
    raised: datetime | None = None,
    boot: str = BOOT,
    value: float | None = 13.56,
) -> KeptEvent:
    """Of `harbour`. Position and sequence are the same."""
    standing = standing_of(of, _PHASES[kind], priority, since=instant, raised=raised or instant, value=value)
    event = Event(kind, instant, standing.name, standing.reason, standing=standing)
    return KeptEvent(position, Identity("harbour", tank, boot, position), 0, event)


def alarm_now(tank: str, standing: AlarmStanding) -> AlarmNow:
    return AlarmNow(tank, standing, "Liquid runs over the rim", "Stop the receipt at the jetty", 600.0)
