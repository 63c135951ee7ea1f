"""Which elements are averaged, with what weights, and what stands in when none can be."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.plan import TemperaturePlan, Weighting
from gateway.calculation.temperature.average import (
    NOWHERE,
    LiquidTemperature,
    Placement,
    average_temperature,
    place_elements,
    substituted_temperature,
    vapour_temperature,
)
from gateway.records import Input, LastGood, Quality, Reason, ReasonCode, because
from gateway.sources import TemperatureSource
from tests.support.plans import StraightTank, bad, good, temperature_plan, uncertain

FIVE = temperature_plan(1.0, 3.5, 6.0, 8.5, 11.0)
TANK = StraightTank(top_m=20.0)
NOW_S = 1_000_000.0


def averaged(
    plan: TemperaturePlan, level_m: float, inputs: tuple[Input, ...], water_m: float | None = None
) -> LiquidTemperature | None:
    placed = place_elements(plan, level_m, water_m, NOWHERE)
    return average_temperature(plan, inputs, placed, level_m, water_m, TANK)


def substituted(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    manual: Input | None,
    last: LastGood | None,
    level_m: float,
    water_m: float | None = None,
) -> LiquidTemperature:
    placed = place_elements(plan, level_m, water_m, NOWHERE)
    return substituted_temperature(plan, inputs, placed, manual, last, NOW_S, level_m)


def wet_elements(plan: TemperaturePlan, level_m: float, before: tuple[bool, ...]) -> tuple[bool, ...]:
    return place_elements(plan, level_m, None, Placement(before, (False,) * len(before))).wet


def readings(*values: float) -> tuple[Input, ...]:
    return tuple(good(value) for value in values)


def test_only_elements_under_the_margin_are_averaged() -> None:
    """API MPMS 7.3 / ISO 4266-4 practice: the vapour element must not enter."""
    found = averaged(FIVE, 9.412, readings(14.1, 14.3, 14.8, 15.6, 19.2))
    assert found is not None
    assert found.average.value == pytest.approx(14.70)
    assert [use.used for use in found.uses] == [True, True, True, True, False]
    assert found.uses[4].reason is not None
    assert found.uses[4].reason.code == ReasonCode.ELEMENT_DRY


def test_an_element_just_under_the_surface_is_not_yet_submerged() -> None:
    """common practice: 5.0 m is wet at 5.120 m but by less than 0.30 m."""
    plan = temperature_plan(1.0, 3.0, 5.0, 7.0, 9.0)
    found = averaged(plan, 5.120, readings(27.2, 27.9, 29.4, 34.1, 36.0))
    assert found is not None
    assert found.average.value == pytest.approx(27.55)


def test_element_enters_at_the_margin_and_leaves_two_thirds_down() -> None:
    plan = temperature_plan(1.0, 3.0)
    assert wet_elements(plan, 3.30, (True, False)) == (True, True)
    assert wet_elements(plan, 3.299, (True, False)) == (True, False)
    assert wet_elements(plan, 3.20, (True, True)) == (True, True)
    assert wet_elements(plan, 3.199, (True, True)) == (True, False)
    assert wet_elements(plan, 3.25, ()) == (True, False), "without memory the entering threshold applies"


@given(st.lists(st.floats(-0.049, 0.049), min_size=5, max_size=60))
def test_a_surface_within_50_mm_of_an_element_border_changes_its_mind_once_at_most(ripple: list[float]) -> None:
    plan = temperature_plan(1.0, 3.0)
    wet: tuple[bool, ...] = ()
    states = []
    for step in ripple:
        wet = wet_elements(plan, 3.30 + step, wet)
        states.append(wet[1])
    assert sum(a != b for a, b in pairwise(states)) <= 1


@pytest.mark.parametrize(
    "why",
    [
        Reason(ReasonCode.SENTINEL, "open element"),
        Reason(ReasonCode.SENTINEL, "T2: open element"),
        because(ReasonCode.SENTINEL, "{name}: open {part}", name="T2", part="element"),
        because(ReasonCode.SENTINEL, "{kind}{number}: open {part}", kind="T", number=2, part="element"),
        because(ReasonCode.SENTINEL, "open {part}", part="element", name="T2"),
    ],
    ids=lambda why: why.phrase,
)
def test_failed_element_is_named_once_and_the_rest_averaged_uncertain(why: Reason) -> None:
    inputs = (good(10.0), bad(ReasonCode.SENTINEL, "")._replace(reason=why), good(12.0), good(0.0), good(0.0))
    found = averaged(FIVE, 7.0, inputs)
    assert found is not None
    assert (found.average.value, found.average.quality) == (11.0, Quality.UNCERTAIN)
    assert found.average.reasons[0].text == "T2 left out: open element"
    assert found.uses[1].used is False
    assert found.uses[1].quality == Quality.BAD


def test_a_failed_dry_element_does_not_matter() -> None:
    found = averaged(FIVE, 4.0, (good(10.0), good(12.0), bad(), bad(), bad()))
    assert found is not None
    assert (found.average.value, found.average.quality) == (11.0, Quality.GOOD)


def test_elements_in_free_water_are_left_out() -> None:
    found = averaged(FIVE, 9.412, readings(5.0, 14.0, 15.0, 16.0, 30.0), water_m=1.0)
    assert found is not None
    assert found.average.value == pytest.approx(15.0)
    assert found.average.quality == Quality.GOOD
    assert found.uses[0].reason is not None
    assert found.uses[0].reason.code == ReasonCode.ELEMENT_IN_WATER


def test_outlier_is_flagged_by_name_and_never_dropped() -> None:
    """common practice: over 5 degC from its neighbours."""
    found = averaged(FIVE, 12.0, readings(14.0, 14.0, 25.0, 14.0, 14.0))
    assert found is not None
    assert found.average.value == pytest.approx(16.2)
    assert found.average.quality == Quality.UNCERTAIN
    flagged = [use.height_m for use in found.uses if use.reason and use.reason.code == ReasonCode.ELEMENT_OUTLIER]
    assert flagged == [6.0], "its neighbours are not to blame"


def test_an_outlier_beside_the_end_does_not_incriminate_the_end() -> None:
    found = averaged(FIVE, 12.0, readings(14.0, 34.0, 14.0, 14.0, 14.0))
    assert found is not None
    flagged = [use.height_m for use in found.uses if use.reason and use.reason.code == ReasonCode.ELEMENT_OUTLIER]
    assert flagged == [3.5]


def test_two_elements_that_differ_are_tested_against_each_other() -> None:
    """20 and 60 degC gave 40.0 degC, Good: nothing tells which of the two is right."""
    found = averaged(FIVE, 4.0, readings(20.0, 60.0, 0.0, 0.0, 0.0))
    assert found is not None
    assert (found.average.value, found.average.quality) == (40.0, Quality.UNCERTAIN)
    codes = [reason.code for reason in found.average.reasons]
    assert codes[:2] == [ReasonCode.ELEMENT_OUTLIER, ReasonCode.TEMPERATURE_UNREPRESENTATIVE]
    assert "T1 at 20.0 degC and T2 at 60.0 degC" in found.average.reasons[0].text


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ((20.0, 60.0, 22.0), [3.5]),
        ((60.0, 20.0, 22.0), [1.0]),
        ((20.0, 22.0, 60.0), [6.0]),
        ((22.0, 20.0, 850.0, 21.0), [6.0]),
        ((20.0, 60.0, 60.0, 21.0), []),
    ],
)
def test_of_three_and_more_that_one_is_named_without_which_the_rest_agree(
    values: tuple[float, ...], named: list[float]
) -> None:
    heights = (1.0, 3.5, 6.0, 8.5)[: len(values)]
    found = averaged(temperature_plan(*heights), 9.0, readings(*values))
    assert found is not None
    assert found.average.quality is Quality.UNCERTAIN
    blamed = [use.height_m for use in found.uses if use.reason and "from its neighbours" in use.reason.text]
    assert blamed == named


@given(
    st.lists(st.floats(-0.8, 0.8), min_size=3, max_size=12),
    st.integers(0, 11),
    st.sampled_from([-30.0, -12.0, 12.0, 30.0, 800.0]),
)
def test_one_element_that_is_far_off_is_the_one_named(scatter: list[float], place: int, off_c: float) -> None:
    """Whatever its place and the number of the others, which scatter by 0.8 degC about 0.5 degC a metre."""
    place %= len(scatter)
    heights = [0.8 + 1.5 * index for index in range(len(scatter))]
    values = [20.0 + 0.5 * height + each for height, each in zip(heights, scatter, strict=True)]
    values[place] += off_c
    found = averaged(temperature_plan(*heights), 19.9, readings(*values))
    assert found is not None
    named = [use.height_m for use in found.uses if use.reason and use.reason.code == ReasonCode.ELEMENT_OUTLIER]
    assert named == [heights[place]]
    assert found.average.quality is Quality.UNCERTAIN


def test_a_spread_above_its_limit_makes_the_average_uncertain_though_no_element_is_odd() -> None:
    """A smooth gradient from 20 to 36 degC: no element is to blame, and no average can be trusted."""
    found = averaged(FIVE, 12.0, readings(20.0, 24.0, 28.0, 32.0, 36.0))
    assert found is not None
    assert found.average.quality is Quality.UNCERTAIN
    assert found.average.reasons[0].code is ReasonCode.TEMPERATURE_UNREPRESENTATIVE
    wide = replace(FIVE, spread_c=16.0)
    assert averaged(wide, 12.0, readings(20.0, 24.0, 28.0, 32.0, 36.0)).average.quality is Quality.GOOD  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("heights", "level_m", "water_m", "quality"),
    [
        ((1.0,), 4.5, None, Quality.GOOD),
        ((1.0,), 4.51, None, Quality.UNCERTAIN),
        ((3.5,), 6.0, None, Quality.GOOD),
        ((3.6,), 6.0, None, Quality.UNCERTAIN),
        ((3.6,), 6.0, 0.2, Quality.GOOD),
        ((1.0, 8.0), 9.0, None, Quality.GOOD),
        ((1.0, 8.1), 9.0, None, Quality.UNCERTAIN),
    ],
)
def test_liquid_far_from_every_element_used_makes_the_average_uncertain(
    heights: tuple[float, ...], level_m: float, water_m: float | None, quality: Quality
) -> None:
    """More than 3.5 m (common practice): below the lowest, above the highest, or between two."""
    found = averaged(temperature_plan(*heights), level_m, readings(*(15.0 for _ in heights)), water_m)
    assert found is not None
    assert (found.average.quality, found.spread.quality) == (quality, Quality.GOOD)


def test_a_failed_element_leaves_a_gap_that_no_other_speaks_for() -> None:
    inputs = (good(15.0), bad(), bad(), bad(), good(15.0))
    found = averaged(FIVE, 12.0, inputs)
    assert found is not None
    assert ReasonCode.TEMPERATURE_UNREPRESENTATIVE in {reason.code for reason in found.average.reasons}


def test_a_steady_gradient_is_stratified_but_no_outlier() -> None:
    """common practice: heated heavy oil, 64.8 to 52.3 degC, is layered, not faulty."""
    plan = temperature_plan(1.0, 3.5, 6.0, 8.5, 11.0, 13.5)
    found = averaged(plan, 11.204, readings(64.8, 62.1, 58.0, 52.3, 47.0, 30.0))
    assert found is not None
    assert found.average.value == pytest.approx(59.30)
    assert found.spread.value == pytest.approx(12.5)
    assert found.average.quality == Quality.GOOD
    assert [reason.code for reason in found.average.reasons] == [ReasonCode.STRATIFIED]


@pytest.mark.parametrize("spread_c", [2.0, 10.0, 20.0])
def test_that_elements_differ_is_said_once(spread_c: float) -> None:
    """3 degC flags layers, 15 degC doubts the average; elements 5 degC from their neighbours are named besides."""
    found = averaged(FIVE, 12.0, readings(*(15.0 + spread_c * step / 4 for step in range(5))))
    assert found is not None
    for told in (found.average, found.spread):
        said = [reason for reason in told.reasons if reason.text.startswith("elements used differ by")]
        assert len(said) == (spread_c > 3.0)


def test_slice_volume_weights_take_boundaries_midway_between_used_elements() -> None:
    plan = TemperaturePlan(temperature_plan(1.0, 3.0, 9.0).elements, weighting=Weighting.SLICE_VOLUME)
    found = averaged(plan, 10.0, readings(10.0, 20.0, 40.0))
    assert found is not None
    # 100 m3 a metre: slices 0-2, 2-6 and 6-10 m.
    assert [use.weight for use in found.uses] == pytest.approx([0.2, 0.4, 0.4])
    assert found.average.value == pytest.approx(26.0)


def test_unevenly_spaced_elements_may_weigh_by_the_height_that_each_stands_for() -> None:
    """Slices 0-2, 2-6 and 6-10 m; above 1.0 m of water 1-2, 2-6 and 6-10 m, of 9 m."""
    plan = TemperaturePlan(temperature_plan(1.5, 2.5, 9.5).elements, weighting=Weighting.SLICE_HEIGHT)
    found = averaged(plan, 10.0, readings(10.0, 20.0, 40.0))
    assert found is not None
    assert [use.weight for use in found.uses] == pytest.approx([0.2, 0.4, 0.4])
    found = averaged(plan, 10.0, readings(10.0, 20.0, 40.0), 1.0)
    assert found is not None
    assert [use.weight for use in found.uses] == pytest.approx([1 / 9, 4 / 9, 4 / 9])


@given(
    st.lists(st.floats(-50, 150), min_size=1, max_size=24),
    st.floats(0.5, 19.9),
    st.one_of(st.none(), st.floats(0.001, 0.4)),
    st.sampled_from(list(Weighting)),
)
def test_weights_sum_to_one_and_the_average_lies_between(
    values: list[float], level_m: float, water_m: float | None, weighting: Weighting
) -> None:
    heights = [0.45 + 0.7 * index for index in range(len(values))]
    plan = TemperaturePlan(temperature_plan(*heights).elements, weighting=weighting)
    found = averaged(plan, level_m, readings(*values), water_m)
    if found is None:
        return
    assert math.isclose(sum(use.weight for use in found.uses), 1.0, abs_tol=1e-12)
    used = [use.value for use in found.uses if use.used and use.value is not None]
    assert found.average.value is not None
    assert min(used) - 1e-9 <= found.average.value <= max(used) + 1e-9
    assert all(use.weight == 0.0 for use in found.uses if not use.used)


HIGH = temperature_plan(0.8, 3.0)
BOTH = readings(61.0, 35.0)


def test_manual_temperature_comes_first() -> None:
    manual = Input(61.2, Quality.UNCERTAIN, None, 3600.0, "manual", manual=True)
    found = substituted(HIGH, BOTH, manual, LastGood(50.0, NOW_S - 60), 0.9, None)
    assert (found.average.value, found.average.quality, found.average.manual) == (61.2, Quality.UNCERTAIN, True)


def test_then_the_last_good_average_up_to_its_age() -> None:
    last = LastGood(50.0, NOW_S - 86_400.0)
    found = substituted(HIGH, BOTH, None, last, 0.9, None)
    assert (found.average.value, found.average.quality) == (50.0, Quality.UNCERTAIN)
    assert found.average.age_s == 86_400.0
    too_old = LastGood(50.0, NOW_S - 86_401.0)
    found = substituted(HIGH, BOTH, None, too_old, 0.9, None)
    assert found.average.value == 61.0


def test_then_the_lowest_element_if_the_level_reaches_it() -> None:
    found = substituted(HIGH, BOTH, None, None, 0.8, None)
    assert (found.average.value, found.average.quality) == (61.0, Quality.UNCERTAIN)
    assert found.average.reasons[0].code == ReasonCode.LOWEST_ELEMENT_USED
    assert found.source is TemperatureSource.LOWEST_ELEMENT
    assert [use.used for use in found.uses] == [True, False]


@pytest.mark.parametrize("level_m", [0.0, 0.4, 0.799])
def test_below_the_lowest_element_there_is_no_temperature(level_m: float) -> None:
    """common practice: an element above the surface reads air, however plausible its value."""
    found = substituted(HIGH, BOTH, None, None, level_m, None)
    assert (found.average.value, found.average.quality) == (None, Quality.BAD)


def test_what_stands_in_names_the_element_that_failed_and_the_manual_value_that_expired() -> None:
    expired = Input(None, Quality.BAD, Reason(ReasonCode.MANUAL_EXPIRED, "manual value 61.2 expired"), 90.0, "manual")
    inputs = (bad(ReasonCode.SENTINEL, "open element"), good(35.0))
    found = substituted(HIGH, inputs, expired, LastGood(50.0, NOW_S - 30.0), 1.5)
    assert [reason.text for reason in found.average.reasons] == [
        "the last Good average stands in, 30 s old",
        "no submerged element can be used",
        "manual value 61.2 expired",
        "T1 left out: open element",
    ]
    assert found.source is TemperatureSource.LAST_GOOD


def test_an_element_in_water_is_told_as_in_water_and_not_as_dry() -> None:
    found = substituted(HIGH, BOTH, None, LastGood(50.0, NOW_S), 2.0, 0.9)
    assert [use.reason.code for use in found.uses if use.reason] == [
        ReasonCode.ELEMENT_IN_WATER,
        ReasonCode.ELEMENT_DRY,
    ]
    assert [use.submerged for use in found.uses] == [True, False]


def test_a_failed_or_watered_lowest_element_does_not_stand_in() -> None:
    found = substituted(HIGH, (bad(), good(35.0)), None, None, 0.9, None)
    assert found.average.quality == Quality.BAD
    found = substituted(HIGH, BOTH, None, None, 0.9, 0.85)
    assert found.average.quality == Quality.BAD


def test_vapour_average_is_apart_and_takes_only_elements_clear_of_the_surface() -> None:
    inputs = readings(10.0, 10.0, 20.0, 30.0, 32.0)
    assert vapour_temperature(FIVE, inputs, 5.6).value == pytest.approx(31.0), "6.0 m is only 0.4 m clear"
    assert vapour_temperature(FIVE, inputs, 12.0).value is None
    assert vapour_temperature(FIVE, inputs, 12.0).quality == Quality.GOOD


def test_uncertain_element_in_use_makes_the_average_uncertain() -> None:
    found = averaged(FIVE, 4.0, (good(10.0), uncertain(12.0), bad(), bad(), bad()))
    assert found is not None
    assert found.average.quality == Quality.UNCERTAIN
