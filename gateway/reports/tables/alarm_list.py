"""Pure: the alarms of a span: each with when it was raised, acknowledged and over, and everything else that was done.

A steady mean of six an hour and ten in ten minutes are what ISA-18.2 and IEC 62682 are read as saying a person can
follow (common practice).
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta, tzinfo
from decimal import Decimal
from typing import NamedTuple

from gateway.display import printable
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.words import both_times, duration_words, kind_words
from gateway.tank_record import Event, EventKind

__all__ = ["alarm_list"]

_COLUMNS = (
    Column("tank", "Tank", share=1.0),
    Column("alarm", "Alarm", share=1.0),
    Column("priority", "Priority", share=0.0),
    Column("raised", "Raised", Kind.LOCAL),
    Column("raised_utc", "Raised, UTC", Kind.UTC, on_paper=False),
    Column("reason", "Why", share=3.0),
    Column("acknowledged", "Acknowledged", Kind.LOCAL),
    Column("acknowledged_utc", "Acknowledged, UTC", Kind.UTC, on_paper=False),
    Column("by", "By", share=1.0),
    Column("waited", "Waited for it", share=0.0),
    Column("returned", "Over", Kind.LOCAL),
    Column("returned_utc", "Over, UTC", Kind.UTC, on_paper=False),
    Column("lasted", "Lasted", share=0.0),
    Column("waited_s", "Waited", Kind.COUNT, "s", "s", on_paper=False),
    Column("lasted_s", "Lasted", Kind.COUNT, "s", "s", on_paper=False),
)
_LOG = (
    Column("local", "When", Kind.LOCAL),
    Column("utc", "UTC", Kind.UTC),
    Column("tank", "Tank", share=1.0),
    Column("alarm", "Alarm", share=1.0),
    Column("what", "What", share=0.0),
    Column("by", "By", share=1.0),
    Column("until", "Until", Kind.LOCAL),
    Column("why", "Why", share=3.0),
)
_OF_ALARMS = "alarm_"
_TOLD_ABOVE = frozenset({EventKind.ALARM_RAISED, EventKind.ALARM_ACKNOWLEDGED, EventKind.ALARM_RETURNED})
_HIDES = {
    EventKind.ALARM_SUPPRESSED: "suppressed",
    EventKind.ALARM_SHELVED: "shelved",
    EventKind.ALARM_OUT_OF_SERVICE: "out of service",
}
_SHOWS = frozenset({EventKind.ALARM_UNSUPPRESSED, EventKind.ALARM_UNSHELVED, EventKind.ALARM_IN_SERVICE})
_NOT_OVER = "not over"
_TEN_MINUTES = timedelta(minutes=10)


class _Occurrence(NamedTuple):
    tank: str
    raised: Event | None
    """None: before the span."""
    acknowledged: Event | None = None
    returned: Event | None = None
    stands: str = _NOT_OVER
    """While nothing says that it is over: how it stands at the end of the span."""

    @property
    def first(self) -> Event:
        """One of the three is there."""
        found = self.raised or self.acknowledged or self.returned
        if found is None:
            raise ValueError("an alarm that nothing is known of")
        return found


def alarm_list(
    site: str,
    events: Iterable[tuple[str, Event]],
    span: tuple[datetime, datetime],
    zone: tzinfo,
    *,
    simulated: bool = False,
) -> Report:
    """`events`: each with its tank, empty for the gateway itself, in the order in which they happened; what is no alarm
    is left out. `span`: UTC."""
    begin, end = span
    alarms = [(tank, event) for tank, event in events if event.kind.value.startswith(_OF_ALARMS)]
    occurrences = _occurrences(alarms)
    raised = sorted(event.instant for _, event in alarms if event.kind is EventKind.ALARM_RAISED)
    others = [(tank, event) for tank, event in alarms if event.kind not in _TOLD_ABOVE]
    tables = (
        Table("Alarms", _COLUMNS, (Group("", tuple(_row(each) for each in occurrences)),), empty="no alarm"),
        Table("What else was done", _LOG, (Group("", tuple(_log(*each) for each in others)),), empty="nothing"),
    )
    hours = (end - begin).total_seconds() / 3600.0
    facts = (
        Fact("From", both_times(begin, zone)),
        Fact("To", both_times(end, zone)),
        Fact("Raised", f"{len(raised)}, {len(raised) / hours:.1f} an hour" if hours > 0.0 else f"{len(raised)}"),
        Fact("Most in 10 min", str(_most_within(raised))),
        Fact("Not acknowledged", str(sum(each.acknowledged is None for each in occurrences))),
    )
    notes = ("Six an hour and ten in 10 minutes are what a person can follow (ISA-18.2, common practice).",)
    identity = f"{site} alarms {begin:%Y-%m-%dT%H:%M:%SZ} to {end:%Y-%m-%dT%H:%M:%SZ}"
    return Report("alarms", "Alarms", site, end, zone, identity, tables, facts, notes, simulated=simulated)


def _occurrences(alarms: Sequence[tuple[str, Event]]) -> list[_Occurrence]:
    """One for each time that an alarm was raised."""
    found: list[_Occurrence] = []
    newest: dict[tuple[str, str], int] = {}
    for tank, event in alarms:
        key = (tank, event.subject)
        place = newest.get(key)
        match event.kind:
            case EventKind.ALARM_RAISED:
                if place is not None and found[place].stands == _NOT_OVER:
                    found[place] = found[place]._replace(stands="raised anew")
                newest[key] = len(found)
                found.append(_Occurrence(tank, event))
            case EventKind.ALARM_ACKNOWLEDGED:
                if place is None or found[place].acknowledged is not None:
                    newest[key] = len(found)
                    found.append(_Occurrence(tank, None, event))
                else:
                    found[place] = found[place]._replace(acknowledged=event)
            case EventKind.ALARM_RETURNED:
                if place is None or found[place].returned is not None:
                    newest[key] = len(found)
                    found.append(_Occurrence(tank, None, None, event))
                else:
                    found[place] = found[place]._replace(returned=event)
            case hides if hides in _HIDES and place is not None:
                found[place] = found[place]._replace(stands=_HIDES[hides])
            case shows if shows in _SHOWS and place is not None:
                found[place] = found[place]._replace(stands=_NOT_OVER)
            case _:
                pass
    return found


def _row(each: _Occurrence) -> Row:
    first, acknowledged, returned = each.first, each.acknowledged, each.returned
    standing = first.standing
    raised = first.instant if each.raised is not None else None if standing is None else standing.raised
    cells: dict[str, Cell] = {
        "tank": printable(each.tank) or "gateway",
        "alarm": kind_words(printable(first.subject)),
        "priority": "" if standing is None else standing.priority.value,
        "raised": raised,
        "raised_utc": raised,
        "reason": "" if first.reason is None else printable(first.reason.text),
        "acknowledged": None if acknowledged is None else acknowledged.instant,
        "acknowledged_utc": None if acknowledged is None else acknowledged.instant,
        "by": "" if acknowledged is None else printable(acknowledged.by or ""),
        "returned": None if returned is None else returned.instant,
        "returned_utc": None if returned is None else returned.instant,
        "waited": _span(raised, acknowledged),
        "waited_s": _seconds(raised, acknowledged),
        "lasted": _span(raised, returned),
        "lasted_s": _seconds(raised, returned),
    }
    absent = {"raised": "before this", "acknowledged": "not acknowledged", "returned": each.stands}
    return Row(cells, absent=absent)


def _span(begin: datetime | None, event: Event | None) -> str:
    return "" if begin is None or event is None else duration_words(event.instant - begin)


def _seconds(begin: datetime | None, event: Event | None) -> Decimal | None:
    return None if begin is None or event is None else Decimal(round((event.instant - begin).total_seconds()))


def _log(tank: str, event: Event) -> Row:
    standing = event.standing
    why = standing.why if standing is not None and standing.why else "" if event.reason is None else event.reason.text
    return Row(
        {
            "local": event.instant,
            "utc": event.instant,
            "tank": printable(tank) or "gateway",
            "alarm": kind_words(printable(event.subject)),
            "what": kind_words(event.kind.value.removeprefix(_OF_ALARMS)),
            "by": printable(event.by or ""),
            "until": None if standing is None else standing.until,
            "why": printable(why),
        }
    )


def _most_within(instants: Sequence[datetime]) -> int:
    """The most that were raised within any ten minutes."""
    most = begin = 0
    for end, instant in enumerate(instants):
        while instant - instants[begin] >= _TEN_MINUTES:
            begin += 1
        most = max(most, end - begin + 1)
    return most
