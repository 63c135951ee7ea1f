"""The pressure above a liquid: compared with its product, and what its want does to liquid and vapour."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import (
    ColumnPlan,
    HeadPlan,
    MeasuredDensityPlan,
    PressurePlan,
    ProductPlan,
    TankPlan,
    VapourPlan,
    VapourPressurePlan,
)
from gateway.calculation.sheet import explain
from gateway.calculation.vapour.mixture import COMPONENTS
from gateway.calculation.vapour.pressure_curve import VapourPressureCurve, curve_of_composition
from gateway.records import Figures, Input, Inventory, Quality, ReasonCode
from tests.support.plans import (
    NOON,
    StraightLineMethod,
    bad,
    good,
    sheet,
    straight_input,
    straight_plan,
    uncertain,
    value,
)

ATMOSPHERE = 101_325.0
PROPANE = COMPONENTS["propane"]
OF_PROPANE = VapourPressurePlan(curve_of_composition((PROPANE,), (1.0,)))
MIXED = VapourPressurePlan(curve_of_composition((PROPANE, COMPONENTS["n-butane"]), (0.6, 0.4)))
# 800 kPa absolute at 20 degC: numbers that can be checked in the head; 100 kPa at 0 degC.
HEAD = VapourPressurePlan(VapourPressureCurve((0.0, 20.0, 40.0), (100e3, 800e3, 1600e3), "laboratory"))
_MEASURED = ("vapour_pressure", "vapour_temperature")
BY_LAW = VapourPlan(molar_mass_kg_mol=PROPANE.molar_mass, component=PROPANE)


def lpg(own: VapourPressurePlan | None = OF_PROPANE, **changes: object) -> TankPlan:
    product = ProductPlan("propane", StraightLineMethod(), vapour_pressure=own)
    return straight_plan(**{"product": product, "vapour": BY_LAW, **changes})


def at(pressure: Input | float | None, temperature_c: float = 20.0, plan: TankPlan | None = None) -> Figures:
    given = good(pressure) if isinstance(pressure, float | int) else pressure
    elements = tuple(good(temperature_c) for _ in range(4))
    return sheet(plan or lpg(), straight_input(6.0, elements=elements, vapour_pressure=given)).figures


def codes(figures: Figures, name: str) -> set[ReasonCode]:
    return {reason.code for reason in getattr(figures, name).reasons}


def told(figures: Figures, name: str) -> str:
    """The reasons of a figure, in one line."""
    return "; ".join(reason.text for reason in getattr(figures, name).reasons)


def test_a_closed_isolating_valve_is_seen() -> None:
    """400 m3 of propane vapour at 20 degC are 7.2 t by the saturated 18.1 kg/m3, and 0.75 t by a gauge that says 0 kPa:
    6.5 t were missing, Good."""
    well = at(836.5e3 - ATMOSPHERE)
    assert value(well.vapour_mass) == pytest.approx(400.0 * 18.1, rel=0.01)
    assert well.vapour_mass.quality == well.total_mass.quality == Quality.GOOD
    closed = at(0.0)
    assert value(closed.vapour_mass) == pytest.approx(400.0 * 1.87, rel=0.01)
    for name in ("vapour_pressure", "vapour_density", "vapour_mass", "total_mass"):
        assert getattr(closed, name).quality is Quality.UNCERTAIN, name
        assert codes(closed, name) == {ReasonCode.VAPOUR_PRESSURE_DISAGREES}, name
    assert told(closed, "total_mass").startswith("vapour pressure 101 kPa absolute is 73")
    assert told(closed, "total_mass").endswith("and 125 kPa are allowed: is a valve to its transmitter closed?")
    # What does not rest on the pressure stays.
    assert closed.mass == well.mass
    assert closed.mass.quality is Quality.GOOD


@given(st.floats(-30.0, 75.0))
def test_no_closed_valve_on_propane_is_good(temperature_c: float) -> None:
    """Wherever the vapour pressure stands more than the least band above the air: from -30 degC, 168 kPa."""
    figures = at(0.0, temperature_c)
    assert figures.total_mass.quality is not Quality.GOOD


@pytest.mark.parametrize(
    ("absolute_pa", "quality"),
    # 15 % of 800 kPa are 120 kPa.
    [(800e3, 0), (681e3, 0), (919e3, 0), (679e3, 1), (921e3, 1)],
)
def test_the_band_is_a_part_of_the_pressure(absolute_pa: float, quality: int) -> None:
    figures = at(absolute_pa - ATMOSPHERE, 20.0, lpg(HEAD))
    assert figures.vapour_pressure.quality == figures.total_mass.quality == quality


@pytest.mark.parametrize(("absolute_pa", "quality"), [(149e3, 0), (51e3, 0), (151e3, 1), (49e3, 1)])
def test_the_band_is_never_narrower_than_its_least(absolute_pa: float, quality: int) -> None:
    # 15 % of 100 kPa are 15 kPa; the least is 50 kPa.
    figures = at(absolute_pa - ATMOSPHERE, 0.0, lpg(HEAD))
    assert figures.vapour_pressure.quality == quality


def test_the_band_is_a_setting() -> None:
    narrow = lpg(replace(HEAD, band=0.02, least_band_pa=5e3))
    assert at(815e3 - ATMOSPHERE, 20.0, narrow).total_mass.quality is Quality.GOOD
    assert at(817e3 - ATMOSPHERE, 20.0, narrow).total_mass.quality is Quality.UNCERTAIN


def test_where_the_product_gives_nothing_there_is_nothing_to_compare() -> None:
    assert at(0.0, 20.0, lpg(None)).total_mass.quality is Quality.GOOD


def test_air_is_lighter_at_altitude() -> None:
    # 80 kPa of air at 2000 m: 600 kPa gauge are 680 kPa, exactly the lower end of the band.
    high = lpg(HEAD, vapour=replace(BY_LAW, atmospheric_pa=80e3))
    assert at(600.1e3, 20.0, high).vapour_pressure.quality is Quality.GOOD
    assert at(599.9e3, 20.0, high).vapour_pressure.quality is Quality.UNCERTAIN


def test_a_stated_density_is_doubted_with_the_pressure_that_contradicts_it() -> None:
    stated = lpg(vapour=VapourPlan(13.7))
    closed = at(0.0, 20.0, stated)
    assert (closed.vapour_density.value, closed.vapour_density.quality) == (13.7, Quality.UNCERTAIN)
    assert closed.total_mass.quality is Quality.UNCERTAIN
    lost = at(bad(), 20.0, stated)
    assert lost.total_mass.quality is Quality.GOOD, "nothing rests on a pressure that is not there"


@pytest.mark.parametrize("temperature_c", [-0.5, 40.5])
def test_a_pressure_that_cannot_be_compared_is_not_proven(temperature_c: float) -> None:
    figures = at(700e3, temperature_c, lpg(HEAD))
    assert figures.vapour_mass.quality is figures.vapour_pressure.quality is Quality.UNCERTAIN
    assert codes(figures, "vapour_pressure") == {ReasonCode.VAPOUR_PRESSURE_UNPROVEN}
    assert "vapour pressure cannot be compared: liquid temperature" in told(figures, "vapour_pressure")
    lost = sheet(lpg(HEAD), straight_input(elements=(bad(),) * 4, vapour_pressure=good(700e3))).figures
    assert codes(lost, "vapour_pressure") == {ReasonCode.VAPOUR_PRESSURE_UNPROVEN}
    assert lost.total_mass.quality is Quality.BAD


def test_a_doubt_of_its_own_stays_beside_the_comparison() -> None:
    figures = at(uncertain(0.0))
    assert codes(figures, "total_mass") == {ReasonCode.LOOP_OUTSIDE_SPAN, ReasonCode.VAPOUR_PRESSURE_DISAGREES}


def test_a_level_and_a_density_under_a_doubted_pressure_are_doubted() -> None:
    """Both rest on the pressure at the nozzle less the one above."""
    # 5.5 m of 796 kg/m3: 800 at 15 degC, at 20 degC half a percent less. 4 m of gas above it, 9.5 m of air outside.
    bottom = 9.80665 * (796.0 * 5.5 + 14.0 * 4.0 - 1.2 * 9.5)
    column = ColumnPlan(True, 10.0, 14.0)
    by_head = lpg(HEAD, gauge=HeadPlan(0.5, column=column))
    elements = tuple(good(20.0) for _ in range(4))
    for above, quality in ((700e3, Quality.GOOD), (300e3, Quality.UNCERTAIN)):
        given = straight_input(bottom_pressure=good(bottom + above), vapour_pressure=good(above), elements=elements)
        level = sheet(by_head, given).figures.level
        assert value(level) == pytest.approx(6.0)
        assert level.quality is quality
        figures = sheet(lpg(HEAD, measured_density=MeasuredDensityPlan(0.5, True, column=column)), given).figures
        assert figures.measured_density.quality == figures.mass.quality == quality
        assert (ReasonCode.VAPOUR_PRESSURE_DISAGREES in codes(figures, "mass")) is (quality is Quality.UNCERTAIN)


def _qualities(plan: TankPlan, pressures_pa: list[float]) -> list[Quality]:
    memory, found = EMPTY_MEMORY, []
    elements = tuple(good(20.0) for _ in range(4))
    for index, pressure in enumerate(pressures_pa):
        given = straight_input(
            6.0, elements=elements, vapour_pressure=good(pressure), instant=NOON + timedelta(seconds=5 * index)
        )
        inventory, memory = calculate(plan, given, memory)
        found.append(inventory.figures.total_mass.quality)
    return found


@given(st.integers(0, 10_000), st.sampled_from([680e3, 920e3]), st.floats(-15e3, 15e3))
def test_ripple_at_an_edge_of_the_band_does_not_flap(seed: int, edge_pa: float, away_pa: float) -> None:
    """A transmitter of 2 MPa that ripples by 0.2 % of its range, about the edge of the band and near it."""
    random = Random(seed)
    found = _qualities(lpg(HEAD), [edge_pa + away_pa - ATMOSPHERE + random.uniform(-4e3, 4e3) for _ in range(40)])
    changes = sum(one is not other for one, other in pairwise(found))
    assert changes <= 4, "one in ten polls"


@given(st.integers(0, 10_000), st.floats(-0.3, 0.3))
def test_ripple_at_an_end_of_the_curve_does_not_flap(seed: int, away_c: float) -> None:
    """A thermometer that ripples by 0.1 degC where the curve ends."""
    random, memory, found = Random(seed), EMPTY_MEMORY, []
    for index in range(40):
        elements = (good(40.0 + away_c + random.uniform(-0.1, 0.1)),) * 4
        given_input = straight_input(
            6.0, elements=elements, vapour_pressure=good(1500e3), instant=NOON + timedelta(seconds=60 * index)
        )
        inventory, memory = calculate(lpg(HEAD), given_input, memory)
        found.append(inventory.figures.vapour_pressure.quality)
    assert sum(one is not other for one, other in pairwise(found)) <= 4, "one in ten polls"


@given(st.integers(0, 10_000), st.floats(-100.0, 100.0))
def test_ripple_at_the_zero_error_does_not_flap(seed: int, away_pa: float) -> None:
    random, memory, found = Random(seed), EMPTY_MEMORY, []
    for index in range(40):
        pressure = -5000.0 + away_pa + random.uniform(-100.0, 100.0)
        given_input = straight_input(
            6.0,
            vapour_pressure=good(pressure),
            reference_density=good(742.0),
            instant=NOON + timedelta(seconds=5 * index),
        )
        inventory, memory = calculate(pressurised(), given_input, memory)
        found.append(inventory.figures.gsv.quality)
    assert sum(one is not other for one, other in pairwise(found)) <= 4, "one in ten polls"


def test_a_doubt_ends_well_within_the_band() -> None:
    # Begins at 120 kPa, ends at 108 kPa.
    found = _qualities(lpg(HEAD), [each - ATMOSPHERE for each in (690e3, 679e3, 690e3, 691e3, 693e3, 690e3)])
    assert found == [0, 1, 1, 1, 0, 0]


# Padded vessels


def padded(**changes: object) -> TankPlan:
    return lpg(HEAD, blanketed=True, **changes)


def test_under_another_gas_only_a_pressure_below_the_products_own_is_doubted() -> None:
    above = at(1500e3, 20.0, padded())
    assert above.vapour_pressure.quality is above.total_mass.quality is Quality.GOOD
    below = at(600e3 - ATMOSPHERE, 20.0, padded())
    assert codes(below, "vapour_pressure") == {ReasonCode.VAPOUR_PRESSURE_DISAGREES}
    assert below.total_mass.quality is Quality.UNCERTAIN


def test_under_another_gas_the_products_vapour_has_its_own_pressure() -> None:
    """800 kPa of the product and 700 kPa of nitrogen: the vapour's mass is that of 800 kPa."""
    alone = at(800e3 - ATMOSPHERE, 20.0, lpg(HEAD))
    together = at(1500e3 - ATMOSPHERE, 20.0, padded())
    assert value(together.vapour_density) == pytest.approx(value(alone.vapour_density), rel=1e-12)
    # Never more than there is: 750 kPa in all, within the band.
    least = at(750e3 - ATMOSPHERE, 20.0, padded())
    assert value(least.vapour_density) < value(alone.vapour_density)
    # It needs no transmitter at all.
    unread = at(bad(), 20.0, padded())
    assert unread.vapour_density == together.vapour_density
    assert unread.vapour_density.quality is Quality.GOOD


def test_under_another_gas_without_a_curve_the_vapour_is_not_known() -> None:
    figures = at(1500e3, 20.0, lpg(None, blanketed=True))
    assert figures.vapour_mass.quality is figures.total_mass.quality is Quality.BAD
    assert "the tank is blanketed" in told(figures, "vapour_mass")
    assert figures.mass.quality is Quality.GOOD


# A pressure that is not there


def test_without_a_pressure_the_products_own_stands_in() -> None:
    well, lost = at(700e3, 20.0, lpg(HEAD)), at(bad(), 20.0, lpg(HEAD))
    assert value(lost.vapour_density) == pytest.approx(value(at(800e3 - ATMOSPHERE, 20.0, lpg(HEAD)).vapour_density))
    assert lost.vapour_mass.quality is lost.total_mass.quality is Quality.UNCERTAIN
    assert codes(lost, "total_mass") == {ReasonCode.VAPOUR_PRESSURE_ASSUMED, ReasonCode.NO_ANSWER}
    assert "that of the product at the liquid's temperature is taken, 800 kPa absolute" in told(lost, "total_mass")
    assert lost.mass == well.mass


def _after(plan: TankPlan, first: Input, then: Input, hours: float = 0.5) -> Inventory:
    _, memory = calculate(plan, straight_input(vapour_pressure=first), EMPTY_MEMORY)
    later = straight_input(vapour_pressure=then, instant=NOON + timedelta(hours=hours))
    return calculate(plan, later, memory)[0]


def test_without_a_curve_the_last_good_pressure_stands_in_for_a_day() -> None:
    plan = lpg(None)
    before = at(700e3, 15.0, plan)
    stood = _after(plan, good(700e3), bad()).figures
    assert value(stood.vapour_density) == pytest.approx(value(before.vapour_density), rel=1e-12)
    assert stood.total_mass.quality is Quality.UNCERTAIN
    assert codes(stood, "total_mass") == {ReasonCode.LAST_GOOD_USED, ReasonCode.NO_ANSWER}
    late = _after(plan, good(700e3), bad(), 24.1).figures
    assert late.vapour_mass.quality is late.total_mass.quality is Quality.BAD
    assert codes(late, "total_mass") == {ReasonCode.NO_ANSWER}
    assert late.mass.quality is Quality.GOOD


def test_with_neither_the_vapour_is_bad_and_the_liquid_stays() -> None:
    figures = at(bad(), 20.0, lpg(None))
    assert (figures.vapour_mass.value, figures.vapour_mass.quality) == (None, Quality.BAD)
    assert figures.total_mass.quality is Quality.BAD
    assert figures.mass.quality is figures.gsv.quality is Quality.GOOD


# The liquid of a pressurised tank

GASOLINE = ProductPlan("gasoline", PetroleumCorrection(PetroleumGroup.REFINED, 15.0))


def pressurised(**changes: object) -> TankPlan:
    return straight_plan(product=GASOLINE, pressurised=True, **changes)


def liquid(pressure: Input | None, plan: TankPlan | None = None, density: float = 742.0) -> Figures:
    given = straight_input(6.0, vapour_pressure=pressure, reference_density=good(density))
    return sheet(plan or pressurised(), given).figures


def test_a_little_below_zero_is_zero() -> None:
    """-2 mbar took GSV and mass with it: API MPMS 11.1 begins at 0 psig."""
    zero, below = liquid(good(0.0)), liquid(good(-200.0))
    assert below.gsv == zero.gsv
    assert below.mass == zero.mass
    assert below.gsv.quality is below.cpl.quality is Quality.GOOD
    assert (below.vapour_pressure.value, below.vapour_pressure.quality) == (-200.0, Quality.GOOD), "as measured"
    assert liquid(good(-5000.0)).gsv == zero.gsv


def test_a_vacuum_is_taken_as_atmospheric_uncertain() -> None:
    zero, below = liquid(good(0.0)), liquid(good(-5100.0))
    assert (below.gsv.value, below.gsv.quality) == (zero.gsv.value, Quality.UNCERTAIN)
    assert codes(below, "gsv") == {ReasonCode.VAPOUR_PRESSURE_ASSUMED}
    assert told(below, "gsv") == (
        "vapour pressure -5.1 kPa is below zero by more than 5 kPa: the liquid is taken at atmospheric pressure"
    )
    narrow = pressurised(pressure=PressurePlan(zero_error_pa=100.0))
    assert liquid(good(-200.0), narrow).gsv.quality is Quality.UNCERTAIN


def test_below_a_vacuum_is_no_pressure_at_all() -> None:
    figures = liquid(good(-108e3))
    assert (figures.vapour_pressure.value, figures.vapour_pressure.quality) == (None, Quality.BAD)
    assert told(figures, "vapour_pressure") == "vapour pressure -108.0 kPa is below a vacuum"
    assert codes(figures, "gsv") == {ReasonCode.VAPOUR_PRESSURE_ASSUMED, ReasonCode.OUT_OF_RANGE}
    assert figures.gsv.quality is Quality.UNCERTAIN
    # Nor does a level rest on it.
    given = straight_input(bottom_pressure=good(20e3), vapour_pressure=good(-108e3))
    assert sheet(straight_plan(gauge=HeadPlan(0.5)), given).figures.level.quality is Quality.BAD


@pytest.mark.outside("API MPMS 11.1 (2004), CPL: Fp of 742 kg/m3 at 15 degC, worked out by hand")
def test_a_bad_pressure_costs_no_more_than_it_can_change() -> None:
    """Fp = exp(-1.9947 + 0.00013427 x 59 + (793920 + 2326 x 59)/742.8^2) = 0.741 per 1e5 psi: between 0 and 500 kPa,
    72.5 psi, 0.054 %, and between 0 and 20 kPa 0.0022 %.
    """
    zero, lost = liquid(good(0.0)), liquid(bad())
    assert (lost.gsv.value, lost.gsv.quality) == (zero.gsv.value, Quality.UNCERTAIN)
    assert lost.mass.quality is lost.cpl.quality is Quality.UNCERTAIN
    assert codes(lost, "mass") == {ReasonCode.VAPOUR_PRESSURE_ASSUMED, ReasonCode.NO_ANSWER}
    assert "taken as atmospheric: between 0 and 500 kPa it changes the liquid by 0.054 %" in told(lost, "mass")
    low = liquid(bad(), pressurised(pressure=PressurePlan(greatest_pa=20e3)))
    assert "between 0 and 20 kPa it changes the liquid by 0.002 %" in told(low, "mass")
    high = liquid(bad(), pressurised(pressure=PressurePlan(greatest_pa=1e6)))
    assert high.gsv.quality is high.mass.quality is high.cpl.quality is Quality.BAD
    assert "it changes the liquid by 0.108 %; give the relief valve's setting" in told(high, "gsv")
    assert high.gov.quality is Quality.GOOD


def test_the_last_good_pressure_stands_in_before_none() -> None:
    plan = pressurised()
    inventory = _after(plan, good(300e3), bad())
    assert inventory.figures.cpl.value == pytest.approx(value(_after(plan, good(300e3), good(300e3)).figures.cpl))
    assert inventory.figures.gsv.quality is Quality.UNCERTAIN
    assert "vapour pressure unknown, taken as 300.0 kPa" in told(inventory.figures, "gsv")
    assert "the last Good vapour pressure stands in, 30 min old" in told(inventory.figures, "gsv")


def test_what_takes_no_pressure_loses_nothing_with_it() -> None:
    plan = straight_plan(pressurised=True)
    for unread in (None, bad()):
        figures = sheet(plan, straight_input(vapour_pressure=unread)).figures
        assert figures.cpl.quality is figures.gsv.quality is figures.mass.quality is Quality.GOOD


def test_a_refusal_of_the_method_is_its_own() -> None:
    hot = straight_input(elements=tuple(good(160.0) for _ in range(4)), vapour_pressure=bad())
    figures = sheet(pressurised(), hot).figures
    assert figures.gsv.quality is Quality.BAD
    assert codes(figures, "ctl") == {ReasonCode.METHOD_LIMIT}


@pytest.mark.parametrize("greatest_pa", [20e6, 11e6])
def test_a_pressure_beyond_the_methods_own_range_bounds_nothing(greatest_pa: float) -> None:
    figures = liquid(bad(), pressurised(pressure=PressurePlan(greatest_pa=greatest_pa)))
    assert figures.gsv.quality is Quality.BAD


@given(st.floats(0.0, 500e3), st.floats(640.0, 1000.0), st.floats(-20.0, 60.0))
def test_an_uncertain_gsv_without_pressure_is_within_a_tenth_of_a_percent(
    true_pa: float, density: float, temperature_c: float
) -> None:
    elements = tuple(good(temperature_c) for _ in range(4))
    known = straight_input(elements=elements, reference_density=good(density), vapour_pressure=good(true_pa))
    true, lost = (
        sheet(pressurised(), known).figures,
        sheet(pressurised(), known._replace(vapour_pressure=bad())).figures,
    )
    assert lost.gsv.quality is not Quality.GOOD
    if lost.gsv.value is not None:
        assert lost.gsv.value == pytest.approx(value(true.gsv), rel=1e-3)
        assert lost.mass.value == pytest.approx(value(true.mass), rel=1e-3)


# The vapour by the gas law


def test_without_a_factor_nor_a_composition_the_vapour_is_uncertain() -> None:
    plan = lpg(HEAD, vapour=VapourPlan(molar_mass_kg_mol=0.0441))
    figures = at(700e3, 20.0, plan)
    ideal = (700e3 + ATMOSPHERE) * 0.0441 / (8.314462618 * 293.15)
    assert value(figures.vapour_density) == pytest.approx(ideal, rel=1e-12)
    assert figures.vapour_mass.quality is figures.total_mass.quality is Quality.UNCERTAIN
    assert codes(figures, "total_mass") == {ReasonCode.COMPRESSIBILITY_ASSUMED}
    given = replace(plan, vapour=VapourPlan(molar_mass_kg_mol=0.0441, compressibility_factor=1.0))
    assert at(700e3, 20.0, given).total_mass.quality is Quality.GOOD


@pytest.mark.outside("CoolProp 8.0.0, multi-fluid Helmholtz model: vapour over 60 % of propane and 40 % of n-butane")
@pytest.mark.parametrize("temperature_c", [0.0, 24.2, 45.0, 60.0])
def test_the_vapour_over_a_known_composition(temperature_c: float) -> None:
    from CoolProp.CoolProp import PropsSI

    kelvin = temperature_c + 273.15
    liquid_of = "HEOS::Propane[0.6]&n-Butane[0.4]"
    pressure = PropsSI("P", "T", kelvin, "Q", 0, liquid_of)
    propane = MIXED.curve.vapour(temperature_c)[0]
    expected = PropsSI("D", "T", kelvin, "Q", 1, f"HEOS::Propane[{propane}]&n-Butane[{1.0 - propane}]")
    for vapour in (VapourPlan(equilibrium=True), VapourPlan(molar_mass_kg_mol=0.0464)):
        figures = at(pressure - ATMOSPHERE, temperature_c, lpg(MIXED, vapour=vapour))
        # 46.4 g/mol is that of the vapour at 24 degC; it is 46.1 at 0 degC and 47.2 at 60 degC.
        assert value(figures.vapour_density) == pytest.approx(expected, rel=0.01 if vapour.equilibrium else 0.03)
        assert figures.total_mass.quality is Quality.GOOD


def test_hot_propane_has_a_vapour() -> None:
    """Above 42 degC it was Bad: the virial form ended at a third of the critical pressure."""
    for temperature_c in (42.0, 50.0, 60.0, 70.0):
        figures = at(OF_PROPANE.curve.pressure(temperature_c) - ATMOSPHERE, temperature_c)
        assert figures.vapour_mass.quality is figures.total_mass.quality is Quality.GOOD


def test_a_vapour_far_colder_than_its_liquid_is_bad_and_nothing_else() -> None:
    """2.1 MPa of propane at 25 degC would be liquid: the element in the vapour is wrong, or it rains in the tank."""
    plan = lpg(None)
    elements = (*(good(60.0) for _ in range(3)), good(25.0))
    figures = sheet(plan, straight_input(5.5, elements=elements, vapour_pressure=good(2.025e6))).figures
    assert figures.vapour_mass.quality is Quality.BAD
    assert "more than a vapour bears at 25.0 degC" in told(figures, "vapour_mass")
    assert figures.mass.quality is Quality.GOOD


def test_equilibrium_without_a_composition_is_bad() -> None:
    for own in (None, HEAD):
        figures = at(700e3, 20.0, lpg(own, vapour=VapourPlan(equilibrium=True)))
        assert figures.vapour_mass.quality is Quality.BAD
        assert "the composition that the vapour stands over is not given" in told(figures, "vapour_mass")


@given(
    st.floats(-25.0, 65.0),
    st.floats(0.3, 1.7),
    st.sampled_from([(1.0, 0.0), (0.6, 0.4), (0.2, 0.8), (0.0, 1.0)]),
)
def test_a_good_vapour_mass_is_that_of_the_tank(
    temperature_c: float, part: float, mixture: tuple[float, float]
) -> None:
    """Whatever the transmitter says: a Good vapour is within the band and 3 % of what stands in the tank."""
    own = VapourPressurePlan(curve_of_composition((PROPANE, COMPONENTS["n-butane"]), mixture))
    plan = lpg(own, vapour=VapourPlan(equilibrium=True))
    true_pa = own.curve.pressure(temperature_c)
    true = at(true_pa - ATMOSPHERE, temperature_c, plan)
    shown = at(true_pa * part - ATMOSPHERE, temperature_c, plan)
    assert true.vapour_mass.quality is Quality.GOOD
    if shown.vapour_mass.quality is Quality.GOOD:
        band_pa = max(0.15 * true_pa, 50e3)
        assert abs(true_pa * part - true_pa) <= band_pa
        # A vapour is no denser than in proportion to its pressure, by a little more near its dew point.
        assert abs(value(shown.vapour_mass) / value(true.vapour_mass) - 1.0) <= 1.45 * band_pa / true_pa


@pytest.mark.parametrize(
    ("plan", "relation", "inputs"),
    [
        (lpg(vapour=VapourPlan(13.7)), "stated", ()),
        (lpg(), "P M / (Z R T), Z by the equation of state of Peng and Robinson (1976), absolute pressure", _MEASURED),
        (lpg(MIXED, vapour=VapourPlan(equilibrium=True)), "Z by the equation of state of Peng", _MEASURED),
        (lpg(MIXED, vapour=VapourPlan(molar_mass_kg_mol=0.0464)), "Z by the equation of state of Peng", _MEASURED),
        (lpg(HEAD, vapour=VapourPlan(molar_mass_kg_mol=0.0441)), "Z taken as 1, absolute pressure", _MEASURED),
        (lpg(HEAD, vapour=VapourPlan(None, 0.0441, 0.86)), "Z 0.86, absolute pressure", _MEASURED),
        (padded(), "P of the product by its vapour pressure at TL", ("liquid_temperature", "vapour_temperature")),
    ],
)  # fmt: skip
def test_the_sheet_says_how_the_vapour_comes_about(plan: TankPlan, relation: str, inputs: tuple[str, ...]) -> None:
    lines = {line.name: line for line in explain(plan, sheet(plan, straight_input(6.0, vapour_pressure=good(700e3))))}
    assert relation in lines["vapour_density"].clause
    assert lines["vapour_density"].inputs == inputs
    assert lines["vapour_pressure"].clause == "measured, and compared with the product's own at TL"
