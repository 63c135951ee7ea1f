"""Free water: what the table holds at its level, and what the heel holds as the site declares it."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import FreeWaterSource, HeelContents, TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.records import Figures, Input, Quality, Reason, ReasonCode
from gateway.sources import WaterSource
from tests.support.plans import StraightTank, bad, good, sheet, straight_input, straight_plan, value
from tests.support.reasons import as_told

HEEL = StraightTank(heel_m3=4.0)
NONE_DETECTED = Input(None, Quality.GOOD, Reason(ReasonCode.NONE_DETECTED, "none"), 1.0, "WT-1.water")


def plan_of(holds: HeelContents | None, capacity: StraightTank | CapacityTable = HEEL) -> TankPlan:
    return straight_plan(capacity=capacity, free_water=FreeWaterSource.PROBE, heel_holds=holds)


def with_water(plan: TankPlan, water: Input) -> Figures:
    return sheet(plan, straight_input(6.0, water=water)).figures


@pytest.mark.parametrize(
    ("holds", "water", "fw_m3", "gov_m3"),
    [
        (HeelContents.WATER, good(0.02), 6.0, 598.0),
        (HeelContents.WATER, good(0.0), 4.0, 600.0),
        (HeelContents.WATER, NONE_DETECTED, 4.0, 600.0),
        (HeelContents.PRODUCT, good(0.003), 0.3, 603.7),
        (HeelContents.PRODUCT, good(0.0), 0.0, 604.0),
        (HeelContents.PRODUCT, NONE_DETECTED, 0.0, 604.0),
    ],
)
def test_the_heel_holds_what_is_declared(holds: HeelContents, water: Input, fw_m3: float, gov_m3: float) -> None:
    """100 m3 a metre and 4 m3 below the datum: 604 m3 at 6 m."""
    figures = with_water(plan_of(holds), water)
    assert value(figures.free_water) == pytest.approx(fw_m3)
    assert value(figures.gov) == pytest.approx(gov_m3)
    assert figures.gov.quality is Quality.GOOD


def test_water_above_a_heel_that_is_declared_to_hold_product_is_doubted() -> None:
    """Water is the heavier: 20 mm of it above the datum have filled the 4 m3 below, or the declaration is right and it
    came from nowhere. The stock was 4 m3 too large, and Good."""
    figures = with_water(plan_of(HeelContents.PRODUCT), good(0.02))
    assert value(figures.free_water) == pytest.approx(2.0)
    assert value(figures.gov) == pytest.approx(602.0)
    assert figures.free_water.quality is figures.gov.quality is figures.mass.quality is Quality.UNCERTAIN
    (reason,) = figures.free_water.reasons
    assert as_told(reason) == Reason(
        ReasonCode.HEEL_UNDECLARED,
        "free water stands 20 mm above the datum, and the heel below it is declared to hold product: with water there "
        "it is 4.00 m3 more",
    )
    assert figures.tov.quality is figures.room.quality is Quality.GOOD


@pytest.mark.parametrize("water", [good(0.02), good(0.0), NONE_DETECTED])
def test_a_heel_that_is_not_declared_makes_free_water_uncertain(water: Input) -> None:
    figures = with_water(plan_of(None), water)
    assert figures.free_water.quality is figures.gov.quality is figures.mass.quality is Quality.UNCERTAIN
    assert ReasonCode.HEEL_UNDECLARED in {reason.code for reason in figures.free_water.reasons}
    assert figures.tov.quality is figures.room.quality is Quality.GOOD


@pytest.mark.parametrize("holds", [None, *HeelContents])
@given(water_m=st.floats(-0.02, 0.05), step_m=st.floats(1e-6, 0.001))
def test_a_millimetre_of_water_never_is_a_whole_heel(holds: HeelContents | None, water_m: float, step_m: float) -> None:
    """At 0 mm the heel held none and at 1 mm all of it: a millimetre is 0.1 m3 here, whatever the heel holds."""
    plan = plan_of(holds)
    one, other = (value(with_water(plan, good(each)).free_water) for each in (water_m, water_m + step_m))
    assert 0.0 <= other - one <= 100.0 * step_m + 1e-9


def test_water_a_little_below_the_datum_counts_where_the_table_reaches_there() -> None:
    """A table from -50 mm on, 3.88 m3 at the datum: water at -10 mm is 3.48 m3 of it, and none detected is no 0."""
    table = CapacityTable("T", (-0.05, 0.0, 10.0), (1.88, 3.88, 1003.88), heel_m3=3.88)
    plan = plan_of(HeelContents.WATER, table)
    assert value(with_water(plan, good(-0.010)).free_water) == pytest.approx(3.48)
    assert value(with_water(plan, good(0.0)).free_water) == pytest.approx(3.88)
    assert value(with_water(plan, NONE_DETECTED).free_water) == pytest.approx(3.88)
    assert value(with_water(plan, good(-0.010)).water_level) == -0.010


def test_water_at_the_datum_of_a_flat_bottom_is_none_detected() -> None:
    figures = with_water(straight_plan(free_water=FreeWaterSource.PROBE), good(0.0))
    assert (figures.water_level.value, figures.water_level.reasons[0].code) == (None, ReasonCode.NONE_DETECTED)
    assert value(figures.free_water) == 0.0


def test_water_up_to_the_surface_within_a_millimetre_is_all_of_it() -> None:
    figures = with_water(straight_plan(free_water=FreeWaterSource.PROBE), good(6.0009))
    assert (value(figures.water_level), value(figures.gov)) == (6.0, 0.0)
    assert with_water(straight_plan(free_water=FreeWaterSource.PROBE), good(6.0011)).gov.quality is Quality.BAD


def test_a_failed_probe_says_that_the_last_good_level_stands_in_and_why() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    _, memory = calculate(plan, straight_input(6.0, water=good(0.5)), EMPTY_MEMORY)
    inventory, _ = calculate(plan, straight_input(6.0, water=bad(text="WT-1 does not answer")), memory)
    water = inventory.figures.water_level
    assert (water.value, water.quality) == (0.5, Quality.UNCERTAIN)
    assert [reason.text for reason in water.reasons] == [
        "the last Good free-water level stands in, 1 s old",
        "WT-1 does not answer",
    ]
    assert inventory.sources.water is WaterSource.LAST_GOOD


@given(st.lists(st.floats(-0.014, 0.014), min_size=10, max_size=60))
def test_water_that_ripples_at_an_element_changes_what_is_averaged_once_at_most(ripple: list[float]) -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    memory, averages = EMPTY_MEMORY, []
    for step in ripple:
        given_now = straight_input(
            6.0, water=good(1.0 + step), elements=(good(10.0), good(12.0), good(14.0), good(20.0))
        )
        inventory, memory = calculate(plan, given_now, memory)
        averages.append(inventory.figures.liquid_temperature.value)
    assert sum(a != b for a, b in pairwise(averages)) <= 1
