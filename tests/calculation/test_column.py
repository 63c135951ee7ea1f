"""Level and density from the pressure of a column, against columns weighed layer by layer in here.

The oracle is the weight of what stands inside the tank and beside it between the nozzle and the vapour transmitter or
the vent (hydrostatics; API MPMS 3.6 and 3.7), written down without the program's own relations.
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.contracts import Corrected
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import (
    ColumnPlan,
    FreeWaterSource,
    HeadPlan,
    LimitPlan,
    MeasuredDensityPlan,
    ProductPlan,
    TankPlan,
    VapourPlan,
)
from gateway.calculation.sheet import explain
from gateway.records import Figure, Figures, Input, Quality, ReasonCode, TankInput
from tests.support.plans import (
    NOON,
    PreparedLine,
    StraightLineMethod,
    bad,
    good,
    sheet,
    straight_input,
    straight_plan,
    uncertain,
    value,
)

G = 9.80665
AIR = 1.2
NOZZLE = 0.3


@dataclass(frozen=True)
class Column:
    """One tank as it truly is. Heights in m above the datum, densities in kg/m3, pressures in Pa gauge."""

    density: float = 792.0
    level: float = 5.0
    nozzle: float = NOZZLE
    water: float = 0.0
    water_density: float = 998.0
    gas: float = AIR
    air: float = AIR
    top: float = 10.0
    """Of the vapour transmitter or the vent."""
    above: float = 0.0
    gravity: float = G

    @property
    def bottom(self) -> float:
        """What a gauge transmitter at the nozzle reads: the layers inside less the air outside."""
        surface, interface = max(self.level, self.nozzle), max(self.water, self.nozzle)
        inside = self.gas * (self.top - surface)
        inside += self.density * (surface - interface) + self.water_density * (interface - self.nozzle)
        return self.above + self.gravity * (inside - self.air * (self.top - self.nozzle))


def head_plan(column: ColumnPlan | None = None, **changes: object) -> TankPlan:
    return straight_plan(gauge=HeadPlan(NOZZLE, column=column or ColumnPlan()), **changes)


def head_figures(plan: TankPlan, pressure_pa: float, memory: Memory = EMPTY_MEMORY, **changes: object) -> Figures:
    """At 25 degC, where 800 kg/m3 are 792."""
    return sheet(plan, head_input(pressure_pa, **changes), memory).figures


def head_input(pressure_pa: float, **changes: object) -> TankInput:
    fields: dict[str, object] = {"level": None, "bottom_pressure": good(pressure_pa), "elements": (good(25.0),) * 4}
    return straight_input(**(fields | changes))  # type: ignore[arg-type]


def codes(figure: Figure) -> list[ReasonCode]:
    return [reason.code for reason in figure.reasons]


@st.composite
def cases(draw: st.DrawFn) -> tuple[Column, TankPlan, TankInput]:
    """A true column, and the tank and the readings that go with it: vented, blanketed, under a counted vapour."""
    celsius = draw(st.floats(-10.0, 60.0))
    reference = draw(st.floats(620.0, 1900.0))
    density = reference * (1.0 - 0.001 * (celsius - 15.0))
    nozzle = draw(st.floats(0.0, 1.0))
    level = draw(st.floats(nozzle + 0.15, 9.9))
    water = 0.0
    if density < 990.0 and level > nozzle + 1.0 and draw(st.booleans()):
        water = draw(st.floats(0.01, min(2.0, level - nozzle - 0.5)))
    water_density = draw(st.sampled_from([998.0, 1025.0, 1180.0]))
    air = draw(st.sampled_from([1.2, 0.95]))
    gravity = draw(st.floats(9.77, 9.83))
    top, above, vapour = 10.0, 0.0, None
    given_gas: float | None = None
    given_top: float | None = None
    gas = air
    kind = draw(st.sampled_from(["vented", "vented, heavy gas", "blanketed", "gas stated", "vapour stated", "gas law"]))
    if kind == "vented, heavy gas":
        gas = given_gas = draw(st.floats(0.2, 3.0))
    elif kind != "vented":
        above = draw(st.floats(-300.0, 5e4 if kind == "blanketed" else 6e5))
        given_top = top = draw(st.floats(10.0, 13.0))
        gas = air + 1.2 * above / 101_325.0
    if kind == "gas stated":
        gas = given_gas = draw(st.floats(0.1, 20.0))
    elif kind == "vapour stated":
        gas = draw(st.floats(0.5, 20.0))
        vapour = VapourPlan(gas)
    elif kind == "gas law":
        # P M / (Z R T) at the liquid's temperature, R by CODATA 2018.
        gas = (above + 101_325.0) * 0.0441 / (0.9 * 8.314462618 * (celsius + 273.15))
        vapour = VapourPlan(molar_mass_kg_mol=0.0441, compressibility_factor=0.9)
    truth = Column(density, level, nozzle, water, water_density, gas, air, top, above, gravity)
    around = ColumnPlan(kind not in ("vented", "vented, heavy gas"), given_top, given_gas, air, water_density)
    plan = straight_plan(
        gauge=HeadPlan(nozzle, column=around),
        product=ProductPlan("oil", StraightLineMethod()),
        free_water=FreeWaterSource.PROBE if water else FreeWaterSource.NONE,
        measured_density=MeasuredDensityPlan(nozzle, in_use=True, minimum_head_m=0.1, column=around),
        vapour=vapour,
        gravity_m_s2=gravity,
    )
    readings = TankInput(
        tank="TK-1",
        instant=NOON,
        bottom_pressure=good(truth.bottom),
        vapour_pressure=good(above) if around.vapour_pressure_fitted else None,
        water=good(water) if water else None,
        elements=(good(celsius),) * 4,
        manual_temperature=good(celsius),
        reference_density=good(reference),
    )
    return truth, plan, readings


@given(cases())
def test_level_of_any_column_is_right_and_good(case: tuple[Column, TankPlan, TankInput]) -> None:
    truth, plan, readings = case
    figures = sheet(replace(plan, measured_density=None), readings).figures
    assert figures.level.value == pytest.approx(truth.level, abs=1e-6)
    assert figures.level.quality is Quality.GOOD
    assert figures.mass.quality is Quality.GOOD


@given(cases())
def test_density_of_any_column_is_right_and_good(case: tuple[Column, TankPlan, TankInput]) -> None:
    truth, plan, readings = case
    by_gauge = replace(plan, gauge=straight_plan().gauge)
    figures = sheet(by_gauge, readings._replace(level=good(truth.level))).figures
    assert figures.measured_density.value == pytest.approx(truth.density, rel=1e-6)
    assert figures.measured_density.quality is Quality.GOOD
    assert figures.observed_density.value == pytest.approx(truth.density, rel=1e-6)


def test_one_pascal_may_be_an_empty_tank() -> None:
    """Caustic in a tank of 8 m: 1 Pa at a nozzle 0.3 m up gave 23 t, Good."""
    plan = head_plan()
    for pressure in (1.0, 0.0, -1.0, -200.0):
        figures = head_figures(plan, pressure, manual_temperature=good(25.0))
        assert figures.level.value == pytest.approx(NOZZLE, abs=0.001), pressure
        for figure in (figures.level, figures.tov, figures.mass, figures.room):
            assert figure.quality is Quality.UNCERTAIN, pressure
        assert codes(figures.level) == [ReasonCode.LOW_HEAD]
        assert "may be empty" in figures.level.reasons[0].text


def test_the_least_head_that_is_good() -> None:
    plan = straight_plan(gauge=HeadPlan(NOZZLE, minimum_head_m=0.25))
    per_metre = G * (792.0 - AIR)
    short = head_figures(plan, 0.249 * per_metre, manual_temperature=good(25.0)).level
    assert short.value == pytest.approx(0.549)
    assert short.quality is Quality.UNCERTAIN
    assert short.reasons[0].text.endswith("249 mm of liquid above the nozzle, less than 0.250 m: the tank may be empty")
    enough = head_figures(plan, 0.251 * per_metre, manual_temperature=good(25.0)).level
    assert enough.value == pytest.approx(0.551)
    assert enough.quality is Quality.GOOD


def test_far_below_zero_no_level_can_be_known() -> None:
    figures = head_figures(head_plan(), -201.0)
    assert (figures.level.value, figures.level.quality) == (None, Quality.BAD)
    assert codes(figures.level)[0] is ReasonCode.BELOW_DATUM
    assert "see to its zero" in figures.level.reasons[0].text


def test_an_empty_tank_needs_no_temperature() -> None:
    """Every element is dry: what so little liquid is at makes millimetres; a metre of it has no level without."""
    dead = (bad(),) * 4
    for pressure in (-100.0, 0.0, 1.0, 300.0):
        figures = head_figures(head_plan(), pressure, elements=dead)
        assert figures.level.quality is figures.room.quality is Quality.UNCERTAIN, pressure
        assert figures.level.value == pytest.approx(NOZZLE + max(0.0, pressure) / (G * 798.8)), pressure
        assert figures.mass.quality is Quality.BAD
    assert head_figures(head_plan(), 8_000.0, elements=dead).level.quality is Quality.BAD
    refused = head_plan(product=ProductPlan("hot", StraightLineMethod(reference_temperature_c=150.0)))
    assert head_figures(refused, 300.0, elements=dead).level.quality is Quality.BAD
    unknown = head_figures(head_plan(), 300.0, elements=dead, reference_density=None)
    assert unknown.level.quality is Quality.BAD


def changes(qualities: list[Quality]) -> int:
    """The most changes within any ten polls."""
    steps = [one is not other for one, other in pairwise(qualities)]
    return max(sum(steps[start : start + 9]) for start in range(len(steps)))


@given(
    centre=st.floats(-400.0, 1_600.0),
    drift=st.floats(-5.0, 5.0),
    ripple=st.lists(st.floats(-50.0, 50.0), min_size=40, max_size=40),
    has_temperature=st.booleans(),
)
def test_ripple_at_a_border_of_the_pressure_does_not_flap(
    centre: float, drift: float, ripple: list[float], has_temperature: bool
) -> None:
    plan = head_plan()
    by_hand = good(25.0) if has_temperature else None
    memory, seen = EMPTY_MEMORY, []
    for poll, noise in enumerate(ripple):
        instant = NOON + timedelta(seconds=2 * poll)
        reading = head_input(centre + drift * poll + noise, manual_temperature=by_hand, instant=instant)
        inventory, memory = calculate(plan, reading, memory)
        seen.append(inventory.figures.level.quality)
    assert changes(seen) <= 1, seen


@given(
    centre=st.floats(1.45, 1.62),
    drift=st.floats(-0.001, 0.001),
    ripple=st.lists(st.floats(-0.02, 0.02), min_size=40, max_size=40),
)
def test_ripple_at_the_least_head_of_a_measured_density_does_not_flap(
    centre: float, drift: float, ripple: list[float]
) -> None:
    plan = straight_plan(measured_density=MeasuredDensityPlan(0.5, in_use=True), limits=LimitPlan())
    memory, seen = EMPTY_MEMORY, []
    for poll, noise in enumerate(ripple):
        level = centre + drift * poll + noise
        pressure = good(Column(803.0, level, 0.5).bottom)
        reading = straight_input(level, bottom_pressure=pressure, instant=NOON + timedelta(seconds=2 * poll))
        inventory, memory = calculate(plan, reading, memory)
        seen.append(inventory.figures.mass.quality)
    assert changes(seen) <= 1, seen


@pytest.mark.parametrize("declared", ["blanketed", "fitted"])
def test_a_blanket_that_nobody_measures_makes_level_and_density_uncertain(declared: str) -> None:
    """20 mbar of nitrogen are 0.26 m of a liquid of 792 kg/m3."""
    truth = Column(above=2_000.0, gas=AIR * (1 + 2_000.0 / 101_325.0))
    plan = head_plan(ColumnPlan(vapour_pressure_fitted=declared == "fitted"), blanketed=declared == "blanketed")
    level = head_figures(plan, truth.bottom).level
    assert level.value == pytest.approx(5.0 + 2_000.0 / (G * 790.8), abs=1e-3)
    assert (level.quality, codes(level)) == (Quality.UNCERTAIN, [ReasonCode.BLANKET_UNKNOWN])
    measured = head_figures(plan, truth.bottom, vapour_pressure=good(2_000.0)).level
    assert measured.value == pytest.approx(5.0)
    assert measured.quality is Quality.GOOD
    hybrid = straight_plan(
        measured_density=MeasuredDensityPlan(
            NOZZLE, in_use=True, column=ColumnPlan(vapour_pressure_fitted=declared == "fitted")
        ),
        blanketed=declared == "blanketed",
    )
    figures = sheet(hybrid, straight_input(5.0, bottom_pressure=good(truth.bottom))).figures
    assert ReasonCode.BLANKET_UNKNOWN in codes(figures.measured_density)
    assert figures.mass.quality is Quality.UNCERTAIN


def test_a_lost_vapour_pressure_leaves_no_level() -> None:
    plan = head_plan(ColumnPlan(vapour_pressure_fitted=True))
    assert head_figures(plan, 40_000.0, vapour_pressure=bad()).level.quality is Quality.BAD


def water_plan(column: ColumnPlan | None = None) -> TankPlan:
    return head_plan(column, free_water=FreeWaterSource.PROBE)


@pytest.mark.parametrize(
    ("water", "quality"),
    [
        (good(1.3), Quality.GOOD),
        (uncertain(1.3), Quality.UNCERTAIN),
        (bad(), Quality.UNCERTAIN),
        (good(0.2), Quality.GOOD),
        (good(0.0), Quality.GOOD),
        (None, Quality.UNCERTAIN),
    ],
)
def test_water_over_the_nozzle_counts_as_far_as_it_is_known(water: Input | None, quality: Quality) -> None:
    known_m = 0.0 if water is None or water.value is None else water.value
    truth = Column(water=known_m)
    level = head_figures(water_plan(), truth.bottom, water=water).level
    assert level.value == pytest.approx(5.0, abs=1e-9)
    assert level.quality is quality


def test_water_left_out_was_a_quarter_of_a_metre() -> None:
    # 1 m of water weighs as 1.26 m of a product of 792 kg/m3.
    truth = Column(water=1.3)
    more_m = (998.0 - 792.0) / 790.8
    assert more_m == pytest.approx(0.2605, abs=1e-4)
    assert value(head_figures(head_plan(), truth.bottom).level) == pytest.approx(5.0 + more_m)


def test_water_that_the_pressure_does_not_carry_makes_a_column_of_water_uncertain() -> None:
    truth = Column(level=1.3, water=1.3)
    figures = head_figures(water_plan(), truth.bottom, water=good(1.32))
    assert figures.level.value == pytest.approx(1.3)
    assert figures.level.quality is Quality.UNCERTAIN
    assert figures.level.reasons[-1].text.endswith("does not carry free water up to 1.320 m: it is taken as all water")
    assert codes(figures.water_level) == [ReasonCode.WATER_ABOVE_LEVEL]
    assert figures.gov.quality is Quality.BAD


def test_the_relation_of_a_level_by_pressure_says_what_was_counted() -> None:
    vented = sheet(head_plan(), head_input(40_000.0))
    line = next(line for line in explain(head_plan(), vented) if line.name == "level")
    assert line.clause == "nozzle 0.300 m + P1 / (g (rho_obs - 1.2 kg/m3)), g 9.80665 m/s2, API MPMS 3.7"
    plan = water_plan(ColumnPlan(True, 11.0, 1.5))
    full = sheet(plan, head_input(40_000.0, vapour_pressure=good(500.0), water=good(0.4)))
    line = next(line for line in explain(plan, full) if line.name == "level")
    assert line.clause == (
        "nozzle 0.300 m + ((P1 - P3) / g - (1.5 kg/m3 - 1.2 kg/m3) (11.000 m - nozzle)) / (rho_obs - 1.5 kg/m3), "
        "free water above the "
        "nozzle at 998 kg/m3, g 9.80665 m/s2, API MPMS 3.7"
    )
    assert line.inputs == ("bottom_pressure", "vapour_pressure", "water_level", "observed_density")


@pytest.mark.parametrize(
    ("column", "vapour", "words"),
    [
        (ColumnPlan(), None, "P1 / (g (L - nozzle)) + 1.2 kg/m3, nozzle 0.500 m, g 9.80665 m/s2, API MPMS 3.6"),
        (
            ColumnPlan(True),
            None,
            "((P1 - P3) / g + 1.2 kg/m3 (10.000 m - nozzle) - rho of air at P3 (10.000 m - L)) / (L - nozzle), "
            "nozzle 0.500 m, g 9.80665 m/s2, API MPMS 3.6",
        ),
        (
            ColumnPlan(True, 12.0),
            VapourPlan(13.7),
            "((P1 - P3) / g + 1.2 kg/m3 (12.000 m - nozzle) - 13.7 kg/m3 (12.000 m - L)) / (L - nozzle), "
            "nozzle 0.500 m, g 9.80665 m/s2, API MPMS 3.6",
        ),
        (
            ColumnPlan(True, 12.0),
            VapourPlan(molar_mass_kg_mol=0.0441),
            "((P1 - P3) / g + 1.2 kg/m3 (12.000 m - nozzle) - P3 M / (Z R T) (12.000 m - L)) / (L - nozzle), "
            "nozzle 0.500 m, g 9.80665 m/s2, API MPMS 3.6",
        ),
    ],
)
def test_the_relation_of_a_measured_density(column: ColumnPlan, vapour: VapourPlan | None, words: str) -> None:
    plan = straight_plan(measured_density=MeasuredDensityPlan(0.5, in_use=False, column=column), vapour=vapour)
    vapour_pressure = good(500.0) if column.vapour_pressure_fitted else None
    inventory = sheet(plan, straight_input(bottom_pressure=good(43_000.0), vapour_pressure=vapour_pressure))
    line = next(line for line in explain(plan, inventory) if line.name == "measured_density")
    assert line.clause == words


def test_a_gas_that_its_law_refuses_gives_neither_level_nor_density() -> None:
    plan = head_plan(ColumnPlan(True), vapour=VapourPlan(molar_mass_kg_mol=0.0441))
    level = head_figures(plan, 7e6, vapour_pressure=good(6.9e6)).level
    assert (level.quality, codes(level)) == (Quality.BAD, [ReasonCode.METHOD_LIMIT])


def test_a_gas_whose_factor_nobody_gave_leaves_level_and_density_uncertain() -> None:
    """Propane at 5 bar is a tenth denser than an ideal gas, which over 5 m of it are 7 mm of this liquid."""
    ideal = VapourPlan(molar_mass_kg_mol=0.0441)
    plan = head_plan(ColumnPlan(True), vapour=ideal)
    level = head_figures(plan, 540_000.0, vapour_pressure=good(500_000.0)).level
    assert (level.quality, codes(level)) == (Quality.UNCERTAIN, [ReasonCode.COMPRESSIBILITY_ASSUMED])
    hybrid = straight_plan(
        measured_density=MeasuredDensityPlan(NOZZLE, in_use=True, column=ColumnPlan(True)), vapour=ideal
    )
    both = straight_input(bottom_pressure=good(545_000.0), vapour_pressure=good(500_000.0))
    assert ReasonCode.COMPRESSIBILITY_ASSUMED in codes(sheet(hybrid, both).figures.measured_density)
    for vapour in (replace(ideal, compressibility_factor=0.9), VapourPlan(12.0)):
        told = head_figures(replace(plan, vapour=vapour), 540_000.0, vapour_pressure=good(500_000.0)).level
        assert told.quality is Quality.GOOD
    stated = replace(plan, gauge=HeadPlan(NOZZLE, column=ColumnPlan(True, None, 12.0)))
    assert head_figures(stated, 540_000.0, vapour_pressure=good(500_000.0)).level.quality is Quality.GOOD


def test_a_vapour_over_no_composition_weighs_nothing_known() -> None:
    plan = head_plan(ColumnPlan(True), vapour=VapourPlan(equilibrium=True))
    level = head_figures(plan, 540_000.0, vapour_pressure=good(500_000.0)).level
    assert (level.quality, codes(level)) == (Quality.BAD, [ReasonCode.METHOD_LIMIT])
    assert "the composition that the vapour stands over is not given" in level.reasons[0].text


def test_under_a_blanket_the_gas_is_air_at_its_pressure_whatever_the_product_gives_off() -> None:
    truth = Column(above=2_000.0, gas=AIR * (1 + 2_000.0 / 101_325.0))
    plan = head_plan(ColumnPlan(True), vapour=VapourPlan(equilibrium=True), blanketed=True)
    level = head_figures(plan, truth.bottom, vapour_pressure=good(2_000.0)).level
    assert level.value == pytest.approx(5.0, abs=1e-9)
    assert level.quality is Quality.GOOD


@dataclass(frozen=True, slots=True)
class SqueezedLine:
    """1 % denser for each MPa."""

    line: PreparedLine

    @property
    def reference_density(self) -> float | None:
        return self.line.reference_density

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        ctl, _, density, _ = self.line.at(temperature_c, 0.0)
        cpl = 1.0 + 1e-8 * gauge_pressure_pa
        return Corrected(ctl, cpl, None if density is None else density * cpl)


@dataclass(frozen=True, slots=True)
class SqueezedMethod(StraightLineMethod):
    def from_reference_density(self, density: float | None) -> SqueezedLine:  # type: ignore[override]
        return SqueezedLine(PreparedLine(density))


def test_a_pressurised_liquid_weighs_at_its_own_pressure() -> None:
    above = 300_000.0
    truth = Column(792.0 * 1.003, above=above, gas=AIR * (1 + above / 101_325.0))
    plan = head_plan(ColumnPlan(True), pressurised=True, product=ProductPlan("squeezed", SqueezedMethod()))
    level = head_figures(plan, truth.bottom, vapour_pressure=good(above)).level
    assert level.value == pytest.approx(5.0, abs=1e-9)
