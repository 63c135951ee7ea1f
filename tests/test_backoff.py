"""Back-off: full jitter, doubling, capped, forgotten after ten times its first wait of health."""

import random
from statistics import fmean

from hypothesis import given
from hypothesis import strategies as st

from gateway.backoff import Backoff


class Longest(random.Random):
    """Draws the most there is, so that the limits can be read."""

    def uniform(self, a: float, b: float) -> float:
        assert a == 0.0
        return b


def test_the_limit_doubles_and_is_capped() -> None:
    backoff = Backoff(1.0, 60.0, Longest())
    assert [backoff.after(0.0) for _ in range(8)] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
    assert backoff.failures == 8


def test_ten_faults_in_a_year_are_not_ten_in_a_row() -> None:
    backoff = Backoff(1.0, 60.0, Longest())
    assert [backoff.after(36 * 86_400.0) for _ in range(10)] == [1.0] * 10
    assert backoff.failures == 1


def test_health_of_ten_times_the_first_wait_is_enough_and_less_is_not() -> None:
    backoff = Backoff(0.5, 60.0, Longest())
    assert [backoff.after(healthy_s) for healthy_s in (0.0, 4.999, 4.999, 5.0, 0.0)] == [0.5, 1.0, 2.0, 0.5, 1.0]


def test_what_is_forgotten_begins_at_the_first_wait() -> None:
    backoff = Backoff(1.0, 60.0, Longest())
    assert [backoff.after(0.0) for _ in range(4)] == [1.0, 2.0, 4.0, 8.0]
    backoff.forget()
    assert (backoff.failures, backoff.after(0.0)) == (0, 1.0)


def test_waits_are_spread_over_all_of_the_limit() -> None:
    backoff = Backoff(8.0, 8.0, random.Random(3))
    waits = [backoff.after(0.0) for _ in range(4000)]
    assert min(waits) < 0.1
    assert max(waits) > 7.9
    # The mean of 4000 even draws from 0 to 8: 4, with a standard error of 8 / sqrt(12 * 4000) = 0.037.
    assert abs(fmean(waits) - 4.0) < 5 * 0.037


@given(
    st.lists(st.floats(0.0, 100.0), max_size=60),
    st.floats(0.01, 10.0),
    st.floats(1.0, 1000.0),
    st.integers(0, 2**32),
)
def test_no_wait_is_longer_than_the_faults_since_the_last_health_allow(
    healthy_s: list[float], first_s: float, longest_in_firsts: float, seed: int
) -> None:
    longest_s = first_s * longest_in_firsts
    backoff = Backoff(first_s, longest_s, random.Random(seed))
    in_a_row = 0
    for each_s in healthy_s:
        in_a_row = 1 if each_s >= 10.0 * first_s else in_a_row + 1
        assert 0.0 <= backoff.after(each_s) <= min(longest_s, first_s * 2.0 ** (in_a_row - 1))
        assert backoff.failures == in_a_row
