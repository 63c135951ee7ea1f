"""All alarms of a tank: in order, first-up, with plans that change, and read back after a restart."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

import orjson
import pytest

from gateway.plain_form import PlainForm
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.alarms.together import (
    Alarms,
    apply_to,
    by_kind,
    next_alarms,
    next_named_alarms,
    standings,
)
from gateway.watch.plan import AlarmPlan
from tests.watch.alarm_life import NOON, OFF, ON, UNKNOWN, plan_of

HIGH_HIGH, WORKING, WATER = AlarmKind.HIGH_HIGH, AlarmKind.MAXIMUM_WORKING, AlarmKind.WATER_HIGH
PLANS = (
    plan_of(WATER, Priority.LOOK),
    plan_of(WORKING, Priority.SOON),
    plan_of(HIGH_HIGH, Priority.NOW),
)


class Kept(NamedTuple):
    """The memory of a tank's alarms, as a member of a record."""

    memories: Mapping[str, AlarmMemory]


class Tank:
    """The alarms of one tank from sheet to sheet, one a second."""

    def __init__(self, plans: tuple[AlarmPlan, ...] = PLANS) -> None:
        self.plans = plans
        self.seconds = 0
        self.now = Alarms({}, (), ())

    @property
    def instant(self) -> datetime:
        return NOON + timedelta(seconds=self.seconds)

    def sheet(self, conditions: Mapping[AlarmKind, Condition]) -> list[tuple[str, AlarmPhase]]:
        self.seconds += 1
        self.now = next_alarms(self.plans, self.now.memories, conditions, self.instant, 50.0 + self.seconds)
        return self.shown

    def active(self, *kinds: AlarmKind) -> list[tuple[str, AlarmPhase]]:
        return self.sheet({plan.kind: ON if plan.kind in kinds else OFF for plan in self.plans})

    def does(self, verb: AlarmVerb, kind: AlarmKind, for_s: float | None = None) -> list[tuple[str, AlarmPhase]]:
        until = None if for_s is None else self.instant + timedelta(seconds=for_s)
        command = AlarmCommand(verb, kind.value, "ann", until=until)
        self.now = apply_to(command, by_kind(self.plans), self.now.memories, self.instant, 50.0 + self.seconds)
        return self.shown

    @property
    def shown(self) -> list[tuple[str, AlarmPhase]]:
        assert self.now.standings == standings(by_kind(self.plans), self.now.memories)
        return [(each.name, each.phase) for each in self.now.standings]

    @property
    def orders(self) -> dict[str, int]:
        return {name: memory.order for name, memory in self.now.memories.items()}


def test_all_begin_as_normal_and_nothing_is_made_anew_while_they_are() -> None:
    tank = Tank()
    assert tank.active() == []
    assert set(tank.now.memories) == {"water_high", "maximum_working", "high_high"}
    assert all(type(name) is str for name in tank.now.memories), "text like any other, so that it can be written"
    before = tank.now.memories
    assert tank.active() == []
    assert tank.now.memories is before
    assert tank.now.events == ()


def test_first_things_first() -> None:
    """By priority; then what waits for somebody; then as it was raised; what is hidden comes last."""
    unheard, heard, returned, shelved = (
        AlarmPhase.UNACKNOWLEDGED,
        AlarmPhase.ACKNOWLEDGED,
        AlarmPhase.RETURNED,
        AlarmPhase.SHELVED,
    )
    soon = [AlarmKind.MINIMUM, AlarmKind.PRESSURE_HIGH, AlarmKind.TEMPERATURE_HIGH, AlarmKind.LEVEL_LOST]
    tank = Tank((*PLANS, *[plan_of(kind, Priority.SOON) for kind in soon]))
    tank.active(WATER)
    tank.active(WATER, AlarmKind.MINIMUM)
    tank.active(WATER, AlarmKind.MINIMUM, AlarmKind.LEVEL_LOST)
    tank.active(WATER, AlarmKind.MINIMUM, AlarmKind.LEVEL_LOST, AlarmKind.PRESSURE_HIGH)
    everything = (WATER, AlarmKind.MINIMUM, AlarmKind.PRESSURE_HIGH, AlarmKind.TEMPERATURE_HIGH, HIGH_HIGH)
    tank.active(AlarmKind.LEVEL_LOST, *everything)
    tank.does(AlarmVerb.ACKNOWLEDGE, AlarmKind.MINIMUM)
    tank.does(AlarmVerb.SHELVE, HIGH_HIGH, for_s=600.0)
    assert tank.active(*everything) == [
        ("pressure_high", unheard),
        ("temperature_high", unheard),
        ("level_lost", returned),
        ("minimum", heard),
        ("water_high", unheard),
        ("high_high", shelved),
    ]


def test_which_alarm_of_an_incident_came_first_stands_whatever_the_clock_says() -> None:
    """Maximum working first, then high-high as the clock is set back: the order is kept, and begins anew with the
    next incident."""
    tank = Tank()
    tank.active(WORKING)
    tank.seconds -= 7200
    tank.active(WORKING, HIGH_HIGH)
    tank.active(WORKING, HIGH_HIGH, WATER)
    assert tank.orders == {"maximum_working": 1, "high_high": 2, "water_high": 3}
    tank.active(HIGH_HIGH)
    tank.active(WORKING, HIGH_HIGH)
    assert tank.orders["maximum_working"] == 1, "nobody acknowledged it, so it is of the same incident still"
    for kind in (WORKING, HIGH_HIGH, WATER):
        tank.does(AlarmVerb.ACKNOWLEDGE, kind)
    tank.active()
    assert set(tank.orders.values()) == {0}
    tank.active(WATER)
    tank.active(WATER, WORKING)
    assert tank.orders == {"maximum_working": 2, "high_high": 0, "water_high": 1}


def test_two_in_one_sheet_are_in_the_order_of_the_plan() -> None:
    tank = Tank()
    tank.active(HIGH_HIGH, WATER)
    assert tank.orders == {"maximum_working": 0, "high_high": 2, "water_high": 1}


def test_one_raised_as_it_is_unshelved_is_the_last_of_its_incident() -> None:
    tank = Tank()
    tank.does(AlarmVerb.SHELVE, WORKING, for_s=600.0)
    tank.active(WORKING, HIGH_HIGH)
    tank.does(AlarmVerb.UNSHELVE, WORKING)
    assert tank.orders == {"maximum_working": 2, "high_high": 1, "water_high": 0}
    assert [event.kind for event in tank.now.events] == [EventKind.ALARM_UNSHELVED, EventKind.ALARM_RAISED]


def test_an_alarm_of_which_no_plan_speaks_is_forgotten_and_a_new_one_begins_as_normal() -> None:
    tank = Tank()
    tank.active(WORKING, HIGH_HIGH)
    tank.plans = (PLANS[1], plan_of(AlarmKind.MINIMUM, Priority.SOON))
    assert tank.active(WORKING) == [("maximum_working", AlarmPhase.UNACKNOWLEDGED)]
    assert set(tank.now.memories) == {"maximum_working", "minimum"}
    assert tank.now.events == ()
    tank.plans = PLANS
    assert tank.active(WORKING) == [("maximum_working", AlarmPhase.UNACKNOWLEDGED)]


def test_one_without_a_condition_cannot_be_judged() -> None:
    tank = Tank()
    tank.active(HIGH_HIGH)
    assert tank.sheet({}) == [("high_high", AlarmPhase.UNACKNOWLEDGED)]
    assert tank.sheet({HIGH_HIGH: UNKNOWN}) == [("high_high", AlarmPhase.UNACKNOWLEDGED)]


def test_alarms_with_names_of_their_own() -> None:
    plans = {
        "line_lost.north": plan_of(AlarmKind.LINE_LOST, Priority.SOON),
        "line_lost.south": plan_of(AlarmKind.LINE_LOST, Priority.SOON),
    }
    after = next_named_alarms(plans, {}, {"line_lost.south": ON, "line_lost.north": OFF}, NOON, 1.0)
    assert [(each.name, each.kind) for each in after.standings] == [("line_lost.south", AlarmKind.LINE_LOST)]
    assert [event.subject for event in after.events] == ["line_lost.south"]
    again = next_named_alarms(plans, after.memories, {"line_lost.south": ON}, NOON, 2.0)
    assert again.standings == after.standings
    assert again.events == ()


def test_a_command_to_an_alarm_that_is_none() -> None:
    command = AlarmCommand(AlarmVerb.ACKNOWLEDGE, "high", "ann")
    with pytest.raises(AlarmRefusedError) as caught:
        apply_to(command, by_kind(PLANS), {}, NOON, 1.0)
    assert str(caught.value) == ("there is no alarm 'high' here; there are high_high, maximum_working, water_high")


def test_a_command_before_the_first_sheet_is_remembered() -> None:
    tank = Tank()
    assert tank.does(AlarmVerb.SHELVE, HIGH_HIGH, for_s=600.0) == [("high_high", AlarmPhase.SHELVED)]
    assert tank.active(HIGH_HIGH) == [("high_high", AlarmPhase.SHELVED)]


def test_what_is_kept_of_fifteen_alarms_is_small_and_read_back_whole() -> None:
    """All of them raised and acknowledged with a reason: 15 of some 300 bytes; normal, 15 of less than 100."""
    kinds = list(AlarmKind)[:15]
    tank = Tank(tuple(plan_of(kind) for kind in kinds))
    tank.active()
    form = PlainForm(Kept)
    normal = orjson.dumps(form.to_plain(Kept(tank.now.memories)))
    tank.active(*kinds)
    for kind in kinds:
        tank.does(AlarmVerb.ACKNOWLEDGE, kind)
    raised = orjson.dumps(form.to_plain(Kept(tank.now.memories)))
    assert len(normal) < 1500
    assert len(raised) < 8000
    assert form.from_plain(orjson.loads(raised)).memories == tank.now.memories
