"""When a flood of alarms begins and ends."""

from datetime import timedelta

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.plain_form import PlainForm
from gateway.reasons import ReasonCode
from gateway.tank_record import Event, EventKind
from gateway.watch.alarms.flood import NO_FLOOD, FloodMemory, next_flood
from tests.watch.alarm_life import NOON

BEGAN, ENDED = EventKind.ALARM_FLOOD_BEGAN, EventKind.ALARM_FLOOD_ENDED
FORM = PlainForm(FloodMemory)


class Site:
    """The alarms of a site from second to second."""

    def __init__(self) -> None:
        self.memory = NO_FLOOD
        self.seconds = 0.0
        self.told: list[Event] = []

    def at(self, seconds: float, alarms: int = 0, *others: EventKind) -> list[EventKind]:
        """What is told as so many are raised then."""
        self.seconds = seconds
        instant = NOON + timedelta(seconds=seconds)
        events = [Event(kind, instant) for kind in [*[EventKind.ALARM_RAISED] * alarms, *others]]
        self.memory, self.told[:] = next_flood(self.memory, events, instant, 70.0 + seconds)
        return [event.kind for event in self.told]


@pytest.mark.outside("ISA-18.2 and EEMUA 191, as quoted publicly: more than 10 in 10 minutes, then fewer than 5")
def test_the_eleventh_alarm_in_ten_minutes_begins_a_flood_and_fewer_than_five_end_it() -> None:
    """One each 59 s: ten lie within 531 s, the eleventh comes at 590 s. Then none: at 945 s five are left of the last
    ten minutes (those at 354, 413, 472, 531 and 590 s), at 954 s four."""
    site = Site()
    for number in range(10):
        assert site.at(59.0 * number, 1) == []
    assert site.at(590.0, 1) == [BEGAN]
    [event] = site.told
    assert event.reason is not None
    assert event.reason.code is ReasonCode.ALARM_FLOOD
    assert event.reason.text == ("11 alarms within 10 min: more than anyone can follow, so see to the first of them")
    assert site.at(953.9) == []
    assert site.at(954.0) == [ENDED]
    assert site.told[0].reason is not None
    assert site.told[0].reason.text == "the flood of 11 alarms is over"
    assert site.at(9000.0) == []


@pytest.mark.outside("EEMUA 191, as quoted publicly: one alarm in ten minutes is what one person can follow")
def test_one_alarm_a_minute_is_no_flood() -> None:
    """Ten lie within any ten minutes, a minute apart."""
    site = Site()
    assert [told for minute in range(600) for told in site.at(60.0 * minute, 1)] == []


def test_all_at_once_is_a_flood_and_how_many_they_were_is_told_at_the_end() -> None:
    site = Site()
    assert site.at(0.0, 40) == [BEGAN]
    assert site.at(300.0, 7) == []
    assert len(site.memory.raised_s) == 11, "what is remembered stays small"
    assert site.at(899.0) == []
    assert site.at(900.0) == [ENDED]
    assert dict(site.told[0].reason.values if site.told[0].reason else ())["alarms"] == 47


def test_only_what_is_raised_counts() -> None:
    others = [kind for kind in EventKind if kind is not EventKind.ALARM_RAISED]
    site = Site()
    for second in range(20):
        assert site.at(second, 0, *others) == []
    assert site.memory is NO_FLOOD


def test_a_flood_goes_on_over_a_restart() -> None:
    site = Site()
    site.at(0.0, 11)
    plain = orjson.loads(orjson.dumps(FORM.to_plain(site.memory)))
    site.memory = FORM.moved(FORM.from_plain(plain), 0.0)
    assert site.at(599.0, 4) == []
    assert site.at(600.0) == [ENDED]


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 9)), max_size=60))
def test_as_counted_from_the_whole_past(steps: list[tuple[int, int]]) -> None:
    site = Site()
    now, all_times, is_flood = 0, list[int](), False
    for after, alarms in steps:
        now += after
        all_times += [now] * alarms
        recent = sum(now - time < 600 for time in all_times)
        was = is_flood
        is_flood = recent >= 5 if was else recent > 10
        expected = [] if is_flood is was else [BEGAN if is_flood else ENDED]
        assert site.at(float(now), alarms) == expected
