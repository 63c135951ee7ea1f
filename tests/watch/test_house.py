"""What is wrong with the gateway itself: each alarm with its subject, its delay, and what ends it."""

from datetime import UTC, datetime, timedelta

import pytest

from gateway.history import GATEWAY
from gateway.process.durations import DurationCounts
from gateway.status import Backlog, DestinationStatus, LedgerStatus, LineStatus, Trouble
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.together import alarms_now
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
