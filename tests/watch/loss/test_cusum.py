"""Page's cumulative sum against the published tables of its average run length, and the formula for it against both."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.watch.loss.cusum import next_score, run_length, threshold

# Reference 0.5, one-sided: K.-H. Waldmann, Technometrics 28 (1986), tables 1, 3 and 5; two-sided: J. M. Lucas and R. B.
# Crosier, Technometrics 24 (1982), table 1. Both as the examples of the R package spc quote them.
WALDMANN = ((-0.5, 3.0, 1963.0), (0.0, 3.0, 117.4), (0.5, 3.0, 17.35))
LUCAS_CROSIER = ((0.0, 168.0), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1.0, 8.38), (1.5, 4.75), (2.0, 3.34))
"""Shift and run length at a threshold of 4."""
# Reference 0, threshold 10: L. C. Vance, Journal of Quality Technology 18 (1986), table 1.
VANCE = ((-0.25, 2071.51), (-0.125, 400.28), (0.0, 124.66), (0.25, 36.71), (0.5, 20.37), (1.0, 10.75))


def two_sided(shift: float) -> float:
    """Of a sum in each direction, whichever passes first (C. D. Kemp, 1961): one over the sum of the frequencies."""
    return 1.0 / (1.0 / run_length(0.5, 4.0, shift) + 1.0 / run_length(0.5, 4.0, -shift))


@pytest.mark.outside("Waldmann (1986), Technometrics 28")
@pytest.mark.parametrize(("shift", "limit", "published"), WALDMANN)
def test_run_length_against_waldmann(shift: float, limit: float, published: float) -> None:
    assert run_length(0.5, limit, shift) == pytest.approx(published, rel=0.06)


@pytest.mark.outside("Lucas and Crosier (1982), Technometrics 24")
@pytest.mark.parametrize(("shift", "published"), LUCAS_CROSIER)
def test_run_length_against_lucas_and_crosier(shift: float, published: float) -> None:
    assert two_sided(shift) == pytest.approx(published, rel=0.04)


@pytest.mark.outside("Vance (1986), Journal of Quality Technology 18")
@pytest.mark.parametrize(("shift", "published"), VANCE)
def test_run_length_against_vance(shift: float, published: float) -> None:
    assert run_length(0.0, 10.0, shift) == pytest.approx(published, rel=0.01)


@pytest.mark.outside("Waldmann (1986), Technometrics 28")
@pytest.mark.parametrize(("shift", "published"), [(0.0, 117.4), (0.5, 17.35)])
def test_the_sum_itself_runs_as_long_as_published(shift: float, published: float) -> None:
    """4,000 runs: a run length has about its own mean as deviation, so the mean is within 5 % by three of them."""
    chance = np.random.default_rng(11)
    lengths = []
    for _ in range(4_000):
        score, length = 0.0, 0
        while score <= 3.0:
            score, length = next_score(score, chance.normal(shift), 0.5), length + 1
        lengths.append(length)
    assert np.mean(lengths) == pytest.approx(published, rel=3.0 / math.sqrt(len(lengths)) + 0.001)


@given(st.floats(0.05, 2.0), st.floats(10.0, 1e7))
def test_the_threshold_is_passed_as_often_as_asked(reference: float, values: float) -> None:
    limit = threshold(reference, values)
    if limit == 0.0:
        assert run_length(reference, 0.0) >= values
    else:
        assert run_length(reference, limit) == pytest.approx(values, rel=1e-6)


@given(st.lists(st.floats(-10.0, 10.0), max_size=50), st.floats(0.01, 2.0))
def test_the_score_is_the_most_that_any_end_of_the_run_adds_up_to(values: list[float], reference: float) -> None:
    """Page (1954): the sum less its least so far."""
    score = 0.0
    for value in values:
        score = next_score(score, value, reference)
    ends = [math.fsum(value - reference for value in values[at:]) for at in range(len(values) + 1)]
    assert score == pytest.approx(max(ends), abs=1e-9)
