"""How much a site's alarms ask of people, counted by hand and by the plainest way."""

import random
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from gateway.watch.alarms.figures import AlarmCount, alarm_figures
from tests.watch.alarm_life import NOON

DAY = NOON + timedelta(days=1)


def raised(tank: str, name: str, *seconds: float) -> list[tuple[str, Event]]:
    return [(tank, Event(EventKind.ALARM_RAISED, NOON + timedelta(seconds=each), name)) for each in seconds]


def stands(name: AlarmKind, phase: AlarmPhase, hours_ago: float) -> AlarmStanding:
    since = DAY - timedelta(hours=hours_ago)
    return AlarmStanding(name.value, name, phase, Priority.SOON, True, since, since)


@pytest.mark.outside("ISA-18.2 and EEMUA 191, as quoted publicly; HSE Chemicals Sheet No 6: one in ten minutes")
def test_figures_of_a_day() -> None:
    """144 in 24 h are 6 an hour and 1 in ten minutes, the most that one person can follow; one more is too many."""
    steady = raised("TK-1", "high_high", *[600.0 * number for number in range(144)])
    figures = alarm_figures(steady, [], NOON, DAY)
    assert (figures.alarms, figures.per_hour, figures.per_ten_minutes, figures.peak) == (144, 6.0, 1.0, 1)
    assert figures.is_within_target
    more = alarm_figures([*steady, *raised("TK-2", "minimum", 5.0)], [], NOON, DAY)
    assert more.per_hour == pytest.approx(145 / 24)
    assert more.is_within_target is False
    assert more.peak == 2
    assert more.most_frequent == (AlarmCount("TK-1", "high_high", 144), AlarmCount("TK-2", "minimum", 1))


@pytest.mark.outside("ISA-18.2, as quoted publicly: chattering is three or more times in one minute")
def test_three_times_in_a_minute_chatters() -> None:
    events = [
        *raised("TK-1", "water_high", 0.0, 29.0, 59.0),
        *raised("TK-2", "water_high", 0.0, 30.0, 60.0, 90.0),
        *raised("TK-3", "water_high", 0.0, 1.0),
        *raised("TK-3", "minimum", 0.5),
    ]
    figures = alarm_figures(events, [], NOON, DAY)
    assert figures.chattering == (AlarmCount("TK-1", "water_high", 3),)
    assert figures.most_frequent[0] == AlarmCount("TK-2", "water_high", 4)


@pytest.mark.outside("ISA-18.2, as quoted publicly: stale is active for more than 24 h")
def test_standing_and_stale() -> None:
    standings = [
        ("TK-1", stands(AlarmKind.WATER_HIGH, AlarmPhase.ACKNOWLEDGED, 24.1)),
        ("TK-2", stands(AlarmKind.WATER_HIGH, AlarmPhase.UNACKNOWLEDGED, 24.0)),
        ("TK-3", stands(AlarmKind.WATER_HIGH, AlarmPhase.RETURNED, 99.0)),
        ("TK-4", stands(AlarmKind.WATER_HIGH, AlarmPhase.SHELVED, 99.0)),
    ]
    figures = alarm_figures(raised("TK-1", "water_high", 7.0), standings, NOON, DAY)
    assert figures.standing == (AlarmCount("TK-1", "water_high", 1), AlarmCount("TK-2", "water_high", 0))
    assert figures.stale == (AlarmCount("TK-1", "water_high", 1),)


def test_only_what_was_raised_within_the_time_counts() -> None:
    events = [
        *raised("TK-1", "minimum", -0.1, 0.0, 3599.9, 3600.0),
        ("TK-1", Event(EventKind.ALARM_RETURNED, NOON, "minimum")),
        ("TK-1", Event(EventKind.ALARM_ESCALATED, NOON, "minimum")),
    ]
    figures = alarm_figures(events, [], NOON, NOON + timedelta(hours=1))
    assert (figures.alarms, figures.per_hour) == (2, 2.0)


def test_of_a_time_without_length_there_is_no_average() -> None:
    figures = alarm_figures([], [], NOON, NOON)
    assert (figures.alarms, figures.per_hour, figures.per_ten_minutes, figures.is_within_target) == (
        0,
        None,
        None,
        None,
    )
    with pytest.raises(ValueError, match="before the begin"):
        alarm_figures([], [], DAY, NOON)


@given(st.lists(st.tuples(st.sampled_from(("TK-1", "TK-2")), st.integers(0, 4000)), max_size=80), st.randoms())
def test_in_any_order_as_the_plainest_way_counts(alarms: list[tuple[str, int]], chance: random.Random) -> None:
    events = [event for tank, second in alarms for event in raised(tank, "minimum", float(second))]
    chance.shuffle(events)
    figures = alarm_figures(events, [], NOON, NOON + timedelta(hours=2))
    seconds = [second for _, second in alarms]
    assert figures.alarms == len(alarms)
    assert figures.peak == max([sum(0 <= each - begin < 600 for each in seconds) for begin in seconds], default=0)
    for tank in ("TK-1", "TK-2"):
        own = [second for name, second in alarms if name == tank]
        most = max([sum(0 <= each - begin < 60 for each in own) for begin in own], default=0)
        assert any(each.tank == tank for each in figures.chattering) is (most >= 3)
    assert sum(each.times for each in figures.most_frequent) == len(alarms)
