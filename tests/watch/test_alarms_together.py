"""All alarms of a tank: in order, first-up, with plans that change, and read back after a restart."""

import contextlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.plain_form import PlainForm
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from gateway.watch.alarms.alarm import next_alarm
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.memory import AlarmMemory, first_memory
from gateway.watch.alarms.together import (
    Alarms,
    alarms_now,
    apply_to,
    by_kind,
    next_alarms,
    next_named_alarms,
    standings,
)
from gateway.watch.plan import AlarmPlan
from tests.watch.alarm_life import MAINTENANCE, NOON, OFF, ON, UNKNOWN, plan_of

HIGH_HIGH, WORKING, WATER = AlarmKind.HIGH_HIGH, AlarmKind.MAXIMUM_WORKING, AlarmKind.WATER_HIGH
PLANS = (
    plan_of(WATER, Priority.LOOK),
    plan_of(WORKING, Priority.SOON),
    plan_of(HIGH_HIGH, Priority.NOW),
)


_CONDITIONS = st.sampled_from((ON, ON, OFF, OFF, UNKNOWN, ON._replace(suppressed=MAINTENANCE)))
_VERBS = st.sampled_from((None, None, *[verb for verb in AlarmVerb if verb is not AlarmVerb.OUT_OF_SERVICE]))
_KINDS = st.sampled_from([plan.kind for plan in PLANS])


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
    def first_up(self) -> list[str]:
        """Those that are not normal and belong to an incident, as they were raised."""
        ordered = [each for each in self.now.standings if each.order is not None]
        return [each.name for each in sorted(ordered, key=lambda each: each.order or 0)]

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
    assert tank.first_up == ["maximum_working", "high_high", "water_high"]
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


def test_every_alarm_is_told_with_what_to_do_normal_or_not() -> None:
    tank = Tank()
    assert alarms_now("TK-1", by_kind(PLANS), {}) == (), "none has been judged yet"
    tank.active(WORKING)
    told = alarms_now("TK-1", by_kind(PLANS), tank.now.memories)
    assert [(each.tank, each.standing.name, each.standing.phase) for each in told] == [
        ("TK-1", "water_high", AlarmPhase.NORMAL),
        ("TK-1", "maximum_working", AlarmPhase.UNACKNOWLEDGED),
        ("TK-1", "high_high", AlarmPhase.NORMAL),
    ]
    assert told[1][2:] == (PLANS[1].consequence, PLANS[1].action, PLANS[1].response_s)
    assert told[1].standing == tank.now.standings[0]


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


@given(st.lists(st.tuples(st.lists(_CONDITIONS, min_size=3, max_size=3), _VERBS, _KINDS), max_size=40))
def test_all_together_go_as_each_would_alone(
    steps: list[tuple[list[Condition], AlarmVerb | None, AlarmKind]],
) -> None:
    """Whatever happens: each alarm goes as it would alone, the list is sorted, and one that is raised as none of the
    incident's alarms comes behind all of them."""
    tank = Tank()
    alone = {plan.kind: first_memory(NOON + timedelta(seconds=1)) for plan in PLANS}
    for conditions, verb, which in steps:
        before = tank.orders
        tank.sheet(dict(zip(alone, conditions, strict=True)))
        told: list[Event] = []
        for plan, condition in zip(PLANS, conditions, strict=True):
            name, order = plan.kind.value, tank.orders[plan.kind.value]
            assert order in (0, before.get(name, 0)) or order > max(before.values(), default=0)
            alone[plan.kind], events = next_alarm(
                plan, name, alone[plan.kind], condition, tank.instant, 50.0 + tank.seconds, order=order
            )
            told += events
        assert list(tank.now.events) == told
        if verb is not None:
            with contextlib.suppress(AlarmRefusedError):
                tank.does(verb, which, for_s=3.0)
                alone[which] = tank.now.memories[which.value]
        assert tank.now.memories == alone
        orders = [order for order in tank.orders.values() if order]
        assert len(set(orders)) == len(orders)
        places = [_place(each) for each in tank.now.standings]
        assert places == sorted(places)


def _place(standing: AlarmStanding) -> tuple[object, ...]:
    waits, hidden = ("unacknowledged", "returned"), ("shelved", "suppressed", "out_of_service")
    return standing.phase.value in hidden, list(Priority).index(standing.priority), standing.phase.value not in waits
