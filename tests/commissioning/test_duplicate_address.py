"""Two devices with one unit number, told from a tank that moves, a gauge that flickers and a gauge that jumps once."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commissioning.duplicate_address import two_devices


def test_values_that_go_to_and_fro_with_broken_frames() -> None:
    values = [9.412, 3.055, 9.412, 3.056, 3.055, 9.411, 9.412, 3.055, 3.055, 9.412]
    seen = two_devices(values, broken_frames=4, requests=40, resolution=0.05)
    assert seen is not None
    assert seen.places.low == pytest.approx(3.055, abs=0.001)
    assert seen.places.high == pytest.approx(9.412, abs=0.001)
    assert seen.places.switches == 6
    assert seen.frames_break


def test_without_broken_frames_it_says_so() -> None:
    seen = two_devices([9.4, 3.0] * 5, broken_frames=0, requests=10)
    assert seen is not None
    assert not seen.frames_break


@pytest.mark.parametrize(
    "values",
    [
        [3.0] * 10,
        [3.0 + step * 0.3 for step in range(10)],  # filling
        [3.0] * 10 + [9.0] * 10,  # one jump: an offset was changed, or the roof landed
        [3.0] * 8 + [9.0] + [3.0] * 8,  # one spike
        [9.412, 9.413] * 8,  # the last digit flickers
        [3.0, 9.0] * 3,  # too few to tell
    ],
)
def test_what_one_device_may_do(values: list[float]) -> None:
    assert two_devices(values, broken_frames=9, requests=20, resolution=0.05) is None


@given(st.integers(0, 2**32), st.floats(0.0, 10.0), st.floats(1.0, 10.0))
def test_two_devices_that_answer_by_chance_are_seen(seed: int, low: float, apart: float) -> None:
    dice = random.Random(seed)
    values = [low + apart * dice.randrange(2) + dice.uniform(-0.004, 0.004) for _ in range(60)]
    seen = two_devices(values, 3, 60, resolution=0.05)
    assert seen is not None
    assert seen.places.low == pytest.approx(low, abs=0.005)
    assert seen.places.high == pytest.approx(low + apart, abs=0.005)


@given(st.integers(0, 2**32), st.floats(-0.01, 0.01), st.floats(0.0, 0.01))
def test_a_tank_at_rest_or_on_the_move_is_one_device(seed: int, rate: float, ripple: float) -> None:
    dice = random.Random(seed)
    values = [5.0 + rate * place + dice.uniform(-ripple, ripple) for place in range(60)]
    assert two_devices(values, 5, 60, resolution=0.05) is None
