"""Where the level stands against the levels of concern (API 2350's terms): told also while the volume is Bad."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.level.limit_state import limit_state
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import LimitPlan, RoofPlan
from gateway.records import LevelState, Quality
from gateway.states import LimitState, RoofZone
from tests.support.plans import bad, sheet, straight_input, straight_plan, uncertain

LIMITS = LimitPlan(1.0, 9.0, 9.3, 9.6)
NEW = LimitState.UNKNOWN


@pytest.mark.parametrize(
    ("level_m", "state"),
    [
        (0.999, LimitState.BELOW_MINIMUM),
        (1.0, LimitState.NORMAL),
        (8.999, LimitState.NORMAL),
        (9.0, LimitState.ABOVE_MAXIMUM_WORKING),
        (9.3, LimitState.ABOVE_HIGH_HIGH),
        (9.599, LimitState.ABOVE_HIGH_HIGH),
        (9.6, LimitState.ABOVE_CRITICAL_HIGH),
        (99.0, LimitState.ABOVE_CRITICAL_HIGH),
    ],
)
def test_each_limit_is_passed_at_its_level(level_m: float, state: LimitState) -> None:
    assert limit_state(LIMITS, level_m, NEW, 0.001) is state


@pytest.mark.parametrize(
    ("before", "level_m", "after"),
    [
        (LimitState.ABOVE_HIGH_HIGH, 9.296, LimitState.ABOVE_HIGH_HIGH),
        (LimitState.ABOVE_HIGH_HIGH, 9.294, LimitState.ABOVE_MAXIMUM_WORKING),
        (LimitState.ABOVE_CRITICAL_HIGH, 9.596, LimitState.ABOVE_CRITICAL_HIGH),
        (LimitState.ABOVE_CRITICAL_HIGH, 9.296, LimitState.ABOVE_HIGH_HIGH),
        (LimitState.ABOVE_MAXIMUM_WORKING, 9.31, LimitState.ABOVE_HIGH_HIGH),
        (LimitState.BELOW_MINIMUM, 1.004, LimitState.BELOW_MINIMUM),
        (LimitState.BELOW_MINIMUM, 1.005, LimitState.NORMAL),
    ],
)
def test_a_limit_that_was_passed_holds_for_five_millimetres(
    before: LimitState, level_m: float, after: LimitState
) -> None:
    assert limit_state(LIMITS, level_m, before, 0.001) is after


def test_a_limit_that_is_not_set_is_not_passed() -> None:
    assert limit_state(LimitPlan(), 50.0, NEW, 0.001) is LimitState.NORMAL
    assert limit_state(LimitPlan(high_high_m=9.3), 9.4, NEW, 0.001) is LimitState.ABOVE_HIGH_HIGH


@given(
    st.lists(st.floats(-0.0024, 0.0024), min_size=5, max_size=60),
    st.sampled_from([LIMITS.minimum_m, LIMITS.maximum_working_m, LIMITS.high_high_m, LIMITS.critical_high_m]),
)
def test_ripple_at_a_limit_changes_the_state_once_at_most(ripple: list[float], limit_m: float) -> None:
    state, states = NEW, []
    for step in ripple:
        state = limit_state(LIMITS, limit_m + step, state, 0.001)
        states.append(state)
    assert sum(a is not b for a, b in pairwise(states)) <= 1


def test_it_is_in_the_inventory_with_the_limits_and_the_quality_of_the_level() -> None:
    state = sheet(given=straight_input(level=uncertain(9.4))).level_state
    assert state == LevelState(LimitState.ABOVE_HIGH_HIGH, None, Quality.UNCERTAIN, 1.0, 9.0, 9.3, 9.6)


def test_it_is_told_while_the_volume_is_bad() -> None:
    """10.2 m in a table that ends at 10 m: no volume, but a level above every limit."""
    inventory = sheet(given=straight_input(10.2))
    assert inventory.figures.tov.quality is Quality.BAD
    assert inventory.level_state.limit is LimitState.ABOVE_CRITICAL_HIGH


def test_without_a_level_it_is_not_known_and_what_was_passed_is_not_forgotten() -> None:
    plan = straight_plan()
    inventory, memory = calculate(plan, straight_input(9.3), EMPTY_MEMORY)
    lost, memory = calculate(plan, straight_input(level=bad()), memory)
    assert (lost.level_state.limit, lost.level_state.quality) == (LimitState.UNKNOWN, Quality.BAD)
    again, _ = calculate(plan, straight_input(9.297), memory)
    assert inventory.level_state.limit is again.level_state.limit is LimitState.ABOVE_HIGH_HIGH


@pytest.mark.parametrize(
    ("level_m", "zone"), [(1.5, RoofZone.LANDED), (1.8, RoofZone.CRITICAL), (5.0, RoofZone.FLOATING)]
)
def test_the_roof_has_its_state_beside_it(level_m: float, zone: RoofZone) -> None:
    plan = straight_plan(roof=RoofPlan(46_000.0, 1.6, 2.0))
    assert sheet(plan, straight_input(level_m)).level_state.roof is zone
    assert sheet(plan, straight_input(level=bad())).level_state.roof is None
