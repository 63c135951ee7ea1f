"""Whether a level moves: slow filling does, ripple does not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.doubts.movement import Movement, MovementState, next_movement


def states(levels_m: list[float], period_s: float = 10.0, resolution_m: float = 0.001) -> list[MovementState]:
    found: Movement | None = None
    seen = []
    for index, level_m in enumerate(levels_m):
        found = next_movement(found, level_m, index * period_s, resolution_m)
        seen.append(found.state)
    return seen


@given(st.lists(st.integers(-1, 1), min_size=1, max_size=100), st.sampled_from([0.001, 0.005]))
def test_ripple_by_one_step_is_no_movement(steps: list[int], resolution_m: float) -> None:
    assert set(states([5.0 + step * resolution_m for step in steps], resolution_m=resolution_m)) == {MovementState.REST}


@pytest.mark.parametrize(("mm_a_minute", "after_s"), [(15.0, 10), (1.9, 80), (1.0, 180)])
def test_filling_is_movement_as_soon_as_it_is_more_than_ripple_and_for_as_long_as_it_lasts(
    mm_a_minute: float, after_s: int
) -> None:
    """1.9 mm a minute are 90 m3/h into 804 m2. The gauge shows whole millimetres."""
    levels = [round(5.0 + mm_a_minute / 60_000.0 * 10.0 * index, 3) for index in range(360)]
    seen = states(levels)
    first = seen.index(MovementState.MOVING)
    assert first * 10 <= after_s + 10
    assert set(seen[first:]) == {MovementState.MOVING}


def test_five_minutes_at_one_level_are_rest_again() -> None:
    seen = states([5.0, 5.05, *[5.1] * 60])
    assert seen.index(MovementState.REST, 1) * 10 == 20 + 300


def test_another_clock_begins_anew() -> None:
    assert next_movement(Movement(5.0, 1000.0, 990.0), 6.0, 10.0, 0.001) == Movement(6.0, 10.0)
