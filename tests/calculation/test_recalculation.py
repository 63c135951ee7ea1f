"""History made again: without a correction it is the same to the last digit; with one, only what it touches changes."""

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.history.recalculation import corrected, recalculate
from gateway.calculation.history.recorded import RecordedInput, rebuilt, recorded_plan
from gateway.calculation.inventory import calculate, failed
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import (
    ColumnPlan,
    FlowPlan,
    FreeWaterSource,
    GaugeKind,
    GaugePlan,
    HeadPlan,
    LimitPlan,
    MeasuredDensityPlan,
    ProductPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    TemperaturePlan,
    VapourPlan,
    VapourPressurePlan,
    Weighting,
)
from gateway.calculation.shapes import Head, LyingCylinder, UprightCylinder
from gateway.calculation.vapour.mixture import COMPONENTS
from gateway.calculation.vapour.pressure_curve import curve_of_composition
from gateway.records import Figures, Input, Inventory, Quality, Reason, ReasonCode, TankInput
from tests.support.plans import (
    NOON,
    StraightLineMethod,
    bad,
    good,
    straight_input,
    straight_plan,
    temperature_plan,
    value,
)
from tests.support.reasons import as_told

DIESEL = ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, 15.0))
LINE = ProductPlan("brine", StraightLineMethod(), 0.25)


def _own(name: str) -> VapourPressurePlan:
    return VapourPressurePlan(curve_of_composition([COMPONENTS[name]], [1.0]))


PLANS: dict[str, TankPlan] = {
    "innage": straight_plan(free_water=FreeWaterSource.PROBE),
    "ullage, offset, two gauges, API 11.1, shell": straight_plan(
        product=DIESEL,
        capacity=UprightCylinder(18.0, 10.2, 4.2),
        gauge=GaugePlan(GaugeKind.ULLAGE, 0.013),
        second_gauge=GaugePlan(GaugeKind.ULLAGE, -0.007),
        free_water=FreeWaterSource.PROBE,
        shell=ShellPlan(11.2e-6, 15.0),
        maximum_flow_in_m3_s=0.1,
        maximum_flow_out_m3_s=0.1,
    ),
    "roof, water by dip, API 11.1": straight_plan(
        product=DIESEL, roof=RoofPlan(46_000.0, 1.6, 2.0), free_water=FreeWaterSource.DIP
    ),
    "by pressure": straight_plan(product=LINE, gauge=HeadPlan(0.15), free_water=FreeWaterSource.PROBE),
    "by pressure, under a blanket that nobody measures": straight_plan(gauge=HeadPlan(0.15), blanketed=True),
    "by pressure, under vapour": straight_plan(
        gauge=HeadPlan(0.15, column=ColumnPlan(True, 11.0)),
        vapour=VapourPlan(molar_mass_kg_mol=0.0441),
        pressurised=True,
        free_water=FreeWaterSource.PROBE,
    ),
    "by pressure, pumps known, API 11.1": straight_plan(
        product=DIESEL, gauge=HeadPlan(0.15), maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1
    ),
    "bullet": straight_plan(
        capacity=LyingCylinder(3.0, 18.0, Head.ELLIPSOIDAL),
        reference_height_m=3.0,
        limits=LimitPlan(),
        temperature=TemperaturePlan(
            temperature_plan(0.3, 1.0, 1.7, 2.4).elements, immersion_margin_m=0.1, weighting=Weighting.SLICE_VOLUME
        ),
        vapour=VapourPlan(13.7),
        pressurised=True,
    ),
    "vapour by the gas law, pressure compared": straight_plan(
        product=replace(LINE, vapour_pressure=_own("propane")),
        vapour=VapourPlan(molar_mass_kg_mol=0.0441, component=COMPONENTS["propane"]),
    ),
    "level under a pressure compared": straight_plan(
        product=replace(LINE, vapour_pressure=_own("n-butane")),
        gauge=HeadPlan(0.15),
        vapour=VapourPlan(13.7),
    ),
    "pressurised, API 11.1": straight_plan(product=DIESEL, pressurised=True),
    "no gauge": straight_plan(gauge=None, second_gauge=GaugePlan(GaugeKind.INNAGE)),
    "density measured": straight_plan(
        product=LINE,
        measured_density=MeasuredDensityPlan(nozzle_height_m=0.2, in_use=True),
        free_water=FreeWaterSource.PROBE,
    ),
    "density compared": straight_plan(
        product=DIESEL, measured_density=MeasuredDensityPlan(nozzle_height_m=0.2, in_use=False)
    ),
}

_CAUSES = (ReasonCode.NO_ANSWER, ReasonCode.SENTINEL, ReasonCode.LOOP_OUTSIDE_SPAN)


class _Field:
    """Readings as a site gives them: mostly Good, now and then Uncertain or Bad with a reason."""

    def __init__(self, seed: int) -> None:
        self._random = Random(seed)

    def reading(self, low: float, high: float) -> Input:
        random = self._random
        age_s = random.choice([0.0, 0.4, 2.0, 75.0])
        reason = Reason(random.choice(_CAUSES), "X.s: a cause")
        kind = random.random()
        if kind < 0.7:
            return Input(random.uniform(low, high), Quality.GOOD, None, age_s, "X.s")
        if kind < 0.85:
            return Input(random.uniform(low, high), Quality.UNCERTAIN, reason, age_s, "X.s")
        return Input(None, Quality.BAD, reason, age_s, "X.s")

    def by_hand(self, low: float, high: float, quality: Quality = Quality.GOOD) -> Input:
        return Input(self._random.uniform(low, high), quality, None, 3600.0, "dip", True)

    def maybe(self, given: Input) -> Input | None:
        return self._random.choice([None, given])

    def inputs(self, plan: TankPlan) -> list[TankInput]:
        """Thirty sheets' inputs, 2 s to a quarter of an hour apart; the level creeps, and now and then jumps."""
        random = self._random
        top = 3.1 if plan.reference_height_m < 4.0 else 10.6
        by_head = isinstance(plan.gauge, HeadPlan)
        vapour_pa = (-15e3, 6e5) if plan.pressurised else None
        if plan.product.vapour_pressure is not None:
            # Under the head; butane at 16 degC has 80 kPa gauge, give or take 50.
            vapour_pa = (20e3, 45e3) if by_head else (0.0, 9e5)
        elif plan.pressurised and by_head:
            vapour_pa = (-200.0, 2e3)
        with_pressure = by_head or plan.measured_density is not None
        dip_level = self.maybe(self.by_hand(0.5, 2.5, Quality.UNCERTAIN))
        manual = self.maybe(self.by_hand(10.0, 30.0, Quality.UNCERTAIN))
        density, sediment = self.by_hand(780.0, 860.0), self.maybe(self.by_hand(0.0, 0.01))
        dip_water = self.maybe(self.by_hand(0.0, 0.2))
        found = []
        instant, level = NOON, random.uniform(0.0, top)
        for _ in range(30):
            instant += timedelta(seconds=random.choice([2, 10, 60, 900]))
            level = random.uniform(-0.03, top) if random.random() < 0.1 else level + random.uniform(-0.06, 0.06)
            gauge = self.reading(level, level)
            found.append(
                TankInput(
                    tank=plan.tank,
                    instant=instant,
                    level=gauge if plan.gauge is not None and not by_head else None,
                    second_level=None if plan.second_gauge is None else self.reading(level - 0.02, level + 0.02),
                    dip_level=dip_level,
                    bottom_pressure=self.reading(-500.0, 90_000.0) if with_pressure else None,
                    vapour_pressure=self.reading(*vapour_pa) if vapour_pa else None,
                    water=self.reading(-0.05, 1.5) if plan.free_water is FreeWaterSource.PROBE else None,
                    dip_water=dip_water,
                    elements=tuple(self.reading(14.0, 18.0) for _ in plan.temperature.elements),
                    manual_temperature=manual,
                    ambient=self.reading(-10.0, 30.0) if plan.shell is not None else None,
                    reference_density=density,
                    sediment_water=sediment,
                )
            )
        return found


def _history(plan: TankPlan, inputs: Iterable[TankInput]) -> list[Inventory]:
    return list(recalculate(plan, inputs))


def _records(plan: TankPlan, inputs: list[TankInput], every: int = 1) -> list[RecordedInput]:
    pairs = list(zip(_history(plan, inputs), inputs, strict=True))
    return [rebuilt(recorded_plan(plan), inventory, given) for inventory, given in pairs[::every]]


def _same(again: Inventory, before: Inventory) -> None:
    for name, new, old in zip(Figures._fields, again.figures, before.figures, strict=True):
        assert new == old, name
    assert again.elements == before.elements
    assert again.quality is before.quality
    assert (again.tank, again.product, again.instant) == (before.tank, before.product, before.instant)


def test_inputs_are_calculated_as_when_they_were_read() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.01)
    inputs = [straight_input(6.0 + 0.1 * n, instant=NOON + timedelta(seconds=30 * n)) for n in range(5)]
    memory: Memory = EMPTY_MEMORY
    expected = []
    for each in inputs:
        inventory, memory = calculate(plan, each, memory)
        expected.append(inventory)
    assert _history(plan, inputs) == expected
    assert expected[-1].figures.level.reasons[0].code is ReasonCode.RATE_IMPLAUSIBLE


@pytest.mark.parametrize("name", sorted(PLANS))
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32), every=st.integers(1, 3))
def test_without_a_correction_every_figure_is_the_same_to_the_last_digit(name: str, seed: int, every: int) -> None:
    plan = PLANS[name]
    records = _records(plan, _Field(seed).inputs(plan), every)
    for again, record in zip(recalculate(recorded_plan(plan), records), records, strict=True):
        _same(again, record.recorded)


def _one(plan: TankPlan, inventory: Inventory) -> RecordedInput:
    return rebuilt(recorded_plan(plan), inventory)


def _again(plan: TankPlan, *records: RecordedInput) -> list[Inventory]:
    return list(recalculate(recorded_plan(plan), records))


def test_a_corrected_density_changes_mass_in_proportion_and_nothing_measured() -> None:
    plan = straight_plan()
    before = calculate(plan, straight_input(6.0))[0]
    (after,) = _again(plan, *corrected([_one(plan, before)], "mistyped sample", reference_density=840.0))
    figures = after.figures
    assert figures.mass.value == pytest.approx(value(before.figures.mass) * 840.0 / 800.0, rel=1e-15)
    assert (figures.reference_density.value, figures.reference_density.manual) == (840.0, True)
    (reason,) = figures.reference_density.reasons
    assert as_told(reason) == Reason(ReasonCode.MANUAL, "corrected: mistyped sample")
    for name in ("level", "tov", "liquid_temperature", "ctl", "gsv", "room"):
        assert getattr(figures, name) == getattr(before.figures, name), name


def test_a_corrected_table_changes_every_volume() -> None:
    plan = straight_plan()
    before = calculate(plan, straight_input(6.0))[0]
    wider = replace(plan, capacity=UprightCylinder(18.0, 10.2))
    (after,) = _again(wider, *corrected([_one(wider, before)], "new calibration"))
    assert after.figures.tov.value == pytest.approx(math.pi * 81.0 * 6.0, rel=1e-15)
    assert after.figures.level == before.figures.level


def test_a_corrected_temperature_stands_in_for_the_elements_in_the_liquid_alone() -> None:
    plan = straight_plan()
    before = calculate(plan, straight_input(4.0, elements=(good(20.0), good(21.0), good(33.0), good(35.0))))[0]
    (after,) = _again(plan, *corrected([_one(plan, before)], "thermometer off", temperature_c=25.0))
    temperature = after.figures.liquid_temperature
    assert (temperature.value, temperature.quality, temperature.manual) == (25.0, Quality.UNCERTAIN, True)
    assert after.figures.ctl.value == pytest.approx(0.99)
    assert after.figures.gsv.quality is Quality.UNCERTAIN
    assert after.figures.vapour_temperature == before.figures.vapour_temperature
    assert [use.used for use in after.elements] == [False] * 4


@pytest.mark.parametrize(
    ("source", "quality"), [(FreeWaterSource.PROBE, Quality.UNCERTAIN), (FreeWaterSource.DIP, Quality.GOOD)]
)
def test_corrected_water_is_as_good_as_a_dip_and_no_better_than_a_probe(
    source: FreeWaterSource, quality: Quality
) -> None:
    plan = straight_plan(free_water=source)
    before = calculate(plan, straight_input(6.0, water=good(0.2), dip_water=good(0.2)))[0]
    (after,) = _again(plan, *corrected([_one(plan, before)], "paste read wrongly", water_m=0.1))
    assert after.figures.free_water.value == pytest.approx(10.0)
    assert after.figures.gov.value == pytest.approx(590.0)
    assert after.figures.water_level.quality is quality


@pytest.mark.parametrize(
    ("source", "quality"), [(FreeWaterSource.PROBE, Quality.UNCERTAIN), (FreeWaterSource.DIP, Quality.GOOD)]
)
def test_water_that_was_not_there_can_be_corrected_away(source: FreeWaterSource, quality: Quality) -> None:
    """`none` was no water level: a probe that read 200 mm of nothing could only be corrected to a level of 0 mm."""
    plan = straight_plan(free_water=source)
    before = calculate(plan, straight_input(6.0, water=good(0.2), dip_water=good(0.2)))[0]
    (after,) = _again(plan, *corrected([_one(plan, before)], "paste read wrongly", no_water=True))
    assert after.figures.free_water.value == 0.0
    assert after.figures.gov.value == pytest.approx(600.0)
    water = after.figures.water_level
    assert (water.value, water.quality, water.manual) == (None, quality, True)
    assert as_told(water.reasons[0]) == Reason(ReasonCode.NONE_DETECTED, "no free water, corrected: paste read wrongly")


def test_a_judgement_against_time_outlasts_a_correction() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.01)
    inputs = [straight_input(6.0 + 0.1 * n, instant=NOON + timedelta(seconds=30 * n)) for n in range(5)]
    spike = _history(plan, inputs)[-1]
    (after,) = _again(plan, *corrected([_one(plan, spike)], "mistyped sample", reference_density=840.0))
    for name in ("level", "tov", "gsv", "mass"):
        figure = getattr(after.figures, name)
        assert figure.quality is Quality.UNCERTAIN, name
        assert ReasonCode.RATE_IMPLAUSIBLE in [reason.code for reason in figure.reasons], name


def test_what_flowed_is_in_no_record_and_what_was_judged_by_it_stands() -> None:
    plan = straight_plan(flows=(FlowPlan("FT-1.flow", into=True),))
    flow = (good(200.0 / 3600.0),)
    inputs = [straight_input(6.0, instant=NOON + timedelta(seconds=10 * n), flows=flow) for n in range(40)]
    frozen = _history(plan, inputs)[-1]
    assert [reason.code for reason in frozen.figures.level.reasons] == [ReasonCode.LEVEL_FROZEN]
    assert _again(plan, _one(plan, frozen)) == [frozen]
    (after,) = _again(plan, *corrected([_one(plan, frozen)], "mistyped sample", reference_density=840.0))
    assert after.figures.mass.quality is Quality.UNCERTAIN


def test_a_doubt_about_the_density_ends_with_the_density_that_is_corrected_and_not_before() -> None:
    plan = straight_plan(measured_density=MeasuredDensityPlan(nozzle_height_m=0.5, in_use=False))
    pressure = good(742.0 * 9.80665 * 5.5)
    record = _one(
        plan, calculate(plan, straight_input(6.0, bottom_pressure=pressure, reference_density=good(840.0)))[0]
    )
    assert record.recorded.figures.mass.quality is Quality.UNCERTAIN
    (right,) = _again(plan, *corrected([record], "product changed", reference_density=743.0))
    assert right.figures.mass.quality is Quality.GOOD
    assert right.figures.mass.value == pytest.approx(600.0 * 743.0)
    (wrong,) = _again(plan, *corrected([record], "mistyped sample", reference_density=838.0))
    assert wrong.figures.mass.quality is Quality.UNCERTAIN


def test_hysteresis_is_that_of_the_record_not_of_its_level_alone() -> None:
    plan = straight_plan()
    falling = [straight_input(level, instant=NOON + timedelta(seconds=2 * n)) for n, level in enumerate((5.4, 5.25))]
    record = _history(plan, falling)[-1]
    assert [use.used for use in record.elements] == [True, True, True, False], "5 m is wet down to 5.2 m"
    (after,) = _again(plan, _one(plan, record))
    assert after == record
    assert [use.used for use in calculate(plan, falling[-1])[0].elements] == [True, True, False, False]


def test_a_last_good_temperature_of_before_the_first_record_stands_in_again() -> None:
    plan = straight_plan()
    dead = (bad(), bad(), bad(), bad())
    inputs = [straight_input(), straight_input(instant=NOON + timedelta(hours=3), elements=dead)]
    record = _history(plan, inputs)[-1]
    assert record.figures.liquid_temperature.reasons[0].code is ReasonCode.LAST_GOOD_USED
    (after,) = _again(plan, *corrected([_one(plan, record)], "mistyped sample", reference_density=840.0))
    assert after.figures.liquid_temperature == record.figures.liquid_temperature
    assert after.figures.mass.value == pytest.approx(600.0 * 840.0)


def test_out_of_order_nothing_later_stands_in() -> None:
    plan = straight_plan()
    dead = (bad(), bad(), bad(), bad())
    early = calculate(plan, straight_input(elements=dead))[0]
    late = calculate(plan, straight_input(instant=NOON + timedelta(hours=1)))[0]
    after = _again(plan, _one(plan, late), _one(plan, early))
    assert after[1].figures.liquid_temperature.quality is Quality.BAD
    assert after == [late, early]


def test_last_good_figures_follow_the_correction() -> None:
    plan = straight_plan()
    inputs = [straight_input(), straight_input(instant=NOON + timedelta(seconds=60), level=bad())]
    records = [_one(plan, inventory) for inventory in _history(plan, inputs)]
    assert records[1].recorded.last_good["mass"].value == 480_000.0
    after = _again(plan, *corrected(records, "mistyped sample", reference_density=840.0))
    assert after[1].figures.mass.quality is Quality.BAD
    assert after[1].last_good["mass"].value == pytest.approx(504_000.0)
    alone = _again(plan, *corrected(records[1:], "mistyped sample", reference_density=840.0))
    assert "mass" not in alone[0].last_good, "the old one would be wrong, and a new one is not known"


def test_a_refused_density_says_so_in_its_own_words() -> None:
    plan = straight_plan(product=DIESEL)
    before = calculate(plan, straight_input(6.0, reference_density=good(300.0)))[0]
    assert before.figures.gsv.quality is Quality.BAD
    (after,) = _again(plan, *corrected([_one(plan, before)], "a slip", reference_density=3000.0))
    assert after.figures.gsv.quality is Quality.BAD
    assert "3000 kg/m3" in after.figures.gsv.reasons[0].text


def test_water_above_the_level_stays_bad_whatever_the_probe_had_said() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    before = calculate(plan, straight_input(1.0, water=good(1.5)))[0]
    (after,) = _again(plan, *corrected([_one(plan, before)], "mistyped sample", reference_density=840.0))
    assert after.figures.water_level == before.figures.water_level
    assert after.figures.gov.value is None
    assert "inf" not in str(after.figures)


def test_by_pressure_water_that_was_refused_is_unknown_at_another_level() -> None:
    plan = straight_plan(gauge=HeadPlan(0.15), free_water=FreeWaterSource.PROBE)
    before = calculate(plan, straight_input(level=None, bottom_pressure=good(20_000.0), water=good(4.0)))[0]
    assert before.figures.water_level.quality is Quality.BAD
    (after,) = _again(plan, *corrected([_one(plan, before)], "mistyped sample", reference_density=400.0))
    assert after.figures.level.value == pytest.approx(0.15 + 20_000.0 / (9.80665 * (400.0 - 1.2)))
    assert after.figures.water_level.quality is Quality.BAD
    assert any("not in the record" in reason.text for reason in after.figures.water_level.reasons)
    assert "inf" not in str(after.figures)


def test_a_level_by_pressure_never_comes_back_as_one_by_hand() -> None:
    plan = straight_plan(gauge=HeadPlan(0.15), product=DIESEL)
    manual = Input(20.0, Quality.UNCERTAIN, None, 60.0, "manual", True)
    dead = (bad(), bad(), bad(), bad())
    given_then = straight_input(level=None, bottom_pressure=good(20_000.0), elements=dead, manual_temperature=manual)
    before = calculate(plan, given_then)[0]
    assert before.figures.level.manual
    (after,) = _again(plan, *corrected([_one(plan, before)], "a slip", reference_density=3000.0))
    assert after.figures.level.quality is Quality.BAD


def test_a_dip_that_stood_in_for_the_pressure_stands_in_again() -> None:
    plan = straight_plan(gauge=HeadPlan(0.15), free_water=FreeWaterSource.PROBE)
    # The only submerged element stands in water that is no longer believed at the level by hand.
    given_then = straight_input(
        level=None,
        bottom_pressure=good(20_000.0),
        dip_level=Input(0.9, Quality.UNCERTAIN, None, 60.0, "manual", True),
        water=good(1.05),
    )
    before = calculate(plan, given_then)[0]
    assert (before.figures.level.value, before.figures.water_level.quality) == (0.9, Quality.BAD)
    (after,) = _again(plan, *corrected([_one(plan, before)], "mistyped sample", reference_density=840.0))
    assert after.figures.level == before.figures.level
    assert after.figures.bottom_pressure == before.figures.bottom_pressure


def test_a_sheet_that_had_failed_comes_back_as_it_was() -> None:
    plan = straight_plan()
    before = failed(plan, straight_input(), EMPTY_MEMORY, "ZeroDivisionError: a bug")
    assert _again(plan, *corrected([_one(plan, before)], "mistyped sample", reference_density=840.0)) == [before]


def test_a_density_of_the_record_is_never_taken_for_one_at_another_temperature() -> None:
    """838 kg/m3 at 60 degF (15.556 degC) are 838.4 kg/m3 at 15 degC by API MPMS 11.1, as the site file has it now."""
    before, after = (
        straight_plan(product=ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, reference_c)))
        for reference_c in (28.0 / 1.8, 15.0)
    )
    record = calculate(before, straight_input(6.0, reference_density=good(838.0)))[0]
    standing = straight_input(6.0, reference_density=good(838.4))
    moved = rebuilt(recorded_plan(after), record, standing)
    assert moved.lacking == (
        "the record's densities and standard volumes are at 15.56 degC, the site file's at 15 degC: density taken from "
        "the site file",
    )
    (again,) = _again(after, moved)
    assert value(again.figures.reference_density) == 838.4
    assert again.reference_temperature_c == 15.0
    assert value(again.figures.mass) == pytest.approx(value(record.figures.mass), rel=2e-5)
    (without,) = _again(after, rebuilt(recorded_plan(after), record))
    assert without.figures.mass.value is None, "no density is better than one of another temperature"
    assert rebuilt(recorded_plan(before), record, standing).lacking == ()


def test_what_cannot_be_rebuilt_is_said() -> None:
    plan = straight_plan()
    whole = _one(plan, calculate(plan, straight_input())[0])
    assert whole.lacking == ()
    lost = _one(plan, calculate(plan, straight_input(level=bad(), elements=(good(15.0), bad(), bad(), bad())))[0])
    assert lost.lacking == (
        "level Bad: the gauge's own value is not in the record",
        "temperature elements that were Bad have no value in the record",
    )
    measured = PLANS["density measured"]
    record = calculate(measured, straight_input(bottom_pressure=good(45_000.0), water=good(0.0)))[0]
    assert _one(measured, record).lacking == (
        "the entered density was not in use and is not in the record: taken from the site file",
    )
