"""How much a site's alarms ask of the people who watch it, from what happened in a time that is over.

Kinds and bounds of the figures are those of ISA-18.2 / IEC 62682 and EEMUA 191, as quoted publicly: no more than one
alarm in ten minutes on average, and no more than ten in the ten minutes after an upset (also in the information sheet
"Better alarm handling" of the British Health and Safety Executive); chattering is three times in a minute; stale is
active for more than a day. Alarms that are hidden are not counted.
"""

from collections import Counter, deque
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase, AlarmStanding

__all__ = ["TARGET_PER_HOUR", "AlarmCount", "AlarmFigures", "alarm_figures", "is_stale"]

TARGET_PER_HOUR = 6.0
_WINDOW = timedelta(minutes=10)
_CHATTERS_WITHIN = timedelta(minutes=1)
_CHATTERS_FROM = 3
_STALE = timedelta(hours=24)
_MOST_FREQUENT = 10
_IN_SIGHT_AND_ACTIVE = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED)


class AlarmCount(NamedTuple):
    """How often one alarm was raised."""

    tank: str
    """Empty: one of the gateway itself."""
    name: str
    times: int


class AlarmFigures(NamedTuple):
    """Of one site, between two instants."""

    begin: datetime
    end: datetime
    alarms: int
    """How many were raised."""
    per_hour: float | None
    """On average; None of a time without length."""
    per_ten_minutes: float | None
    peak: int
    """The most within any ten minutes."""
    most_frequent: tuple[AlarmCount, ...]
    """Up to ten, the most frequent first."""
    chattering: tuple[AlarmCount, ...]
    """Raised three times within a minute, at least once; with how often in all."""
    standing: tuple[AlarmCount, ...]
    """Active at the end, be they acknowledged or not; with how often they were raised."""
    stale: tuple[AlarmCount, ...]
    """Of those, the ones that have been active for more than a day."""

    @property
    def is_within_target(self) -> bool | None:
        """Whether the average is what one person can follow; None where there is none."""
        return None if self.per_hour is None else self.per_hour <= TARGET_PER_HOUR


def alarm_figures(
    events: Iterable[tuple[str, Event]],
    standings: Iterable[tuple[str, AlarmStanding]],
    begin: datetime,
    end: datetime,
) -> AlarmFigures:
    """From events in any order, each with its tank, and how alarms stand at `end`. Those before `begin` or from `end`
    on are left out. Raises ValueError where the end is before the begin.
    """
    if end < begin:
        raise ValueError("the end is before the begin")
    raised = sorted(
        (event.instant, tank, event.subject)
        for tank, event in events
        if event.kind is EventKind.ALARM_RAISED and begin <= event.instant < end
    )
    times: dict[tuple[str, str], list[datetime]] = {}
    for instant, tank, name in raised:
        times.setdefault((tank, name), []).append(instant)
    counts = Counter({alarm: len(each) for alarm, each in times.items()})
    hours = (end - begin) / timedelta(hours=1)
    active = [(tank, each) for tank, each in standings if each.phase in _IN_SIGHT_AND_ACTIVE]
    return AlarmFigures(
        begin,
        end,
        len(raised),
        len(raised) / hours if hours else None,
        len(raised) / (6.0 * hours) if hours else None,
        _most_within([instant for instant, _, _ in raised], _WINDOW),
        _counted(counts, sorted(counts, key=lambda alarm: (-counts[alarm], alarm))[:_MOST_FREQUENT]),
        _counted(
            counts,
            sorted(a for a, each in times.items() if _most_within(each, _CHATTERS_WITHIN) >= _CHATTERS_FROM),
        ),
        _counted(counts, [(tank, each.name) for tank, each in active]),
        _counted(counts, [(tank, each.name) for tank, each in active if is_stale(each, end)]),
    )


def is_stale(standing: AlarmStanding, instant: datetime) -> bool:
    """Whether an alarm in sight has been active for more than a day."""
    raised = standing.raised
    return raised is not None and standing.phase in _IN_SIGHT_AND_ACTIVE and instant - raised > _STALE


def _counted(counts: Counter[tuple[str, str]], alarms: Iterable[tuple[str, str]]) -> tuple[AlarmCount, ...]:
    return tuple([AlarmCount(tank, name, counts[tank, name]) for tank, name in alarms])


def _most_within(times: list[datetime], window: timedelta) -> int:
    """The most within any window. A window holds its begin and not its end. Times in order."""
    within: deque[datetime] = deque()
    most = 0
    for time in times:
        within.append(time)
        while time - within[0] >= window:
            within.popleft()
        most = max(most, len(within))
    return most
