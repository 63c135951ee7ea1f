"""What is wrong with the gateway itself: each alarm with its subject, its delay, and what ends it."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.history import GATEWAY
from gateway.process.durations import DurationCounts
from gateway.status import Backlog, DestinationStatus, LedgerStatus, LineStatus, Trouble
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.together import alarms_now
from gateway.watch.flaps import NO_FLAP, WINDOW_S, next_flap, share_away
from gateway.watch.house import (
    NO_HOUSE,
    Found,
    House,
    HouseMemory,
    act_on_house,
    house_plans,
    watch_house,
)
from gateway.watch.plan import AlarmPlan

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
KINDS = (
    AlarmKind.LINE_LOST,
    AlarmKind.SECOND_MASTER,
    AlarmKind.DESTINATION_LOST,
    AlarmKind.HISTORY_AT_RISK,
    AlarmKind.CLOCK_UNTRUSTED,
    AlarmKind.SITE_FILE_REFUSED,
)
PLANS = tuple(AlarmPlan(kind, Priority.SOON, "c", "a", 600.0, on_delay_s=60.0) for kind in KINDS)
TIMES = DurationCounts(()).record()


def line(name: str, connected: bool = True) -> LineStatus:
    return LineStatus(name, connected, 0.0, TIMES)


def destination(
    name: str, connected: bool = True, *troubles: Trouble, history: Backlog | None = None
) -> DestinationStatus:
    return DestinationStatus(name, connected, 0, 0, 0, None, troubles, history)


def ledger(trouble: Trouble | None = None) -> LedgerStatus:
    return LedgerStatus("f", 0, 0, 0, TIMES, 0, 0, None, trouble)


WELL = House(PLANS, (line("bus"), line("farm")), (destination("mqtt"),), ledger(), False, False)


class Story:
    """Looks at the gateway each second."""

    def __init__(self) -> None:
        self.memory: HouseMemory = NO_HOUSE
        self.seconds = 0.0

    def look(self, house: House, *heard: Event, seconds: float = 1.0) -> Found:
        self.seconds += seconds
        found = watch_house(house, heard, self.memory, NOON + timedelta(seconds=self.seconds), 500.0 + self.seconds)
        self.memory = found.memory
        return found


WRONG = [
    ("line_lost.bus", WELL._replace(lines=(line("bus", False), line("farm"))), "line bus is not connected"),
    (
        "second_master.farm",
        WELL._replace(lines=(line("bus"), line("farm")._replace(second_master_suspected=True))),
        "on line farm frames come that answer no request: somebody else may be asking there",
    ),
    ("destination_lost.mqtt", WELL._replace(destinations=(destination("mqtt", False),)), "mqtt is not connected"),
    (
        "destination_lost.mqtt",
        WELL._replace(destinations=(destination("mqtt", True, Trouble("records_refused", "it takes none")),)),
        "mqtt: it takes none",
    ),
    ("history_at_risk", WELL._replace(ledger=ledger(Trouble("full", "the disk is full"))), "the disk is full"),
    (
        "history_at_risk",
        WELL._replace(destinations=(destination("mqtt", history=Backlog(9, 900.0, 0, 0, 7200.0)),)),
        "what waits for mqtt can be kept for 2.0 h more",
    ),
    ("clock_untrusted", WELL._replace(clock_doubt=True), "the clock of this machine says a time that cannot be"),
    ("site_file_refused", WELL._replace(site_file_refused=True), "the site file was wrong when it was last read again"),
]


@pytest.mark.parametrize(("name", "house", "why"), WRONG, ids=[f"{name}: {why}" for name, _, why in WRONG])
def test_each_is_raised_after_its_delay_and_returns(name: str, house: House, why: str) -> None:
    story = Story()
    assert not story.look(WELL).events
    assert not story.look(house).events, "it has to hold for a minute"
    assert not story.look(house, seconds=59.0).events
    (event,) = story.look(house).events
    assert (event.kind, event.subject) == (EventKind.ALARM_RAISED, name)
    assert event.reason is not None
    assert event.reason.text == why
    (event,) = story.look(WELL).events
    assert (event.kind, event.subject) == (EventKind.ALARM_RETURNED, name)


def test_what_waits_only_shortly_or_has_much_room_is_no_risk() -> None:
    for history in (Backlog(9, 500.0, 0, 0, 60.0), Backlog(9, 900.0, 0, 0, None), Backlog(9, 900.0, 0, 0, 90_000.0)):
        story = Story()
        house = WELL._replace(destinations=(destination("mqtt", history=history),))
        assert not [event for _ in range(200) for event in story.look(house).events]


def test_its_alarms_are_those_of_its_lines_and_destinations() -> None:
    assert list(house_plans(WELL)) == [
        "line_lost.bus",
        "line_lost.farm",
        "second_master.bus",
        "second_master.farm",
        "destination_lost.mqtt",
        "history_at_risk",
        "clock_untrusted",
        "site_file_refused",
    ]
    assert "history_at_risk" not in house_plans(WELL._replace(ledger=None))
    story = Story()
    story.look(WELL)
    alarms = alarms_now(GATEWAY, house_plans(WELL), story.memory.alarms)
    assert [alarm.standing.name for alarm in alarms] == list(house_plans(WELL))
    assert {alarm.tank for alarm in alarms} == {""}
    assert {alarm.standing.phase for alarm in alarms} == {AlarmPhase.NORMAL}


def test_a_line_that_is_taken_out_takes_its_alarm_with_it() -> None:
    story = Story()
    lost = WELL._replace(lines=(line("bus", False), line("farm")))
    story.look(lost)
    assert [each.name for each in story.look(lost, seconds=61.0).standings] == ["line_lost.bus"]
    assert not story.look(WELL._replace(lines=(line("farm"),))).standings


def test_people_act_on_it() -> None:
    story = Story()
    lost = WELL._replace(lines=(line("bus", False), line("farm")))
    story.look(lost)
    story.look(lost, seconds=61.0)
    command = AlarmCommand(AlarmVerb.ACKNOWLEDGE, "line_lost.bus", "kim", "seen")
    found = act_on_house(lost, story.memory, command, NOON, 600.0)
    assert [(event.kind, event.by) for event in found.events] == [(EventKind.ALARM_ACKNOWLEDGED, "kim")]
    assert [(each.name, each.phase) for each in found.standings] == [("line_lost.bus", AlarmPhase.ACKNOWLEDGED)]
    with pytest.raises(AlarmRefusedError, match="nothing to acknowledge"):
        act_on_house(lost, found.memory, command, NOON, 601.0)


def test_a_flood_of_the_whole_site_is_told_once() -> None:
    story = Story()
    raised = [Event(EventKind.ALARM_RAISED, NOON, f"TK-{number}") for number in range(11)]
    assert [event.kind for event in story.look(WELL, *raised[:10]).events] == []
    assert [event.kind for event in story.look(WELL, raised[10]).events] == [EventKind.ALARM_FLOOD_BEGAN]
    assert [event.kind for event in story.look(WELL, *raised).events] == []
    assert [event.kind for event in story.look(WELL, seconds=601.0).events] == [EventKind.ALARM_FLOOD_ENDED]


def told_over(times: list[bool], minutes: float) -> tuple[Story, list[Event]]:
    """One line, there or not in each second as given, again and again for so long."""
    story = Story()
    events: list[Event] = []
    for second in range(round(60 * minutes)):
        house = WELL._replace(lines=(line("bus", times[second % len(times)]), line("farm")))
        events += story.look(house).events
    return story, events


@pytest.mark.parametrize("away_s", [10, 30, 50])
def test_a_line_that_comes_and_goes_faster_than_its_delay_is_told(away_s: int) -> None:
    """Away for so much of each minute, it never is for the 60 s that its alarm waits."""
    story, events = told_over([False] * away_s + [True] * (60 - away_s), 20.0)
    kinds = [(event.kind, event.subject) for event in events]
    if away_s < 12:
        assert kinds == [], "a sixth of the time is less than a fifth"
        return
    assert kinds[0] == (EventKind.ALARM_RAISED, "line_lost.bus")
    assert [kind for kind, _ in kinds[1:]] in ([], [EventKind.ALARM_ESCALATED]), "once"
    reason = events[0].reason
    assert reason is not None
    assert reason.text.startswith("line bus comes and goes: it was away for ")
    assert " % of the last 10 min" in reason.text
    # It is told to be over when less than a tenth of the window is left of it, and its delay has passed.
    still = [story.look(WELL).events for _ in range(700)]
    ((kind, second),) = [(event.kind, second) for second, told in enumerate(still) for event in told]
    assert kind is EventKind.ALARM_RETURNED
    assert second > 240


def test_a_destination_that_comes_and_goes_is_told_too() -> None:
    story = Story()
    events: list[Event] = []
    for second in range(1200):
        away = second % 40 < 20
        events += story.look(WELL._replace(destinations=(destination("mqtt", not away),))).events
    assert {event.subject for event in events} == {"destination_lost.mqtt"}
    assert [event.kind for event in events].count(EventKind.ALARM_RAISED) == 1
    assert events[0].reason is not None
    assert events[0].reason.text.startswith("mqtt comes and goes: it was away for ")


def test_one_long_outage_is_over_when_it_is_over() -> None:
    story = Story()
    lost = WELL._replace(lines=(line("bus", False), line("farm")))
    assert [event.kind for _ in range(500) for event in story.look(lost).events] == [EventKind.ALARM_RAISED]
    assert [event.kind for event in story.look(WELL).events] == [EventKind.ALARM_RETURNED]


@given(st.lists(st.tuples(st.booleans(), st.floats(0.1, 90.0)), min_size=1, max_size=60))
def test_what_is_counted_of_a_flap_is_what_was_looked_at(looks: list[tuple[bool, float]]) -> None:
    """The share is that of nine to ten minutes, but for the look that a part ends in; nor is a time counted that
    nobody looked at."""
    memory, now_s, spans = next_flap(NO_FLAP, looks[0][0], 0.0), 0.0, []
    before = looks[0][0]
    for is_away, passed_s in looks[1:]:
        now_s += passed_s
        if before and passed_s <= 30.0:
            spans.append((now_s, passed_s))
        memory, before = next_flap(memory, is_away, now_s), is_away
    assert share_away(memory) <= sum(away_s for end_s, away_s in spans if now_s - end_s <= 600.0) / WINDOW_S + 1e-9
    assert share_away(memory) >= sum(away_s for end_s, away_s in spans if now_s - end_s < 510.0) / WINDOW_S - 1e-9
    assert len(memory.away_s) == len(memory.gone) <= 10
