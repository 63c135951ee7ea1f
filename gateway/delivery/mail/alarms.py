"""Pure: what one mail tells: the events that came, one item for each alarm, with how each of them stands by now.

An alarm that was raised while no mail could go out is late: it is told as such, and with what has become of it, never
as if it had been raised just now.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.history import KeptEvent
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmNow, AlarmPhase, AlarmStanding, Priority

__all__ = ["LATE_S", "Item", "Note", "Wish", "items_of", "notes_of", "wanted"]

LATE_S = 300.0
"""An event that is older when its mail is written has waited: events are committed within seconds."""

_OF_ALARMS = (EventKind.ALARM_RAISED, EventKind.ALARM_RETURNED)
_NOTES = {
    EventKind.ALARM_FLOOD_BEGAN: "A flood of alarms began: more than anybody can deal with one by one",
    EventKind.ALARM_FLOOD_ENDED: "The flood of alarms is over",
    EventKind.GATEWAY_BROKE_OFF: "The gateway ended without a word, and has been started again",
    EventKind.HISTORY_LOST: "History was lost",
}
"""What is told of the gateway itself, whatever the priorities."""


class Wish(NamedTuple):
    """What somebody wants to be told."""

    priorities: tuple[Priority, ...]
    tanks: tuple[str, ...]
    """Empty: all."""
    when_over: bool


class Item(NamedTuple):
    """One alarm in a mail."""

    tank: str
    """Empty: of the gateway itself."""
    name: str
    standing: AlarmStanding | None
    """As it is now where that is known, else as after its last event. None: an event told none."""
    raised: datetime
    """UTC, when it was last raised."""
    over: datetime | None
    """UTC, since when it is over; None: it is active."""
    times: int
    """How often it was raised among these events."""
    is_late: bool
    told: Event
    """The event to take reason and value from."""
    now: AlarmNow | None
    """With consequence and action."""

    @property
    def priority(self) -> Priority:
        return Priority.SOON if self.standing is None else self.standing.priority

    @property
    def is_taken(self) -> bool:
        """Whether somebody has it."""
        return self.standing is not None and self.standing.phase is AlarmPhase.ACKNOWLEDGED


class Note(NamedTuple):
    """A line about the gateway itself."""

    instant: datetime
    text: str


def wanted(event: KeptEvent, wish: Wish, *, escalated: bool) -> bool:
    """Whether it is told: of those of escalation and of the others apart."""
    kind = event.event.kind
    if escalated:
        return kind is EventKind.ALARM_ESCALATED and _concerns(event, wish)
    if kind in _NOTES:
        return not event.identity.tank or not wish.tanks or event.identity.tank in wish.tanks
    if kind is EventKind.ALARM_RAISED or (kind is EventKind.ALARM_RETURNED and wish.when_over):
        return _concerns(event, wish)
    return False


def _concerns(event: KeptEvent, wish: Wish) -> bool:
    tank, standing = event.identity.tank, event.event.standing
    if tank and wish.tanks and tank not in wish.tanks:
        return False
    return standing is None or standing.priority in wish.priorities


def items_of(
    events: Sequence[KeptEvent], alarms: Iterable[AlarmNow], now: datetime, late_s: float = LATE_S
) -> list[Item]:
    """One for each alarm, first things first: what is active and nobody has, by priority, in the order it was raised.

    `alarms`: how all alarms stand at `now`. `late_s`: what is older is late.
    """
    by_alarm: dict[tuple[str, str], list[Event]] = {}
    for kept in events:
        if kept.event.kind in _OF_ALARMS or kept.event.kind is EventKind.ALARM_ESCALATED:
            by_alarm.setdefault((kept.identity.tank, kept.event.subject), []).append(kept.event)
    standing = {(each.tank, each.standing.name): each for each in alarms}
    before = now - timedelta(seconds=late_s)
    items = [_item(tank, name, found, standing.get((tank, name)), before) for (tank, name), found in by_alarm.items()]
    return sorted(items, key=lambda item: (item.over is not None, item.priority.rank, item.is_late, item.raised))


def _item(tank: str, name: str, events: Sequence[Event], alarm: AlarmNow | None, before: datetime) -> Item:
    raises = [event for event in events if event.kind is not EventKind.ALARM_RETURNED]
    told = raises[-1] if raises else events[-1]
    last = events[-1]
    standing = last.standing if alarm is None else alarm.standing
    is_over = last.kind is EventKind.ALARM_RETURNED
    if alarm is not None:
        is_over = not alarm.standing.is_active
    over = None
    if is_over:
        over = last.instant if last.kind is EventKind.ALARM_RETURNED or standing is None else standing.since
    raised = told.instant
    if told.kind is not EventKind.ALARM_RAISED and told.standing is not None and told.standing.raised is not None:
        raised = told.standing.raised
    times = sum(event.kind is EventKind.ALARM_RAISED for event in events)
    # What came last is what the mail is for.
    is_late = last.instant < before
    return Item(tank, name, standing, raised, over, times, is_late, told, alarm)


def notes_of(events: Sequence[KeptEvent]) -> list[Note]:
    """What is told of the gateway itself, in order."""
    notes = []
    for kept in events:
        words = _NOTES.get(kept.event.kind)
        if words is not None:
            reason = kept.event.reason
            notes.append(Note(kept.event.instant, words if reason is None else f"{words}: {reason.text}"))
    return notes
