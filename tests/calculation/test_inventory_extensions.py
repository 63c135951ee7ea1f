"""Measured density, liquid head, vapour and the explained sheet, on the tank that can be checked in the head."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import (
    FreeWaterSource,
    LimitPlan,
    LiquidHeadPlan,
    MeasuredDensityPlan,
    ProductPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    VapourPlan,
    Weighting,
)
from gateway.calculation.quantities.liquid_head import Course
from gateway.calculation.shapes import Head, TiltedCylinder
from gateway.calculation.sheet import explain
from gateway.calculation.vapour.mixture import COMPONENTS
from gateway.records import Figures, Quality, Reason, ReasonCode, TankInput
from tests.support.plans import (
    NOON,
    StraightLineMethod,
    StraightTank,
    good,
    sheet,
    straight_input,
    straight_plan,
    temperature_plan,
    value,
)


def hybrid_plan(in_use: bool, **changes: object) -> TankPlan:
    return straight_plan(measured_density=MeasuredDensityPlan(0.5, in_use), **changes)


def hybrid_input(density: float, level_m: float = 6.0, **changes: object) -> TankInput:
    """A vented tank: as much air stands beside it as liquid above the nozzle."""
    head = max(level_m - 0.5, 0.0)
    return straight_input(level_m, bottom_pressure=good((density - 1.2) * 9.80665 * head), **changes)


def test_measured_density_in_use_makes_the_mass() -> None:
    """API MPMS 3.6: rho = P / (g (L - nozzle)), at tank temperature."""
    elements = tuple(good(25.0) for _ in range(4))
    figures = sheet(hybrid_plan(True), hybrid_input(793.0, elements=elements)).figures
    assert value(figures.measured_density) == pytest.approx(793.0)
    assert value(figures.observed_density) == pytest.approx(793.0)
    assert value(figures.reference_density) == pytest.approx(793.0 / 0.99)
    assert value(figures.density_difference) == pytest.approx(1.0)
    assert value(figures.mass) == pytest.approx(600.0 * 793.0)
    assert figures.mass.quality == Quality.GOOD


def test_measured_density_that_is_only_compared_changes_no_value() -> None:
    figures = sheet(hybrid_plan(False), hybrid_input(803.0)).figures
    assert value(figures.mass) == pytest.approx(600.0 * 800.0)
    assert value(figures.density_difference) == pytest.approx(3.0)
    assert figures.mass.quality == Quality.GOOD


@pytest.mark.parametrize("in_use", [False, True])
@pytest.mark.parametrize("uses_density_for_ctl", [False, True])
def test_where_the_densities_disagree_all_that_rests_on_them_is_uncertain(
    in_use: bool, uses_density_for_ctl: bool
) -> None:
    """A diesel tank changed over to gasoline: 742 against 840 kg/m3, 13.2 % of the mass, and another expansion."""
    product = ProductPlan("oil", StraightLineMethod(uses_density_for_ctl=uses_density_for_ctl))
    elements = tuple(good(20.0) for _ in range(4))
    given = hybrid_input(742.0, reference_density=good(840.0), elements=elements)
    figures = sheet(hybrid_plan(in_use, product=product, roof=RoofPlan(8000.0, 1.5, 2.0)), given).figures
    assert value(figures.density_difference) == pytest.approx(742.0 - 840.0 * 0.995)
    rests = {"density_difference", "reference_density", "observed_density", "ctl", "roof_displacement", "gov", "gsv"}
    rests |= {"mass", "weight_in_air", "pumpable"}
    for name in sorted(rests):
        figure = getattr(figures, name)
        assert figure.quality is Quality.UNCERTAIN, name
        assert ReasonCode.DENSITIES_DISAGREE in [reason.code for reason in figure.reasons], name
    for name in ("level", "tov", "liquid_temperature", "measured_density", "room"):
        assert getattr(figures, name).quality is Quality.GOOD, name
    (reason,) = figures.density_difference.reasons
    assert reason.text == (
        "measured density is -93.8 kg/m3 from the entered one at tank temperature, more than 5 kg/m3: "
        "another product, or the level or the pressure is wrong"
    )


def test_measured_density_in_use_that_disagrees_with_the_entered_one_is_uncertain() -> None:
    """common practice: a tank changed over to another product still has the old density entered."""
    figures = sheet(hybrid_plan(True), hybrid_input(700.0)).figures
    assert value(figures.mass) == pytest.approx(600.0 * 700.0)
    assert figures.mass.quality == Quality.UNCERTAIN
    assert figures.mass.reasons[-1].code == ReasonCode.DENSITIES_DISAGREE


def test_below_its_least_head_the_last_good_measured_density_stands_in_then_the_entered_one() -> None:
    plan = hybrid_plan(True)
    _, memory = calculate(plan, hybrid_input(803.0), EMPTY_MEMORY)
    low = hybrid_input(803.0, level_m=1.45, instant=NOON + timedelta(hours=2))
    inventory, memory = calculate(plan, low, memory)
    assert inventory.figures.measured_density.quality == Quality.BAD
    assert value(inventory.figures.observed_density) == pytest.approx(803.0)
    assert inventory.figures.mass.quality == Quality.UNCERTAIN
    later = hybrid_input(803.0, level_m=1.45, instant=NOON + timedelta(hours=30))
    inventory, _ = calculate(plan, later, memory)
    assert value(inventory.figures.observed_density) == pytest.approx(800.0)
    assert inventory.figures.mass.quality == Quality.UNCERTAIN


def test_liquid_head_adds_what_the_table_does_not_contain() -> None:
    courses = (Course(10.0, 0.020),)
    lacking = sheet(straight_plan(liquid_head=LiquidHeadPlan(50.0, courses, None))).figures
    # Closed form for one thickness: pi D^3 rho g L^2 / (8 E t).
    expected = math.pi * 50.0**3 * 800.0 * 9.80665 * 36.0 / (8 * 2.0e11 * 0.020)
    assert value(lacking.head_adjustment) == pytest.approx(expected)
    assert value(lacking.gov) == pytest.approx(600.0 + expected)
    contained = sheet(straight_plan(liquid_head=LiquidHeadPlan(50.0, courses, 800.0))).figures
    assert value(contained.gov) == pytest.approx(600.0)


def test_vapour_by_the_gas_law() -> None:
    plan = straight_plan(vapour=VapourPlan(molar_mass_kg_mol=0.0441, compressibility_factor=0.85))
    figures = sheet(plan, straight_input(vapour_pressure=good(5.4e5))).figures
    density = (5.4e5 + 101_325.0) * 0.0441 / (0.85 * 8.314462618 * 288.15)
    assert value(figures.vapour_density) == pytest.approx(density)
    assert value(figures.vapour_mass) == pytest.approx(400.0 * density)
    unread = sheet(plan).figures
    assert unread.vapour_mass.quality == unread.total_mass.quality == Quality.BAD
    assert unread.mass.quality == Quality.GOOD


def test_the_vapour_over_the_highest_level_of_a_sloping_vessel_counts() -> None:
    """2 m by 10 m, rising 2 %, gauged 2 m from its low end: 31.416 m3 in all, 31.036 m3 at the highest level.

    Vapour of 14 kg/m3 in the other 0.380 m3 is 5.3 kg; 0 kg was shown there, and so much too little everywhere.
    """
    vessel = TiltedCylinder(2.0, 10.0, Head.FLAT, 0.02, 2.0)
    plan = straight_plan(
        capacity=vessel, reference_height_m=2.0, limits=LimitPlan(), temperature=temperature_plan(0.5, 1.0),
        vapour=VapourPlan(14.0),
    )  # fmt: skip
    at_most = straight_input(vessel.top_m, elements=(good(15.0), good(15.0)))
    figures = sheet(plan, at_most).figures
    assert value(figures.tov) == pytest.approx(31.036448, abs=1e-4)
    assert value(figures.fill) == pytest.approx(31.036448 / (10.0 * math.pi), abs=1e-6)
    assert value(figures.vapour_mass) == pytest.approx((10.0 * math.pi - 31.036448) * 14.0, abs=1e-3)
    assert value(figures.total_mass) == pytest.approx(value(figures.mass) + value(figures.vapour_mass))


def test_vapour_of_a_named_component_has_its_own_factor_at_each_state() -> None:
    """Saturated propane vapour at 15 degC and 731.5 kPa: 15.8 kg/m3 (CoolProp 8.0.0, reference equation of state)."""
    propane = COMPONENTS["propane"]
    plan = straight_plan(vapour=VapourPlan(molar_mass_kg_mol=propane.molar_mass, component=propane))
    figures = sheet(plan, straight_input(vapour_pressure=good(731_500.0 - 101_325.0))).figures
    assert value(figures.vapour_density) == pytest.approx(15.8, rel=0.02)
    ideal = 731_500.0 * propane.molar_mass / (8.314462618 * 288.15)
    assert value(figures.vapour_density) > 1.1 * ideal


def test_every_line_of_the_sheet_names_its_relation_and_known_inputs() -> None:
    plan = hybrid_plan(True, roof=RoofPlan(8000.0, 1.5, 2.0), vapour=VapourPlan(10.0), shell=ShellPlan(1e-5, 15.0))
    lines = explain(plan, sheet(plan, hybrid_input(800.0)))
    assert [line.name for line in lines] == list(Figures._fields)
    seen: set[str] = set()
    for line in lines:
        assert line.clause, line.name
        assert set(line.inputs) <= set(Figures._fields), line.name
        seen.update(line.inputs)
    assert {"level", "liquid_temperature", "gov", "ctl"} <= seen


def test_a_pressure_without_a_value_measures_no_density() -> None:
    silent = good(0.0)._replace(value=None, reason=Reason(ReasonCode.NONE_DETECTED, "nothing detected"))
    for given in (
        straight_input(6.0, bottom_pressure=silent),
        hybrid_input(800.0, vapour_pressure=silent),
    ):
        figures = sheet(hybrid_plan(True), given).figures
        assert (figures.measured_density.value, figures.measured_density.quality) == (None, Quality.BAD)
        assert figures.mass.quality == Quality.UNCERTAIN, "the entered density is taken"


@pytest.mark.parametrize(("level_m", "water_m"), [(6.0, 0.1), (0.45, 0.0)])
def test_slice_weights_where_the_table_begins_above_water_or_level(level_m: float, water_m: float) -> None:
    """The volume that the table does not have is Bad by itself; the level and its temperature are not lost with it."""
    temperature = replace(temperature_plan(0.1, 0.14, 5.0, 5.5), weighting=Weighting.SLICE_VOLUME)
    plan = straight_plan(
        capacity=StraightTank(bottom_m=0.5),
        temperature=temperature,
        free_water=FreeWaterSource.PROBE,
        limits=LimitPlan(),
    )
    given = straight_input(level_m, water=good(water_m), elements=tuple(good(15.0) for _ in range(4)))
    figures = sheet(plan, given).figures
    assert figures.level.quality == Quality.GOOD
    assert figures.liquid_temperature.value is not None
    assert Quality.BAD in (figures.tov.quality, figures.free_water.quality)
