"""Alarms of the level: 100 m3 a metre up to 10 m, limits at 1, 9, 9.3 and 9.6 m, the reference height at 10.5 m."""

import math
import struct
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate, failed, unwatched
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import GaugeKind, GaugePlan, HeadPlan, LimitPlan, TankPlan
from gateway.records import Input, Quality, Reason, ReasonCode, TankInput
from gateway.tank_state import AlarmKind, LimitTime, Motion
from gateway.watch.alarms.condition import Condition
from gateway.watch.conditions import conditions
from gateway.watch.plan import WatchPlan
from tests.support.plans import bad, good, sheet, straight_input, straight_plan, uncertain
from tests.watch.conditions_yard import MAINTENANCE, alarm, course, in_maintenance, inputs, judged, two_gauges

HIGHS = (
    (AlarmKind.MAXIMUM_WORKING, 9.0),
    (AlarmKind.HIGH_HIGH, 9.3),
    (AlarmKind.CRITICAL_HIGH, 9.6),
)
HIGH_HIGH, MINIMUM, FILL = AlarmKind.HIGH_HIGH, AlarmKind.MINIMUM, AlarmKind.FILL_HIGH
LOST, SOON = AlarmKind.LEVEL_LOST, AlarmKind.HIGH_HIGH_SOON
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.mark.parametrize(("kind", "limit_m"), HIGHS)
def test_a_high_is_passed_at_its_very_level_and_left_below_its_deadband(kind: AlarmKind, limit_m: float) -> None:
    at = judged(kind, straight_input(limit_m), deadband=0.005)
    assert (at.active, at.value) == (True, limit_m)
    assert at.reason is not None
    assert at.reason.code is ReasonCode.ABOVE_LIMIT
    assert f"{limit_m:.3f} m" in at.reason.text
    between = judged(kind, straight_input(limit_m - 0.001), deadband=0.005)
    assert (between.active, between.inside) == (False, False)
    edge = judged(kind, straight_input(limit_m - 0.00499), deadband=0.005)
    assert (edge.active, edge.inside) == (False, False)
    inside = judged(kind, straight_input(limit_m - 0.006), deadband=0.005)
    assert inside == Condition(False, True, limit_m - 0.006)


@given(st.integers(0, 10_000))
def test_a_limit_in_millimetres_is_passed_by_the_float32_of_that_level(millimetres: int) -> None:
    limit_m = millimetres / 1000.0
    as_float32 = struct.unpack(">f", struct.pack(">f", limit_m))[0]
    plan = straight_plan(limits=LimitPlan(high_high_m=limit_m))
    assert judged(HIGH_HIGH, straight_input(as_float32), plan).active is True


def test_the_minimum_is_passed_below_its_level_and_left_a_deadband_above_it() -> None:
    below = judged(MINIMUM, straight_input(0.999), deadband=0.005)
    assert below.active is True
    assert below.value == 0.999
    assert below.reason is not None
    assert below.reason.code is ReasonCode.BELOW_LIMIT
    at = judged(MINIMUM, straight_input(1.0), deadband=0.005)
    assert (at.active, at.inside) == (False, False)
    assert judged(MINIMUM, straight_input(1.0049), deadband=0.005).inside is False
    assert judged(MINIMUM, straight_input(1.0051), deadband=0.005) == Condition(False, True, 1.0051)


@given(st.floats(-0.002, 0.002))
def test_a_ripple_of_2_mm_at_a_limit_lets_nothing_return(ripple_m: float) -> None:
    """With the deadband that the settings give a gauge of 1 mm, 5 mm."""
    for kind, limit_m in (*HIGHS, (MINIMUM, 1.0)):
        condition = judged(kind, straight_input(limit_m + ripple_m), deadband=0.005)
        assert condition.active or not condition.inside


def test_a_limit_that_the_tank_has_not_is_never_passed() -> None:
    bare = straight_plan(limits=LimitPlan())
    for kind in (*[kind for kind, _ in HIGHS], MINIMUM):
        assert judged(kind, straight_input(9.9), bare) == Condition(False)


def test_a_doubt_hides_no_high() -> None:
    given = straight_input(level=uncertain(9.31, ReasonCode.OVERDUE, "overdue"))
    assert judged(HIGH_HIGH, given).active is True


def test_a_jump_that_no_pump_can_do_raises_at_once() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    _, memory = calculate(plan, straight_input(6.0, steady_s=0.0), EMPTY_MEMORY)
    given = straight_input(9.7, steady_s=2.0)
    inventory, _ = calculate(plan, given, memory)
    assert inventory.figures.level.quality is Quality.UNCERTAIN
    assert inventory.figures.level.reasons[0].code is ReasonCode.RATE_IMPLAUSIBLE
    assert judged(AlarmKind.CRITICAL_HIGH, given, plan, inventory=inventory).active is True


@pytest.mark.parametrize("higher", ["level", "second_level"])
def test_the_higher_of_two_gauges_counts_for_highs_and_the_lower_for_the_minimum(higher: str) -> None:
    lower = {"level": "second_level", "second_level": "level"}[higher]
    plan = two_gauges()
    high = judged(HIGH_HIGH, inputs(**{higher: good(9.4), lower: good(2.0)}), plan)
    assert (high.active, high.value) == (True, 9.4)
    low = judged(MINIMUM, inputs(**{higher: good(5.0), lower: good(0.4)}), plan)
    assert (low.active, low.value) == (True, 0.4)
    assert judged(HIGH_HIGH, inputs(**{higher: good(9.298), lower: good(2.0)}), plan, deadband=0.005) == (
        Condition(False, False, 9.298)
    )


def test_a_level_above_all_that_can_be_raises_the_highs_with_its_reason() -> None:
    found = judged(AlarmKind.CRITICAL_HIGH, straight_input(10.6))
    assert found.active is True
    assert found.value == 10.6
    assert found.reason is not None
    assert found.reason.code is ReasonCode.ABOVE_REFERENCE_HEIGHT
    assert judged(FILL, straight_input(10.6), limit=0.9).active is True
    assert judged(LOST, straight_input(10.6)).active is True
    assert judged(MINIMUM, straight_input(10.6)).active is None


@pytest.mark.parametrize("higher", ["level", "second_level"])
def test_nor_does_a_gauge_that_stands_in_hide_it(higher: str) -> None:
    lower = {"level": "second_level", "second_level": "level"}[higher]
    given = inputs(**{higher: good(10.6), lower: good(5.0)})
    found = judged(HIGH_HIGH, given, two_gauges())
    assert found.active is True
    assert found.reason is not None
    assert found.reason.code is ReasonCode.ABOVE_REFERENCE_HEIGHT


def test_nor_does_a_dip_that_stands_in() -> None:
    given = straight_input(10.6, dip_level=good(5.0, source="dip"))
    inventory = sheet(straight_plan(), given)
    assert inventory.figures.level.value == 5.0
    assert judged(HIGH_HIGH, given, inventory=inventory).active is True


@pytest.mark.parametrize(("metres", "active"), [(11.0, True), (9.7, False)])
def test_nor_does_a_dip_where_the_level_comes_from_a_pressure(metres: float, active: bool) -> None:
    """A column of 800 kg/m3 above the nozzle weighs 800 x 9.80665 Pa a metre; no liquid stands above 10.5 m.

    The transmitter is out of order at 9.7 m, and the dip of 5 m is the level.
    """
    plan = straight_plan(gauge=HeadPlan(0.0))
    pressure = good(metres * 800.0 * 9.80665) if active else bad(ReasonCode.SENTINEL)
    given = straight_input(level=None, bottom_pressure=pressure, dip_level=good(5.0, source="dip"))
    inventory = sheet(plan, given)
    assert inventory.figures.level.value == 5.0
    assert judged(HIGH_HIGH, given, plan, inventory=inventory).active is active


def test_a_level_above_the_table_is_a_level() -> None:
    """Story 9: the table ends at 10 m, the level stands at 10.2 m: no volume, and the alarms stay."""
    found = judged(AlarmKind.CRITICAL_HIGH, straight_input(10.2))
    assert (found.active, found.value) == (True, 10.2)
    assert judged(LOST, straight_input(10.2)).active is False
    full = judged(FILL, straight_input(10.2), limit=0.9)
    assert full.active is True
    assert full.reason is not None
    assert full.reason.code is ReasonCode.OUTSIDE_TABLE


def test_a_level_below_all_that_can_be_raises_the_minimum_and_no_high() -> None:
    found = judged(MINIMUM, straight_input(-0.021))
    assert found.active is True
    assert found.reason is not None
    assert found.reason.code is ReasonCode.BELOW_DATUM
    assert judged(HIGH_HIGH, straight_input(-0.021)).active is None


def test_without_a_level_they_stay_what_they_are_and_the_loss_is_told() -> None:
    given = straight_input(level=bad())
    for kind in (*[kind for kind, _ in HIGHS], MINIMUM, FILL):
        assert judged(kind, given, limit=0.9).active is None
    lost = judged(LOST, given)
    assert lost.active is True
    assert lost.reason is not None
    assert lost.reason.code is ReasonCode.NO_ANSWER
    assert lost.reason.text == "no gauge gives a level: no answer"


def test_a_dip_is_a_level_and_does_not_move() -> None:
    given = straight_input(level=bad(), dip_level=good(9.4, source="dip"))
    assert judged(HIGH_HIGH, given).active is True
    assert judged(LOST, given).active is True


def test_without_a_gauge_the_dip_is_the_level_until_it_ends() -> None:
    plan = straight_plan(gauge=None)
    assert judged(LOST, straight_input(level=None, dip_level=good(5.0, source="dip")), plan) == Condition(False)
    ended = Input(None, Quality.BAD, Reason(ReasonCode.MANUAL_EXPIRED, "expired"), 90_000.0, "dip", manual=True)
    assert judged(LOST, straight_input(level=None, dip_level=ended), plan).active is True


def test_the_second_gauge_alone_is_enough() -> None:
    given = straight_input(level=bad(), second_level=good(9.4))
    assert judged(HIGH_HIGH, given, two_gauges()).active is True
    assert judged(LOST, given, two_gauges()).active is False


def test_a_sheet_that_failed_hides_no_high() -> None:
    plan, given = two_gauges(), straight_input(9.7, second_level=good(3.0))
    inventory = failed(plan, given, EMPTY_MEMORY, "boom")
    assert judged(AlarmKind.CRITICAL_HIGH, given, plan, inventory=inventory).active is True
    assert judged(MINIMUM, given, plan, inventory=inventory).active is False
    lost = judged(LOST, given, plan, inventory=inventory)
    assert lost.active is True
    assert lost.reason is not None
    assert lost.reason.code is ReasonCode.CALCULATION_FAILED


def test_a_tank_that_nobody_watches_is_not_judged() -> None:
    plan, given = straight_plan(), straight_input(9.7)
    inventory = unwatched(plan, given, EMPTY_MEMORY, sheet(plan, given))
    for kind in (AlarmKind.CRITICAL_HIGH, LOST, AlarmKind.INSTRUMENT_FAILED, AlarmKind.DENSITY_DOUBTFUL):
        assert judged(kind, given, plan, inventory=inventory) == Condition(None)


def test_the_fill_is_a_part_of_the_capacity_by_the_highest_gauge() -> None:
    """100 m3 a metre of 1,000 m3: 8.5 m are 85 %."""
    found = judged(FILL, straight_input(8.5), limit=0.85, deadband=0.002)
    assert found.active is True
    assert found.value == pytest.approx(0.85)
    assert found.reason is not None
    assert found.reason.text == "the tank is 85.0 % full, the limit is 85.0 %"
    assert judged(FILL, straight_input(8.49), limit=0.85, deadband=0.002).inside is False
    assert judged(FILL, straight_input(8.47), limit=0.85, deadband=0.002).inside is True
    by_second = judged(FILL, straight_input(3.0, second_level=good(8.6)), two_gauges(), limit=0.85)
    assert by_second.active is True
    assert by_second.value == pytest.approx(0.86)


def _ahead(in_s: float) -> LimitTime:
    return LimitTime("high_high", 9.3, in_s, NOON)


def test_high_high_is_near_when_less_is_left_than_it_takes_to_act() -> None:
    """At 300 m3/h on 100 m3 a metre a metre takes 20 min: 0.7 m below high-high it is 14 min away."""
    moves = course(300.0 / 3600.0, _ahead(840.0), motion=Motion.FILLING)
    found = judged(SOON, moves=moves, limit=900.0, deadband=60.0)
    assert (found.active, found.value) == (True, 840.0)
    assert found.reason is not None
    assert found.reason.code is ReasonCode.TIME_SHORT
    assert "14 min away at 300.0 m3/h, and to act takes 15 min" in found.reason.text
    at = judged(SOON, moves=course(0.08, _ahead(900.0)), limit=900.0, deadband=60.0)
    assert (at.active, at.inside) == (False, False)
    assert judged(SOON, moves=course(0.08, _ahead(960.0)), limit=900.0, deadband=60.0).inside is True


def test_the_time_to_high_high_goes_by_the_highest_level_that_a_gauge_gives() -> None:
    """100 m3 a metre at 360 m3/h: 0.1 m is 100 s. The sheet goes on with the first gauge at 8 m, 1,000 s below 9 m, and
    the other one says 8.2 m: 800 s."""
    plan, moves = two_gauges(), course(0.1, _ahead(1000.0), motion=Motion.FILLING)
    for second_m, expected_s in ((8.2, 800.0), (7.8, 1000.0), (9.5, 0.0), (99.0, 1000.0)):
        given = straight_input(level=good(8.0))._replace(second_level=good(second_m))
        found = judged(SOON, given, plan, moves=moves, limit=900.0, deadband=60.0)
        assert found.value == pytest.approx(expected_s)
        assert found.active is (expected_s < 900.0)
        if found.active:
            assert found.reason is not None
            assert f"from the higher gauge's {second_m:.3f} m" in found.reason.text
    broken = straight_input(level=good(8.0))._replace(second_level=in_maintenance(8.5))
    assert judged(SOON, broken, plan, moves=moves, limit=900.0).active is False, "somebody works on it"


def test_a_tank_that_does_not_fill_has_time_and_one_of_unknown_rate_is_not_judged() -> None:
    assert judged(SOON, moves=course(0.0), limit=900.0) == Condition(False)
    assert judged(SOON, moves=course(-0.1, LimitTime("minimum", 1.0, 60.0, NOON)), limit=900.0).active is False
    assert judged(SOON, moves=course(None), limit=900.0).active is None


def test_maintenance_of_the_only_gauge_suppresses_by_design() -> None:
    high = judged(HIGH_HIGH, straight_input(level=in_maintenance(9.7)))
    assert high.active is True
    assert high.suppressed == MAINTENANCE
    low = judged(HIGH_HIGH, straight_input(level=in_maintenance(5.0)))
    assert low.active is False
    assert low.suppressed == MAINTENANCE
    none = judged(HIGH_HIGH, straight_input(level=in_maintenance(None)))
    assert none.active is None
    assert none.suppressed == MAINTENANCE
    assert judged(LOST, straight_input(level=in_maintenance(None))).suppressed == MAINTENANCE
    assert judged(LOST, straight_input(level=in_maintenance(5.0))) == Condition(False, suppressed=MAINTENANCE)


@pytest.mark.parametrize("serviced", ["level", "second_level"])
def test_a_high_that_another_gauge_sees_is_never_suppressed(serviced: str) -> None:
    other = {"level": "second_level", "second_level": "level"}[serviced]
    plan = two_gauges()
    for value in (None, 2.0, 9.7):
        seen = judged(HIGH_HIGH, inputs(**{serviced: in_maintenance(value), other: good(9.4)}), plan)
        assert (seen.active, seen.suppressed) == (True, None), value
    beyond = judged(HIGH_HIGH, inputs(**{serviced: in_maintenance(9.7), other: good(10.6)}), plan)
    assert (beyond.active, beyond.suppressed) == (True, None)
    alone = judged(HIGH_HIGH, inputs(**{serviced: in_maintenance(9.7), other: good(5.0)}), plan)
    assert (alone.active, alone.suppressed) == (True, MAINTENANCE)
    quiet = judged(HIGH_HIGH, inputs(**{serviced: in_maintenance(5.0), other: good(5.0)}), plan)
    assert (quiet.active, quiet.suppressed) == (False, None)


@pytest.mark.parametrize("serviced", ["level", "second_level"])
def test_a_gauge_that_fails_while_the_other_is_in_maintenance_is_a_level_lost(serviced: str) -> None:
    other = {"level": "second_level", "second_level": "level"}[serviced]
    found = judged(LOST, inputs(**{serviced: in_maintenance(5.0), other: bad()}), two_gauges())
    assert (found.active, found.suppressed) == (True, None)


def test_the_other_gauge_keeps_the_level_while_one_is_in_maintenance() -> None:
    found = judged(LOST, straight_input(level=in_maintenance(None), second_level=good(5.0)), two_gauges())
    assert found == Condition(False)


def test_the_level_by_pressure_in_maintenance_suppresses_as_a_gauge_does() -> None:
    plan = straight_plan(gauge=HeadPlan(0.0))
    given = straight_input(level=None, bottom_pressure=in_maintenance(9.4 * 800.0 * 9.80665))
    found = judged(HIGH_HIGH, given, plan)
    assert found.active is True
    assert found.suppressed == MAINTENANCE


_LEVELS = st.one_of(st.floats(0.0, 10.4), st.sampled_from((0.999, 1.0, 8.999, 9.0, 9.3, 9.6, 9.599, 10.4)))
_DOUBTS = st.sampled_from(
    (
        None,
        Reason(ReasonCode.OVERDUE, "overdue"),
        Reason(ReasonCode.LOOP_OUTSIDE_SPAN, "off span"),
        MAINTENANCE,
    )
)


def _gauge_input(level_m: float, doubt: Reason | None) -> Input:
    return Input(level_m, Quality.GOOD if doubt is None else Quality.UNCERTAIN, doubt, 1.0, "X.s")


_GAUGES = st.one_of(
    st.builds(_gauge_input, _LEVELS, _DOUBTS),
    st.builds(bad, st.sampled_from((ReasonCode.NO_ANSWER, ReasonCode.SENTINEL, ReasonCode.STALE))),
    st.just(good(11.0)),
    st.just(good(-0.5)),
)
_ANY = st.one_of(
    st.none(),
    st.just(bad()),
    st.floats(-50.0, 2000.0).map(good),
    st.sampled_from((math.nan, math.inf)).map(good),
    st.just(in_maintenance(5.0)),
)


@st.composite
def _wrong_worlds(draw: st.DrawFn) -> tuple[TankPlan, TankInput]:
    """Two gauges, and whatever else may be wrong."""
    plan = two_gauges(
        maximum_flow_in_m3_s=draw(st.sampled_from((None, 0.1))),
        maximum_flow_out_m3_s=draw(st.sampled_from((None, 0.1))),
    )
    given = straight_input(
        level=draw(_GAUGES),
        second_level=draw(st.none() | _GAUGES),
        dip_level=draw(st.none() | st.just(good(5.0, source="dip"))),
        water=draw(_ANY),
        vapour_pressure=draw(_ANY),
        ambient=draw(_ANY),
        reference_density=draw(_ANY),
        elements=tuple(draw(_ANY.filter(lambda each: each is not None)) for _ in range(4)),
        clock_doubt=draw(st.none() | st.just(Reason(ReasonCode.CLOCK_UNTRUSTED, "1970"))),
        steady_s=100.0,
    )
    return plan, given


@settings(max_examples=300)
@given(_wrong_worlds(), st.floats(0.0, 10.0), st.booleans())
def test_a_high_by_any_valid_gauge_is_active_whatever_else_is_wrong(
    world: tuple[TankPlan, TankInput], before_m: float, is_failed: bool
) -> None:
    """And is suppressed only where the gauges that show it are in maintenance."""
    plan, given = world
    _, memory = calculate(plan, straight_input(before_m, second_level=good(before_m), steady_s=98.0), EMPTY_MEMORY)
    inventory = failed(plan, given, memory, "boom") if is_failed else calculate(plan, given, memory)[0]
    watch = WatchPlan("TK-1", alarms=tuple(alarm(kind, deadband=0.005) for kind, _ in HIGHS))
    found = conditions(watch, plan, given, inventory, course(), None)
    shown = [each for each in (given.level, given.second_level) if each is not None and each.value is not None]
    for kind, limit_m in HIGHS:
        passing = [each for each in shown if each.value is not None and each.value >= limit_m]
        if passing:
            assert found[kind].active is True
            is_sure = any(each.reason is not MAINTENANCE for each in passing)
            assert (found[kind].suppressed is None) is is_sure
        elif any(each.value is not None and -0.02 <= each.value < limit_m - 1e-5 for each in shown):
            assert found[kind].active is False


@given(_LEVELS, st.integers(1, 50))
def test_no_condition_is_active_and_inside(level_m: float, deadband_mm: int) -> None:
    plan, given = straight_plan(), straight_input(level_m)
    watch = WatchPlan(
        "TK-1", alarms=tuple(alarm(kind, deadband=deadband_mm / 1000.0) for kind in (*[k for k, _ in HIGHS], MINIMUM))
    )
    for condition in conditions(watch, plan, given, sheet(plan, given), course(), None).values():
        assert not (condition.active and condition.inside)


def test_an_ullage_gauge_is_a_level_too_when_the_sheet_failed() -> None:
    plan = straight_plan(gauge=GaugePlan(GaugeKind.ULLAGE))
    given = straight_input(level=good(0.8))
    found = judged(AlarmKind.CRITICAL_HIGH, given, plan, inventory=failed(plan, given, EMPTY_MEMORY, "boom"))
    assert found.active is True
    assert found.value == pytest.approx(9.7)
