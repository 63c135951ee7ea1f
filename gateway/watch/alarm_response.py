"""Pure: how people have answered to alarms, out of what happened: each raising, and when somebody acknowledged it.

Rates as the trade measures an alarm system: about six an hour on average are borne by one operator, and more than ten
in ten minutes are a flood (ISA-18.2 and IEC 62682, from memory).
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import NamedTuple

from gateway.tank_record import Event, EventKind

__all__ = ["AlarmRates", "Raised", "alarm_rates", "raisings"]

_FLOOD = timedelta(minutes=10)


class Raised(NamedTuple):
    """One raising of one alarm. Times: UTC; None: it has not happened yet, or not within what was looked at."""

    tank: str
    """Empty: of the gateway itself."""
    alarm: str
    raised: datetime
    acknowledged: datetime | None = None
    by: str = ""
    """Who acknowledged it."""
    returned: datetime | None = None
    escalated: datetime | None = None
    """When its time to be acknowledged was over."""
    text: str = ""

    @property
    def answered_s(self) -> float | None:
        """How long it took somebody to acknowledge it."""
        return None if self.acknowledged is None else (self.acknowledged - self.raised).total_seconds()


class AlarmRates(NamedTuple):
    raised: int
    acknowledged: int
    escalated: int
    median_s: float | None
    """Half of those that were acknowledged were so within it."""
    longest_s: float | None
    an_hour: float | None
    """On average; None of less than an hour, of which it would say nothing."""
    most_in_ten_minutes: int


def raisings(events: Iterable[tuple[str, Event]]) -> list[Raised]:
    """Of events with their tanks, in the order in which they happened: each raising, the oldest first.

    What was raised before the first of them is in none: nobody knows of it when that was.
    """
    found: list[Raised] = []
    at: dict[tuple[str, str], int] = {}
    for tank, event in events:
        place = (tank, event.subject)
        if event.kind is EventKind.ALARM_RAISED:
            at[place] = len(found)
            found.append(
                Raised(tank, event.subject, event.instant, text="" if event.reason is None else event.reason.text)
            )
            continue
        number = at.get(place)
        if number is None:
            continue
        raised = found[number]
        if event.kind is EventKind.ALARM_ACKNOWLEDGED and raised.acknowledged is None:
            found[number] = raised._replace(acknowledged=event.instant, by=event.by or "")
        elif event.kind is EventKind.ALARM_RETURNED and raised.returned is None:
            found[number] = raised._replace(returned=event.instant)
        elif event.kind is EventKind.ALARM_ESCALATED and raised.escalated is None:
            found[number] = raised._replace(escalated=event.instant)
    return found


def alarm_rates(found: Sequence[Raised], begin: datetime, until: datetime) -> AlarmRates:
    """Of raisings from `begin` to `until`, the oldest first."""
    answered = [each.answered_s for each in found if each.answered_s is not None]
    times = [each.raised for each in found]
    first, most = 0, 0
    for number, instant in enumerate(times):
        while instant - times[first] >= _FLOOD:
            first += 1
        most = max(most, number - first + 1)
    hours = (until - begin).total_seconds() / 3600.0
    return AlarmRates(
        raised=len(found),
        acknowledged=len(answered),
        escalated=sum(1 for each in found if each.escalated is not None),
        median_s=median(answered) if answered else None,
        longest_s=max(answered, default=None),
        an_hour=len(found) / hours if hours >= 1.0 else None,
        most_in_ten_minutes=most,
    )
