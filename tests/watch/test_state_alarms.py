"""Alarms of what is so or is not: instruments, gauges, movement, loss, density and roof."""

from dataclasses import replace

import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import DensityWindow, FlowPlan, ProductPlan, RoofPlan, TankPlan
from gateway.records import Input, Inventory, Quality, Reason, ReasonCode, TankInput, because
from gateway.tank_state import AlarmKind, Motion
from gateway.watch.alarms.condition import Condition
from tests.support.plans import StraightLineMethod, bad, good, sheet, straight_input, straight_plan, uncertain
from tests.watch.conditions_yard import MAINTENANCE, course, in_maintenance, inputs, judged, two_gauges

FAILED, STALE = AlarmKind.INSTRUMENT_FAILED, AlarmKind.DATA_STALE
DENSITY, LOSS = AlarmKind.DENSITY_DOUBTFUL, AlarmKind.SLOW_LOSS
SILENT = (
    ReasonCode.NOT_YET_READ,
    ReasonCode.STALE,
    ReasonCode.DEVICE_STALE,
    ReasonCode.NO_CONNECTION,
    ReasonCode.NO_ANSWER,
    ReasonCode.BAD_FRAME,
    ReasonCode.DEVICE_STILL_WORKING,
    ReasonCode.DEVICE_BUSY,
    ReasonCode.PATH_UNAVAILABLE,
    ReasonCode.TARGET_SILENT,
)
WRONG = (
    ReasonCode.DEVICE_EXCEPTION,
    ReasonCode.SENTINEL,
    ReasonCode.NOT_A_NUMBER,
    ReasonCode.IMPOSSIBLE_NUMBER,
    ReasonCode.OUT_OF_RANGE,
    ReasonCode.LOOP_FAILED,
    ReasonCode.INSTRUMENT_FAULT,
    ReasonCode.DUPLICATE_ADDRESS,
    ReasonCode.ANSWERS_SHIFTED,
)


def _broken(code: ReasonCode, source: str = "TT-1.t3") -> Input:
    return Input(None, Quality.BAD, Reason(code, "why"), 1.0, source)


@pytest.mark.parametrize("code", [*SILENT, *WRONG])
def test_a_signal_that_is_bad_is_either_silent_or_failed(code: ReasonCode) -> None:
    elements = (good(15.0), good(15.0), _broken(code), good(15.0))
    failed = judged(FAILED, straight_input(elements=elements))
    stale = judged(STALE, straight_input(elements=elements))
    # Whether a signal that is not heard of would be a failed one, nobody knows.
    assert failed.active is (True if code in WRONG else None)
    assert stale.active is (code in SILENT)
    told = failed if failed.active else stale
    assert told.reason is not None
    assert told.reason.code is code
    assert "TT-1.t3" in told.reason.text


def test_a_failed_element_is_told_wet_or_dry_and_a_doubt_is_no_failure() -> None:
    """The level stands at 2 m: of the elements at 1, 3, 5 and 7 m the last is dry."""
    dry = straight_input(2.0, elements=(good(15.0), good(15.0), good(15.0), _broken(ReasonCode.SENTINEL, "TT-1.t4")))
    assert judged(FAILED, dry).active is True
    assert judged(FAILED, straight_input(level=uncertain(6.0))) == Condition(False)


def test_several_are_counted_gauges_first() -> None:
    broken = _broken(ReasonCode.SENTINEL)
    given = straight_input(
        level=_broken(ReasonCode.LOOP_FAILED, "LT-1.level"),
        elements=(broken, good(15.0), good(15.0), good(15.0)),
        ambient=_broken(ReasonCode.NO_ANSWER, "AT-1.outside"),
        flows=(_broken(ReasonCode.NO_ANSWER, "FT-1.flow"),),
    )
    found = judged(FAILED, given)
    assert found.reason is not None
    assert found.reason.text == "2 signals have failed, first LT-1.level: why"
    silent = judged(STALE, given)
    assert silent.reason is not None
    assert silent.reason.text == "nothing new of 2 signals, first AT-1.outside: why"


@pytest.mark.parametrize("field", ["level", "second_level", "bottom_pressure", "vapour_pressure", "water", "ambient"])
def test_every_signal_counts(field: str) -> None:
    assert judged(FAILED, inputs(**{field: _broken(ReasonCode.SENTINEL)})).active is True


def test_what_is_in_maintenance_is_not_told_and_hides_nothing_else() -> None:
    served = straight_input(elements=(in_maintenance(None), good(15.0), good(15.0), good(15.0)))
    assert judged(FAILED, served) == Condition(False, suppressed=MAINTENANCE)
    other = straight_input(elements=(in_maintenance(None), _broken(ReasonCode.SENTINEL), good(15.0), good(15.0)))
    found = judged(FAILED, other)
    assert (found.active, found.suppressed) == (True, None)


def test_maintenance_may_be_the_cause_of_what_is_said() -> None:
    why = because(ReasonCode.STALE, "nothing since {cause}", cause=MAINTENANCE)
    given = straight_input(level=Input(None, Quality.BAD, why, 99.0, "LT-1.level"))
    assert judged(STALE, given) == Condition(False, suppressed=MAINTENANCE)
    assert judged(AlarmKind.LEVEL_LOST, given).suppressed == MAINTENANCE


def _over_time(plan: TankPlan, steps: list[tuple[float, TankInput]]) -> Inventory:
    memory = EMPTY_MEMORY
    inventory = None
    for steady_s, given in steps:
        inventory, memory = calculate(plan, given._replace(steady_s=steady_s), memory)
    assert inventory is not None
    return inventory


def test_gauges_disagree_after_ten_minutes() -> None:
    """20 mm apart, twice the limit, for 600 s."""
    given = straight_input(6.0, second_level=good(6.02))
    plan = two_gauges()
    early = _over_time(plan, [(0.0, given), (300.0, given), (599.0, given)])
    assert judged(AlarmKind.GAUGES_DISAGREE, given, plan, inventory=early).active is False
    proven = _over_time(plan, [(0.0, given), (300.0, given), (600.0, given)])
    found = judged(AlarmKind.GAUGES_DISAGREE, given, plan, inventory=proven)
    assert found.active is True
    assert found.reason is not None
    assert found.reason.code is ReasonCode.GAUGES_DISAGREE
    served = given._replace(second_level=in_maintenance(6.02))
    assert judged(AlarmKind.GAUGES_DISAGREE, served, plan, inventory=proven).suppressed == MAINTENANCE


def test_with_nothing_to_compare_the_gauges_are_not_judged() -> None:
    assert judged(AlarmKind.GAUGES_DISAGREE, straight_input(second_level=bad()), two_gauges()).active is None


def test_a_level_that_stands_still_while_something_flows() -> None:
    """Story 19: 200 m3/h for 6 min and the level at 6.000 m all the time."""
    plan = straight_plan(flows=(FlowPlan("FT-1", into=True),))
    given = straight_input(6.0, flows=(good(200.0 / 3600.0),))
    still = _over_time(plan, [(10.0 * step, given) for step in range(60)])
    assert any(reason.code is ReasonCode.LEVEL_FROZEN for reason in still.figures.level.reasons)
    found = judged(AlarmKind.LEVEL_FROZEN, given, plan, inventory=still)
    assert found.active is True
    assert judged(AlarmKind.LEVEL_FROZEN, given, plan).active is False


@pytest.mark.parametrize("kind", [AlarmKind.LEVEL_FROZEN, AlarmKind.WRONG_WAY, AlarmKind.UNSCHEDULED_MOVEMENT])
def test_findings_of_the_course(kind: AlarmKind) -> None:
    reason = Reason(ReasonCode.MOVES_UNSCHEDULED, "it moves")
    found = judged(kind, moves=course(findings={kind: reason}))
    assert (found.active, found.reason) == (True, reason)
    assert judged(kind, moves=course()) == Condition(False)
    assert judged(kind, moves=course(motion=Motion.UNKNOWN)).active is None
    assert judged(kind, straight_input(level=bad()), moves=course()).active is None
    served = judged(kind, straight_input(level=in_maintenance(6.0)), moves=course(findings={kind: reason}))
    assert served.suppressed == MAINTENANCE


def test_a_slow_loss() -> None:
    reason = Reason(ReasonCode.SLOW_LOSS, "it loses")
    assert judged(LOSS, loss=reason) == Condition(True, False, None, reason)
    assert judged(LOSS) == Condition(False)
    assert judged(LOSS, straight_input(level=bad())).active is None
    assert judged(LOSS, straight_input(level=in_maintenance(6.0)), loss=reason).suppressed == MAINTENANCE


@pytest.mark.parametrize("code", [ReasonCode.DENSITY_UNDATED, ReasonCode.MANUAL_EXPIRED, ReasonCode.CLOCK_UNTRUSTED])
def test_a_density_that_nobody_vouches_for(code: ReasonCode) -> None:
    doubted = Input(800.0, Quality.UNCERTAIN, Reason(code, "why"), 0.0, "site file", manual=True)
    found = judged(DENSITY, straight_input(reference_density=doubted))
    assert found.active is True
    assert found.reason is not None
    assert found.reason.code is code
    assert judged(DENSITY) == Condition(False)
    none = judged(DENSITY, straight_input(reference_density=None))
    assert none.active is True


def test_a_density_outside_the_window_of_its_product() -> None:
    product = ProductPlan("straight oil", StraightLineMethod(), density_window=DensityWindow(700.0, 780.0))
    found = judged(DENSITY, plan=straight_plan(product=product))
    assert found.active is True
    assert found.reason is not None
    assert found.reason.code is ReasonCode.DENSITY_OUTSIDE_WINDOW


def test_a_product_that_needs_no_density_has_none_to_doubt() -> None:
    product = ProductPlan("water", replace(StraightLineMethod(), needs_density=False))
    assert judged(DENSITY, straight_input(reference_density=None), straight_plan(product=product)) == Condition(False)


@pytest.mark.parametrize(
    ("level_m", "landed", "critical"),
    [(1.59, True, False), (1.61, False, True), (1.99, False, True), (2.01, False, False)],
)
def test_the_roof(level_m: float, landed: bool, critical: bool) -> None:
    """It stands on its legs below 1.6 m, and floats above 2 m."""
    plan = straight_plan(roof=RoofPlan(46000.0, 1.6, 2.0))
    given = straight_input(level_m)
    on_legs, between = judged(AlarmKind.ROOF_LANDED, given, plan), judged(AlarmKind.ROOF_CRITICAL, given, plan)
    assert (on_legs.active, between.active) == (landed, critical)
    if landed:
        assert on_legs.reason is not None
        assert "vapour hazard" in on_legs.reason.text
    assert judged(AlarmKind.ROOF_LANDED, straight_input(level=bad()), plan).active is None


def test_a_tank_without_a_roof_is_not_judged_for_one() -> None:
    assert sheet().level_state.roof is None
    assert judged(AlarmKind.ROOF_LANDED).active is None
