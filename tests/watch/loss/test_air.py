"""What follows the air with a lag: against the response of a first-order lag, and when it is known at all."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.watch.loss.air import Air, next_air

HOUR_S = 3600.0


def after(air_c: list[float | None], hours: float = 1.0) -> Air | None:
    air: Air | None = None
    for number, each in enumerate(air_c):
        air = next_air(air, each, number * hours * HOUR_S)
    return air


def test_a_step_of_the_air_is_followed_by_two_and_by_eight_hours() -> None:
    """1 - exp(-t/tau) of the step after t."""
    air = after([10.0, *[20.0] * 5])
    assert air is not None
    assert air.quick_c == pytest.approx(20.0 - 10.0 * math.exp(-5.0 / 2.0))
    assert air.slow_c == pytest.approx(20.0 - 10.0 * math.exp(-5.0 / 8.0))


def test_it_is_known_once_what_it_was_at_first_no_longer_counts() -> None:
    air = after([10.0] * 16)
    assert air is not None
    assert not air.is_known(15.0 * HOUR_S)
    assert air.is_known(16.0 * HOUR_S)


def test_a_short_gap_is_bridged_and_a_long_one_begins_anew() -> None:
    short, long = after([10.0, *[None] * 5, 12.0]), after([10.0, *[None] * 6, 12.0])
    assert short is not None
    assert short.since_s == 0.0
    assert long == Air(12.0, 12.0, 7.0 * HOUR_S, 7.0 * HOUR_S)
    assert after([10.0, *[None] * 6]) is not None
    assert after([10.0, *[None] * 7]) is None


@given(st.lists(st.none() | st.floats(-60.0, 60.0), min_size=1, max_size=60), st.floats(0.1, 10.0))
def test_a_layer_is_never_beyond_what_the_air_has_been(air_c: list[float | None], hours: float) -> None:
    air = after(air_c, hours)
    told = [each for each in air_c if each is not None]
    if air is not None:
        assert min(told) - 1e-9 <= air.quick_c <= max(told) + 1e-9
        assert min(told) - 1e-9 <= air.slow_c <= max(told) + 1e-9
