"""The whole sheet on a tank whose every number can be checked in the head: 100 m3 a metre, 0.1 % per degC."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate, failed
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import (
    FreeWaterSource,
    GaugeKind,
    GaugePlan,
    HeadPlan,
    LimitPlan,
    ProductPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    TemperaturePlan,
    VapourPlan,
)
from gateway.figures import BESIDE
from gateway.records import Figures, Input, LastGood, Quality, Reason, ReasonCode, TankInput
from gateway.states import LimitState
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


def test_every_figure_of_a_simple_tank() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE, product=ProductPlan("brine", StraightLineMethod(), 0.25))
    elements = tuple(good(25.0) for _ in range(4))
    figures = sheet(plan, straight_input(6.0, water=good(0.1), elements=elements, sediment_water=good(0.01))).figures
    assert value(figures.level) == 6.0
    assert value(figures.ullage) == pytest.approx(4.5)
    assert value(figures.tov) == 600.0
    assert value(figures.fill) == 0.6
    assert value(figures.free_water) == 10.0
    assert value(figures.gov) == 590.0
    assert value(figures.ctl) == pytest.approx(0.99)
    assert value(figures.cpl) == 1.0
    assert value(figures.gsv) == pytest.approx(584.1)
    assert value(figures.nsv) == pytest.approx(584.1 * 0.99)
    assert value(figures.observed_density) == pytest.approx(792.0)
    assert value(figures.mass) == pytest.approx(584.1 * 800.0)
    assert value(figures.weight_in_air) == pytest.approx(584.1 * 800.0 * (1 - 1.2 / 800) / (1 - 1.2 / 8000))
    assert value(figures.net_mass) == pytest.approx(584.1 * 0.99 * 800.0)
    assert value(figures.net_weight_in_air) == pytest.approx(584.1 * 0.99 * 800.0 * (1 - 1.2 / 800) / (1 - 1.2 / 8000))
    assert value(figures.solute_mass) == pytest.approx(584.1 * 200.0)
    assert value(figures.pumpable) == pytest.approx(590.0 - 90.0), "the water below the minimum is not product"
    assert value(figures.room) == 300.0
    assert all(figure.quality == Quality.GOOD for figure in figures)


def test_net_mass_and_weight_are_those_of_nsv_and_the_others_hold_the_water() -> None:
    """API MPMS 12.1.1: NSM = NSV rho_ref. 600 m3 of 800 kg/m3 with 0.5 %: 480,000 kg hold 2,400 kg that are no oil."""
    figures = sheet(given=straight_input(sediment_water=good(0.005))).figures
    assert value(figures.mass) == pytest.approx(480_000.0)
    assert value(figures.net_mass) == pytest.approx(477_600.0)
    assert value(figures.mass) - value(figures.net_mass) == pytest.approx(2_400.0)
    assert value(figures.net_weight_in_air) == pytest.approx(value(figures.weight_in_air) * 0.995)
    doubtful = sheet(given=straight_input(sediment_water=uncertain(0.005))).figures
    assert (doubtful.mass.quality, doubtful.net_mass.quality) == (Quality.GOOD, Quality.UNCERTAIN)
    lost = sheet(given=straight_input(sediment_water=bad())).figures
    assert (lost.mass.quality, lost.net_mass.quality, lost.net_mass.value) == (Quality.GOOD, Quality.BAD, None)


def test_without_sediment_and_water_there_is_no_net_mass() -> None:
    no_reference = straight_plan(product=ProductPlan("palm oil", StraightLineMethod(reference_temperature_c=None)))
    for figures in (sheet().figures, sheet(no_reference, straight_input(sediment_water=None)).figures):
        for name in ("net_mass", "net_weight_in_air"):
            figure = getattr(figures, name)
            assert (figure.value, figure.quality) == (None, Quality.GOOD)
            assert figure.reasons[0].code is ReasonCode.NOT_APPLICABLE


def test_bad_level_makes_every_quantity_bad() -> None:
    inventory = sheet(given=straight_input(level=bad()))
    not_by_level = {"second_level", "level_difference", "reference_density", "cpl"}
    for name, figure in zip(Figures._fields, inventory.figures, strict=True):
        if figure.quality == Quality.GOOD:
            assert figure.value is None or name in not_by_level, name
    for name in ("level", "ullage", "tov", "gov", "gsv", "mass", "room", "pumpable", "liquid_temperature"):
        figure = getattr(inventory.figures, name)
        assert (figure.value, figure.quality) == (None, Quality.BAD), name
    assert inventory.quality == Quality.BAD


def test_bad_temperature_leaves_level_volume_and_room() -> None:
    figures = sheet(given=straight_input(elements=(bad(), bad(), bad(), bad()))).figures
    for name in ("level", "tov", "gov", "room", "pumpable"):
        assert getattr(figures, name).quality == Quality.GOOD, name
    for name in ("liquid_temperature", "ctl", "gsv", "mass", "weight_in_air", "observed_density"):
        assert getattr(figures, name).quality == Quality.BAD, name


@pytest.mark.parametrize("level_m", [-0.020, -0.0011])
def test_level_a_little_below_the_datum_stands_and_its_volume_is_bad(level_m: float) -> None:
    figures = sheet(given=straight_input(level_m)).figures
    assert value(figures.level) == level_m
    assert figures.tov.quality == Quality.BAD
    assert figures.tov.reasons[0].code == ReasonCode.OUTSIDE_TABLE


def test_level_above_the_table_stands_and_its_volume_is_bad_never_extrapolated() -> None:
    figures = sheet(given=straight_input(10.2)).figures
    assert value(figures.level) == 10.2
    assert (figures.tov.value, figures.tov.quality) == (None, Quality.BAD)
    assert figures.room.quality == Quality.BAD


def test_room_and_pumpable_stop_at_zero() -> None:
    assert value(sheet(given=straight_input(9.5)).figures.room) == 0.0
    assert value(sheet(given=straight_input(0.5)).figures.pumpable) == 0.0


def test_without_limits_room_and_pumpable_do_not_apply() -> None:
    figures = sheet(straight_plan(limits=LimitPlan())).figures
    for figure in (figures.room, figures.pumpable):
        assert (figure.value, figure.quality) == (None, Quality.GOOD)
        assert figure.reasons[0].code == ReasonCode.NOT_APPLICABLE


def test_the_second_gauge_is_compared_never_averaged_and_used_only_when_the_first_is_bad() -> None:
    plan = straight_plan(second_gauge=GaugePlan(GaugeKind.ULLAGE))
    figures = sheet(plan, straight_input(6.0, second_level=good(4.494))).figures
    assert value(figures.level) == 6.0
    assert value(figures.second_level) == pytest.approx(6.006)
    assert value(figures.level_difference) == pytest.approx(-0.006)
    stood_in = sheet(plan, straight_input(level=bad(), second_level=good(4.494))).figures
    assert value(stood_in.level) == pytest.approx(6.006)
    assert stood_in.level.quality == Quality.UNCERTAIN
    codes = [reason.code for reason in stood_in.level.reasons]
    assert codes == [ReasonCode.SECOND_GAUGE_USED, ReasonCode.NO_ANSWER], "what was done, then why"


def test_a_spare_gauge_alone_that_is_lost_is_bad_at_its_own_figure_and_leaves_the_tank_good() -> None:
    inventory = sheet(straight_plan(second_gauge=GaugePlan(GaugeKind.INNAGE)), straight_input(second_level=bad()))
    figures = inventory.figures
    assert (figures.second_level.quality, figures.level_difference.quality) == (Quality.BAD, Quality.BAD)
    assert figures.level_difference.reasons == figures.second_level.reasons
    assert inventory.quality is Quality.GOOD
    one_gauge = sheet().figures.level_difference
    assert (one_gauge.quality, one_gauge.reasons[0].code) == (Quality.GOOD, ReasonCode.NOT_APPLICABLE)


def test_a_vapour_pressure_counts_for_the_tank_only_where_a_result_rests_on_it() -> None:
    lost = straight_input(vapour_pressure=bad(), bottom_pressure=good(40_000.0))
    assert sheet(straight_plan(), lost).quality is Quality.GOOD
    assert sheet(straight_plan(gauge=HeadPlan(0.15)), lost).quality is Quality.BAD


def test_gauges_that_disagree_for_ten_minutes_make_the_level_uncertain() -> None:
    plan = straight_plan(second_gauge=GaugePlan(GaugeKind.INNAGE))
    memory = EMPTY_MEMORY
    qualities = []
    for minute in range(12):
        at = straight_input(6.0, second_level=good(6.011), instant=NOON + timedelta(minutes=minute))
        inventory, memory = calculate(plan, at, memory)
        qualities.append(inventory.figures.level.quality)
    assert qualities == [Quality.GOOD] * 10 + [Quality.UNCERTAIN] * 2


def test_a_hand_dip_stands_in_for_a_gauge() -> None:
    dip = Input(4.0, Quality.UNCERTAIN, None, 60.0, "manual", manual=True)
    figures = sheet(given=straight_input(level=bad(), dip_level=dip)).figures
    assert (figures.tov.value, figures.tov.quality, figures.tov.manual) == (400.0, Quality.UNCERTAIN, True)


def test_free_water_none_detected_is_good_and_takes_nothing_off() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    figures = sheet(plan, straight_input(water=good(0.0))).figures
    assert (figures.water_level.value, figures.water_level.quality) == (None, Quality.GOOD)
    assert figures.water_level.reasons[0].code == ReasonCode.NONE_DETECTED
    assert (figures.free_water.value, figures.gov.value) == (0.0, 600.0)


def test_water_above_the_level_is_bad_and_so_is_all_that_needs_it() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    figures = sheet(plan, straight_input(6.0, water=good(6.1))).figures
    assert figures.water_level.quality == figures.gov.quality == figures.mass.quality == Quality.BAD
    assert figures.tov.quality == Quality.GOOD


def test_a_failed_water_probe_leaves_its_last_good_level_uncertain_for_a_day() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    _, memory = calculate(plan, straight_input(water=good(0.1)), EMPTY_MEMORY)
    lost = straight_input(water=bad(), instant=NOON + timedelta(hours=23))
    inventory, memory = calculate(plan, lost, memory)
    assert (inventory.figures.free_water.value, inventory.figures.free_water.quality) == (10.0, Quality.UNCERTAIN)
    inventory, memory = calculate(plan, straight_input(water=bad(), instant=NOON + timedelta(hours=25)), memory)
    assert (inventory.figures.free_water.value, inventory.figures.free_water.quality) == (None, Quality.BAD)
    assert inventory.figures.gov.quality == Quality.BAD


def test_last_good_travels_beside_a_bad_figure_with_its_own_time_and_goes_when_it_is_good_again() -> None:
    plan = straight_plan()
    _, memory = calculate(plan, straight_input(6.0), EMPTY_MEMORY)
    for minutes in (1, 2):
        inventory, memory = calculate(
            plan, straight_input(level=bad(), instant=NOON + timedelta(minutes=minutes)), memory
        )
        assert inventory.figures.tov.value is None
        assert inventory.last_good["tov"] == LastGood(600.0, NOON.timestamp() - 1.0)
    inventory, memory = calculate(plan, straight_input(6.0, instant=NOON + timedelta(minutes=3)), memory)
    assert inventory.last_good == {}


def test_temperature_falls_back_on_the_last_good_average_through_memory() -> None:
    plan = straight_plan()
    _, memory = calculate(plan, straight_input(6.0), EMPTY_MEMORY)
    low = straight_input(0.5, elements=tuple(good(40.0) for _ in range(4)), instant=NOON + timedelta(hours=1))
    inventory, _ = calculate(plan, low, memory)
    assert value(inventory.figures.liquid_temperature) == 15.0, "the vapour's 40 degC must not enter"
    assert inventory.figures.liquid_temperature.quality == Quality.UNCERTAIN


def test_spike_keeps_the_raw_level_and_marks_everything_uncertain() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    _, memory = calculate(plan, straight_input(6.0), EMPTY_MEMORY)
    spike, memory = calculate(plan, straight_input(6.5, instant=NOON + timedelta(seconds=2)), memory)
    assert value(spike.figures.level) == 6.5, "filters never delay a true high"
    assert spike.figures.level.quality == spike.figures.gsv.quality == Quality.UNCERTAIN
    assert spike.figures.level.reasons[0].code == ReasonCode.RATE_IMPLAUSIBLE
    after, memory = calculate(plan, straight_input(6.0, instant=NOON + timedelta(seconds=4)), memory)
    assert after.figures.level.quality == Quality.GOOD


def test_a_jump_stays_in_doubt_until_a_pump_could_have_made_it() -> None:
    # 0.05 m3/s, one and a half times: 200 m3 need 2667 s. A false echo that stays must not turn Good by staying.
    plan = straight_plan(maximum_flow_in_m3_s=0.05, maximum_flow_out_m3_s=0.05)
    memory = EMPTY_MEMORY
    for second in range(-600, 1, 60):
        _, memory = calculate(plan, straight_input(6.0, instant=NOON + timedelta(seconds=second)), memory)
    for second in range(5, 2_600, 5):
        jumped, memory = calculate(plan, straight_input(8.0, instant=NOON + timedelta(seconds=second)), memory)
        assert jumped.figures.level.quality == jumped.figures.room.quality == Quality.UNCERTAIN, second
    back, _ = calculate(plan, straight_input(6.0, instant=NOON + timedelta(seconds=2_600)), memory)
    assert back.figures.level.quality == Quality.GOOD
    in_time, _ = calculate(plan, straight_input(8.0, instant=NOON + timedelta(seconds=2_700)), memory)
    assert in_time.figures.level.quality == Quality.GOOD


def test_a_spike_that_was_sampled_does_not_put_the_true_level_in_doubt() -> None:
    plan = straight_plan(maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1)
    _, memory = calculate(plan, straight_input(6.0), EMPTY_MEMORY)
    _, memory = calculate(plan, straight_input(6.5, instant=NOON + timedelta(seconds=20)), memory)
    for second in range(22, 120, 2):
        after, memory = calculate(plan, straight_input(6.0, instant=NOON + timedelta(seconds=second)), memory)
        assert after.figures.level.quality == Quality.GOOD, second


def test_mixed_ages_matter_only_while_the_level_moves() -> None:
    plan = straight_plan()
    old = tuple(good(15.0, age_s=70.0) for _ in range(4))
    still, memory = calculate(plan, straight_input(6.0, elements=old), EMPTY_MEMORY)
    assert still.figures.liquid_temperature.quality == Quality.GOOD
    moved, _ = calculate(plan, straight_input(6.05, elements=old, instant=NOON + timedelta(seconds=60)), memory)
    assert moved.figures.liquid_temperature.quality == Quality.UNCERTAIN
    assert moved.figures.liquid_temperature.reasons[-1].code == ReasonCode.AGES_DIFFER


def test_time_of_a_result_is_that_of_its_oldest_measurement_not_of_the_density_sample() -> None:
    density = Input(800.0, Quality.GOOD, None, 864_000.0, "manual", manual=True)
    figures = sheet(given=straight_input(6.0, level=good(6.0, age_s=2.0), reference_density=density)).figures
    assert figures.reference_density.age_s == 864_000.0
    assert figures.mass.age_s == 2.0
    assert (figures.reference_density.manual, figures.mass.manual) == (True, False)


def test_missing_density_leaves_standard_volume_where_ctl_does_not_need_it() -> None:
    figures = sheet(given=straight_input(reference_density=None)).figures
    assert value(figures.gsv) == 600.0
    assert figures.mass.quality == Quality.BAD


def test_missing_density_leaves_nothing_standard_where_ctl_needs_it() -> None:
    plan = straight_plan(product=ProductPlan("oil", StraightLineMethod(uses_density_for_ctl=True)))
    figures = sheet(plan, straight_input(reference_density=None)).figures
    assert figures.gsv.quality == figures.mass.quality == Quality.BAD
    assert value(figures.tov) == 600.0


def test_observed_density_is_taken_back_to_reference() -> None:
    elements = tuple(good(25.0) for _ in range(4))
    figures = sheet(
        given=straight_input(6.0, reference_density=None, observed_density=good(792.0), elements=elements)
    ).figures
    assert value(figures.reference_density) == pytest.approx(800.0)
    assert value(figures.mass) == pytest.approx(594.0 * 800.0)


def test_beyond_the_methods_range_the_result_is_bad_with_the_limit_named() -> None:
    figures = sheet(given=straight_input(elements=tuple(good(101.0) for _ in range(4)))).figures
    assert figures.ctl.quality == figures.gsv.quality == figures.mass.quality == Quality.BAD
    assert figures.gsv.reasons[0].code == ReasonCode.METHOD_LIMIT
    assert "above 100 degC" in figures.gsv.reasons[0].text
    assert value(figures.gov) == 600.0


def test_shell_correction_comes_after_the_water_and_before_the_roof() -> None:
    """API MPMS 12.1.1: GOV = (TOV - FW) CTSh + FRA."""
    plan = straight_plan(
        free_water=FreeWaterSource.PROBE,
        shell=ShellPlan(1e-4, 15.0),
        roof=RoofPlan(8000.0, 1.5, 2.0),
    )
    elements = tuple(good(25.0) for _ in range(4))
    figures = sheet(plan, straight_input(6.0, water=good(0.1), elements=elements, ambient=good(17.0))).figures
    shell_c = (7 * 25.0 + 17.0) / 8
    ctsh = 1 + 2 * 1e-4 * (shell_c - 15) + 1e-8 * (shell_c - 15) ** 2
    assert value(figures.shell_temperature) == pytest.approx(shell_c)
    assert value(figures.ctsh) == pytest.approx(ctsh)
    assert value(figures.roof_displacement) == pytest.approx(-8000.0 / 792.0)
    assert value(figures.gov) == pytest.approx(590.0 * ctsh - 8000.0 / 792.0)


def test_without_ambient_the_shell_takes_the_liquids_temperature_uncertain() -> None:
    plan = straight_plan(shell=ShellPlan(1e-5, 15.0))
    figures = sheet(plan, straight_input(6.0)).figures
    assert (figures.ctsh.quality, figures.gov.quality) == (Quality.UNCERTAIN, Quality.UNCERTAIN)
    insulated = sheet(straight_plan(shell=ShellPlan(1e-5, 15.0, insulated=True))).figures
    assert insulated.ctsh.quality == Quality.GOOD


@pytest.mark.parametrize(
    ("level_m", "quality", "deducted"),
    [(1.2, Quality.GOOD, False), (1.7, Quality.UNCERTAIN, True), (2.5, Quality.GOOD, True)],
)
def test_roof_landed_in_its_critical_zone_and_afloat(level_m: float, quality: Quality, deducted: bool) -> None:
    plan = straight_plan(roof=RoofPlan(8000.0, 1.5, 2.0))
    figures = sheet(plan, straight_input(level_m, elements=(good(15.0), *[good(15.0)] * 3))).figures
    assert figures.gov.quality == quality
    assert (value(figures.roof_displacement) < 0) is deducted


def test_vapour_is_counted_above_the_liquid() -> None:
    figures = sheet(straight_plan(vapour=VapourPlan(10.0))).figures
    assert value(figures.vapour_mass) == 4000.0
    assert value(figures.total_mass) == pytest.approx(484_000.0)


def head_plan(**changes: object) -> TankPlan:
    return straight_plan(gauge=HeadPlan(0.3), **changes)


def test_level_by_pressure_settles_with_the_density_at_tank_temperature() -> None:
    elements = tuple(good(25.0) for _ in range(4))
    # A vented tank: 4 m of air stand beside the 4 m of liquid.
    pressure = (792.0 - 1.2) * 9.80665 * 4.0
    figures = sheet(head_plan(), straight_input(level=None, bottom_pressure=good(pressure), elements=elements)).figures
    assert value(figures.level) == pytest.approx(4.3, abs=1e-9)
    assert figures.level.quality == Quality.GOOD


def test_pressure_that_says_nothing_detected_is_no_level_that_does_not_apply() -> None:
    nothing = Input(None, Quality.GOOD, Reason(ReasonCode.NONE_DETECTED, "nothing there"), 1.0, "PT.p")
    for bottom, vapour in ((nothing, None), (good(30e3), nothing)):
        inputs = straight_input(level=None, bottom_pressure=bottom, vapour_pressure=vapour)
        figures = sheet(head_plan(), inputs).figures
        assert figures.level.quality == figures.tov.quality == figures.gsv.quality == Quality.BAD


def test_dry_probe_that_was_not_heard_leaves_an_uncertain_volume_without_water() -> None:
    plan = straight_plan(free_water=FreeWaterSource.PROBE)
    dry = Input(None, Quality.UNCERTAIN, Reason(ReasonCode.NONE_DETECTED, "dry when last read"), 5.0, "WT.water")
    figures = sheet(plan, straight_input(6.0, water=dry)).figures
    assert (figures.free_water.value, figures.free_water.quality) == (0.0, Quality.UNCERTAIN)
    assert (figures.gov.value, figures.gov.quality) == (600.0, Quality.UNCERTAIN)


def test_no_pressure_means_that_the_tank_may_be_empty_and_never_a_level_of_zero() -> None:
    figures = sheet(head_plan(), straight_input(level=None, bottom_pressure=good(0.0))).figures
    assert (figures.level.value, figures.level.quality) == (0.3, Quality.UNCERTAIN)
    assert "may be empty" in figures.level.reasons[-1].text


def test_level_by_pressure_that_does_not_settle_takes_the_lower_set_uncertain() -> None:
    # Uncounted, the second element at 3 m is under 3.05 m of level. It is so cold that counted it makes the liquid
    # heavier, 800 (1 + 0.001 x 37.5) = 830 kg/m3, and the level lower: 0.3 + 2.75 x 800/830 = 2.95 m.
    plan = head_plan(temperature=straight_plan().temperature)
    plan = replace(plan, temperature=replace_margin(plan, 0.0))
    elements = (good(15.0), Input(-60.0, Quality.GOOD, None, 1.0, "X"), good(15.0), good(15.0))
    pressure = good(798.8 * 9.80665 * 2.75)
    inventory = sheet(plan, straight_input(level=None, bottom_pressure=pressure, elements=elements))
    assert inventory.figures.level.quality == Quality.UNCERTAIN
    codes = [reason.code for reason in inventory.figures.level.reasons]
    assert ReasonCode.NOT_CONVERGED in codes
    assert [use.used for use in inventory.elements] == [True, False, False, False]


def replace_margin(plan: TankPlan, margin_m: float) -> TemperaturePlan:
    return replace(plan.temperature, immersion_margin_m=margin_m)


def test_failed_calculation_is_all_bad_with_the_last_good_beside_it() -> None:
    plan = straight_plan()
    _, memory = calculate(plan, straight_input(6.0), EMPTY_MEMORY)
    inventory = failed(plan, straight_input(6.0), memory, "ZeroDivisionError")
    assert {figure.quality for figure in inventory.figures} == {Quality.BAD}
    assert {figure.value for figure in inventory.figures} == {None}
    assert inventory.last_good["tov"].value == 600.0


def test_simulated_input_makes_a_simulated_inventory() -> None:
    assert sheet(given=straight_input(simulated=True)).simulated
    assert not sheet().simulated


@st.composite
def any_input(draw: st.DrawFn) -> TankInput:
    def one(low: float, high: float) -> Input:
        if draw(st.integers(0, 4)) == 0:
            return bad()
        number = draw(st.floats(low, high))
        return good(number) if draw(st.booleans()) else uncertain(number)

    return straight_input(
        level=one(-1.0, 12.0),
        second_level=one(-1.0, 12.0),
        water=one(-0.1, 5.0),
        elements=tuple(one(-40.0, 120.0) for _ in range(4)),
        reference_density=one(500.0, 1500.0),
        ambient=one(-40.0, 50.0),
        bottom_pressure=one(-1e3, 1e5),
        instant=NOON + timedelta(seconds=draw(st.integers(-1000, 100_000))),
    )


FULL = straight_plan(
    second_gauge=GaugePlan(GaugeKind.INNAGE),
    free_water=FreeWaterSource.PROBE,
    shell=ShellPlan(1e-5, 15.0),
    roof=RoofPlan(8000.0, 1.5, 2.0),
    vapour=VapourPlan(10.0),
    maximum_flow_in_m3_s=0.1,
    maximum_flow_out_m3_s=0.1,
)


@given(st.lists(any_input(), min_size=1, max_size=6), st.booleans())
def test_bad_never_has_a_value_and_never_makes_a_good_one(inputs: list[TankInput], by_head: bool) -> None:
    plan = replace(FULL, gauge=HeadPlan(0.3)) if by_head else FULL
    memory = EMPTY_MEMORY
    for given_input in inputs:
        inventory, memory = calculate(plan, given_input, memory)
        figures = inventory.figures
        for name, figure in zip(Figures._fields, figures, strict=True):
            assert (figure.value is None) or figure.quality != Quality.BAD, name
            assert figure.quality == Quality.GOOD or figure.reasons, name
        assert figures.tov.quality >= figures.level.quality
        for whole in (figures.gsv, figures.mass):
            parts = (figures.gov, figures.ctl)
            assert whole.quality >= max(part.quality for part in parts)
        assert figures.gov.quality >= max(figures.tov.quality, figures.free_water.quality)
        assert inventory.quality == max(getattr(figures, name).quality for name in set(Figures._fields) - BESIDE)


@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_volume_never_falls_as_level_rises(one_m: float, other_m: float) -> None:
    low, high = sorted((one_m, other_m))
    assert value(sheet(given=straight_input(low)).figures.tov) <= value(sheet(given=straight_input(high)).figures.tov)


def test_without_temperature_an_atmospheric_tank_still_has_cpl_one() -> None:
    figures = sheet(given=straight_input(elements=(bad(), bad(), bad(), bad()))).figures
    assert (figures.cpl.value, figures.cpl.quality) == (1.0, Quality.GOOD)


def test_a_calculation_that_failed_keeps_the_limits_it_is_measured_against() -> None:
    plan = straight_plan(limits=LimitPlan(1.0, 8.0))
    state = failed(plan, straight_input(6.0), EMPTY_MEMORY, "a mistake").level_state
    assert (state.limit, state.minimum_m, state.maximum_working_m) == (LimitState.UNKNOWN, 1.0, 8.0)


def test_a_sheet_carries_the_temperature_of_its_standard_volumes() -> None:
    plan = straight_plan()
    assert sheet(plan, straight_input(6.0)).reference_temperature_c == plan.product.method.reference_temperature_c
