"""The watch of the gateway itself over a restart, and what it hears of the tanks."""

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from gateway.house_watch import HouseWatch
from gateway.kept_memory import Kept, KeptWatch
from gateway.process.durations import DurationCounts
from gateway.status import LineStatus
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmVerb
from gateway.watch.house import House
from gateway.watch.plan import AlarmPlan

NOON_NS = round(datetime(2026, 11, 28, 12, tzinfo=UTC).timestamp() * 1e9)
TIMES = DurationCounts(()).record()
_LOST = AlarmPlan(AlarmKind.LINE_LOST, Priority.SOON, "c", "a", 900.0)


class Site:
    """A gateway with one line, and its clocks."""

    def __init__(self, utc_ns: int, steady_ns: int = 1_000_000_000_000) -> None:
        self.utc, self.steady = utc_ns, steady_ns
        self.connected = False
        self.lines = ["bus"]
        self.looks = 0
        self.told: list[Event] = []
        self.watch = HouseWatch(self.house, self, self._tell)

    def utc_ns(self) -> int:
        return self.utc

    def monotonic_ns(self) -> int:
        return self.steady

    def house(self) -> House:
        self.looks += 1
        lines = [LineStatus(name, self.connected, 0.0, TIMES) for name in self.lines]
        return House((_LOST,), lines, (), None, False, False)

    def look(self, seconds: int = 1) -> None:
        self.utc += seconds * 10**9
        self.steady += seconds * 10**9
        self.watch.look_round()

    def kept(self) -> Kept:
        return Kept(self.utc, self.steady, {}, house=self.watch.memory)

    def _tell(self, events: Sequence[Event], _watch: KeptWatch) -> None:
        self.told += events


@pytest.mark.parametrize("before_ns", [10**9, NOON_NS - 60 * 10**9])
def test_a_clock_that_is_set_right_over_a_restart_escalates_nothing(before_ns: int) -> None:
    site = Site(before_ns)
    site.look()
    assert [event.kind for event in site.told] == [EventKind.ALARM_RAISED]
    after = Site(NOON_NS, 5_000_000_000)
    after.watch.restore(site.kept())
    after.look()
    assert after.told == [], "a minute passed at most, or nobody knows: not the years since 1970"
    (standing,) = after.watch.standings
    assert standing.phase is AlarmPhase.UNACKNOWLEDGED
    after.look(900)
    assert [event.kind for event in after.told] == [EventKind.ALARM_ESCALATED]


def test_the_alarm_of_a_line_that_is_taken_out_ends() -> None:
    site = Site(NOON_NS)
    site.look()
    site.lines = ["other"]
    site.connected = True
    site.look()
    raised, ended = site.told
    assert (raised.kind, raised.subject) == (EventKind.ALARM_RAISED, "line_lost.bus")
    assert (ended.kind, ended.subject) == (EventKind.ALARM_RETURNED, "line_lost.bus")
    assert ended.standing is not None
    assert ended.standing.phase is AlarmPhase.NORMAL
    assert ended.reason is not None
    assert ended.reason.text == "nobody watches for it any more, by the site file"
    site.look()
    assert len(site.told) == 2
    assert [each.standing.name for each in site.watch.alarms()] == ["line_lost.other"]


def test_its_alarms_are_listed_as_of_the_last_look_without_another() -> None:
    site = Site(NOON_NS)
    site.look()
    looks = site.looks
    assert [(each.standing.name, each.standing.phase) for each in site.watch.alarms()] == [
        ("line_lost.bus", AlarmPhase.UNACKNOWLEDGED)
    ]
    assert site.looks == looks, "each snapshot lists them"


def test_what_somebody_does_is_listed_at_once() -> None:
    site = Site(NOON_NS)
    site.look()
    site.watch.act(AlarmCommand(AlarmVerb.ACKNOWLEDGE, "line_lost.bus", "kim"))
    assert site.told[-1].kind is EventKind.ALARM_ACKNOWLEDGED
    assert [each.standing.phase for each in site.watch.alarms()] == [AlarmPhase.ACKNOWLEDGED]
