"""A measured density against the entered one: what is doubted, for how long, and what ends it."""

from datetime import timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.doubts.densities_apart import DensitiesState, next_densities
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import ColumnPlan, FreeWaterSource, MeasuredDensityPlan
from gateway.records import Figures, Input, Quality, ReasonCode
from tests.support.plans import NOON, bad, good, straight_input, straight_plan, uncertain, value

GRAVITY = 9.80665


def test_it_begins_beyond_the_limit_and_ends_at_four_fifths_of_it() -> None:
    found = None
    states = []
    for index, difference in enumerate([5.0, 5.1, 5.0, 4.1, -4.1, 4.0, 5.0]):
        found = next_densities(found, difference, 800.0, 5.0, float(index))
        assert found is not None
        states.append(found.state is DensitiesState.APART)
    assert states == [False, True, True, True, True, False, False]


class Run:
    """Sheets of a tank of 800 kg/m3, entered, its nozzle at 0.5 m; the weight of outside air is left out."""

    def __init__(self, **changes: object) -> None:
        self.plan = straight_plan(
            measured_density=MeasuredDensityPlan(0.5, in_use=False, column=ColumnPlan(air_density_kg_m3=0.0)), **changes
        )
        self.memory: Memory = EMPTY_MEMORY
        self.now_s = 0.0

    def look(
        self, density: float | Input, entered: float = 800.0, level_m: float = 6.0, step_s: float = 10.0, **rest: object
    ) -> Figures:
        self.now_s += step_s
        pressure = density if isinstance(density, Input) else good(density * GRAVITY * max(level_m - 0.5, 0.0))
        given = straight_input(
            level_m,
            bottom_pressure=pressure,
            reference_density=good(entered),
            instant=NOON + timedelta(seconds=self.now_s),
            steady_s=1000.0 + self.now_s,
            **rest,
        )
        inventory, self.memory = calculate(self.plan, given, self.memory)
        return inventory.figures


def codes(figures: Figures) -> list[ReasonCode]:
    return [reason.code for reason in figures.mass.reasons]


def test_a_doubt_about_the_product_is_not_forgotten_with_the_pressure() -> None:
    run = Run()
    assert codes(run.look(742.0)) == [ReasonCode.DENSITIES_DISAGREE]
    lost = [run.look(bad()) for _ in range(360)]
    assert {tuple(codes(each)) for each in lost} == {(ReasonCode.DENSITIES_DISAGREE,)}
    assert lost[-1].mass.reasons[0].text == (
        "measured density was -58.0 kg/m3 from the entered one at tank temperature, more than 5 kg/m3, "
        "when last compared, 60 min ago"
    )
    low = run.look(742.0, level_m=1.2)
    assert low.measured_density.quality is Quality.BAD, "too little liquid over the nozzle"
    assert codes(low) == [ReasonCode.DENSITIES_DISAGREE]
    assert codes(run.look(797.0)) == [], "borne out"


def test_another_density_entered_ends_the_doubt_about_the_old_one() -> None:
    run = Run()
    run.look(742.0)
    assert codes(run.look(bad(), entered=743.0)) == []
    assert codes(run.look(742.0, entered=743.0)) == []
    assert codes(run.look(742.0, entered=760.0)) == [ReasonCode.DENSITIES_DISAGREE]


def test_what_is_not_known_of_the_column_makes_the_measured_density_wrong_and_not_the_entered_one() -> None:
    """An uncertain metre of water over the nozzle."""
    run = Run(free_water=FreeWaterSource.PROBE)
    figures = run.look(860.0, water=uncertain(1.0))
    assert figures.measured_density.quality is Quality.UNCERTAIN
    assert abs(value(figures.density_difference)) > 5.0
    assert ReasonCode.DENSITIES_DISAGREE not in codes(figures)


def test_a_pressure_of_another_moment_does_so_too_while_the_level_moves() -> None:
    """2.5 m3/s: 1.5 m in a minute, and the pressure is that of 70 s ago."""
    run = Run()
    run.look(800.0, level_m=6.0)
    old = good(800.0 * GRAVITY * 5.5, age_s=71.0)
    figures = run.look(old, level_m=7.5, step_s=60.0)
    (reason,) = figures.measured_density.reasons
    assert reason.code is ReasonCode.AGES_DIFFER
    assert reason.text == (
        "the pressure behind the density and the level differ in age by 70 s, more than 60 s, while the level moves"
    )
    assert value(figures.density_difference) < -100.0
    assert figures.mass.quality is Quality.GOOD


@given(
    st.lists(st.tuples(st.floats(-2.0, 2.0), st.booleans()), min_size=60, max_size=120),
    st.floats(-8.0, 8.0),
)
@settings(max_examples=40)
def test_whatever_ripples_the_quality_of_the_mass_changes_once_in_ten_readings_at_most(
    ripple: list[tuple[float, bool]], offset: float
) -> None:
    """The difference wanders about anything up to 10 kg/m3, the limit being 5, and the pressure is lost at times."""
    run = Run()
    qualities = []
    for wave, is_lost in ripple:
        figures = run.look(bad() if is_lost else 800.0 + offset + wave)
        qualities.append(figures.mass.quality)
        if not is_lost and abs(offset + wave) > 5.0 + 1e-6:
            assert figures.mass.quality is Quality.UNCERTAIN, "never Good beyond the limit"
    assert sum(before is not now for before, now in pairwise(qualities)) <= 4 * -(-len(qualities) // 40)


@given(st.integers(0, 3000), st.integers(100, 3000), st.integers(0, 3))
def test_the_least_head_in_decimals_is_enough(nozzle_mm: int, least_mm: int, short_mm: int) -> None:
    """1.344 m less 0.344 m is 0.9999999999999999 m in binary, and with the ullage that it came from less still: a tank
    whose column must be 1 m high was then not compared at all, and a valve that was shut before its transmitter not
    noticed. A millimetre less is too little."""
    hybrid = MeasuredDensityPlan(nozzle_mm / 1000, in_use=False, minimum_head_m=least_mm / 1000)
    plan = straight_plan(measured_density=hybrid)
    level_m = plan.reference_height_m - (plan.reference_height_m - (nozzle_mm + least_mm - short_mm) / 1000)
    pressure = good(800.0 * GRAVITY * (least_mm - short_mm) / 1000)
    sheet, _ = calculate(plan, straight_input(level_m, bottom_pressure=pressure, reference_density=good(800.0)))
    measured = sheet.figures.measured_density
    assert (measured.value is None) is (short_mm > 0), measured
