"""How long alarms waited for somebody: against times that are said beforehand."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from gateway.records import Reason, ReasonCode
from gateway.tank_record import Event, EventKind
from gateway.watch.alarm_response import alarm_rates, raisings

BEGIN = datetime(2026, 11, 28, 1, 0, tzinfo=UTC)


def event(kind: EventKind, at_s: float, alarm: str = "high", by: str | None = None) -> Event:
    reason = Reason(ReasonCode.NO_ANSWER, "13.6 m") if kind is EventKind.ALARM_RAISED else None
    return Event(kind, BEGIN + timedelta(seconds=at_s), alarm, reason, by)


def test_each_raising_has_its_own_answer() -> None:
    told = [
        ("TK-1", event(EventKind.ALARM_ACKNOWLEDGED, 0, by="early")),  # of what was raised before
        ("TK-1", event(EventKind.ALARM_RAISED, 10)),
        ("TK-2", event(EventKind.ALARM_RAISED, 12)),
        ("TK-1", event(EventKind.ALARM_ACKNOWLEDGED, 52, by="anna")),
        ("TK-1", event(EventKind.ALARM_RETURNED, 90)),
        ("TK-1", event(EventKind.ALARM_RAISED, 100)),
        ("TK-2", event(EventKind.ALARM_ESCALATED, 312)),
        ("TK-1", event(EventKind.ALARM_ACKNOWLEDGED, 108, by="ben")),
    ]
    found = raisings(told)
    assert [(each.tank, each.answered_s, each.by) for each in found] == [
        ("TK-1", 42.0, "anna"),
        ("TK-2", None, ""),
        ("TK-1", 8.0, "ben"),
    ]
    assert (found[0].returned, found[2].returned) == (BEGIN + timedelta(seconds=90), None)
    assert found[0].text == "13.6 m"
    rates = alarm_rates(found, BEGIN, BEGIN + timedelta(hours=2))
    assert (rates.raised, rates.acknowledged, rates.escalated) == (3, 2, 1)
    assert (rates.median_s, rates.longest_s, rates.an_hour) == (25.0, 42.0, 1.5)
    assert rates.most_in_ten_minutes == 3
    # Of two minutes 90 an hour would be told.
    assert alarm_rates(found, BEGIN, BEGIN + timedelta(minutes=2)).an_hour is None


@given(st.lists(st.integers(0, 7200)))
def test_a_flood_is_the_most_that_any_ten_minutes_have(seconds: list[int]) -> None:
    found = raisings(
        ("TK-1", event(EventKind.ALARM_RAISED, at_s, str(number))) for number, at_s in enumerate(sorted(seconds))
    )
    most = max((sum(1 for other in seconds if 0 <= each - other < 600) for each in seconds), default=0)
    assert alarm_rates(found, BEGIN, BEGIN + timedelta(hours=2)).most_in_ten_minutes == most
