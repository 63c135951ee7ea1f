"""The baseline's filter against the same model written out as one normal distribution of all hours."""

import math
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from gateway.watch.loss.baseline import NEW_FIT, Noise, afresh, expected, with_daily_doubt, with_value

NOISE = Noise(white_m=0.0002, wander_m=0.001, wander_h=6.0, creep_m2_h=2e-9)
LAYER_M_C = 2.25e-4
UNKNOWN_M = 0.02
SEASON_H = 1440.0
"""What `baseline` begins with, written down a second time."""
Matrix = NDArray[np.floating]


class World(NamedTuple):
    """Hours of a tank, and what is known of them beforehand."""

    at_h: Matrix
    regressors: Matrix
    """(hours, 4), in degC."""
    levels_m: Matrix
    covariance: Matrix
    """Of the levels, (hours, hours)."""


def world(hours: int = 60) -> World:
    chance = np.random.default_rng(5)
    at_h = np.cumsum(chance.choice([1.0, 1.0, 1.0, 2.0, 7.0], hours))
    regressors = chance.normal(0.0, 3.0, (hours, 4))
    apart = np.abs(at_h[:, None] - at_h[None, :])
    since_first = np.minimum(at_h[:, None], at_h[None, :]) - at_h[0]
    covariance = UNKNOWN_M**2 + NOISE.creep_m2_h * (since_first + 1.0) + NOISE.white_m**2 * np.eye(hours)
    covariance += NOISE.wander_m**2 * np.exp(-apart / NOISE.wander_h)
    covariance += LAYER_M_C**2 * np.exp(-apart / SEASON_H) * (regressors @ regressors.T)
    levels = np.linalg.cholesky(covariance) @ chance.normal(size=hours)
    return World(at_h, regressors, levels, covariance)


def test_each_hour_is_expected_as_the_joint_distribution_has_it() -> None:
    """Mean and variance of an hour, given all before it: S21 S11^-1 y and S22 - S21 S11^-1 S12."""
    given = world()
    fit, before_h = afresh(NEW_FIT, NOISE), given.at_h[0] - 1.0
    for number, at_h in enumerate(given.at_h):
        ahead = expected(fit, at_h - before_h, tuple(given.regressors[number]), NOISE)
        known, across = given.covariance[:number, :number], given.covariance[number, :number]
        weights = np.linalg.solve(known, across) if number else across
        assert ahead.level_m == pytest.approx(weights @ given.levels_m[:number], abs=1e-8)
        assert ahead.variance_m2 == pytest.approx(given.covariance[number, number] - weights @ across, rel=1e-6)
        fit, before_h = with_value(ahead, given.levels_m[number], 0.0), at_h


def test_the_rate_of_a_loss_is_that_of_generalised_least_squares() -> None:
    """s' C^-1 y / s' C^-1 s, its variance 1 / s' C^-1 s (A. C. Aitken, 1936), of a loss from the fortieth hour on."""
    given = world()
    loss = -np.maximum(given.at_h - given.at_h[40], 0.0)
    levels = given.levels_m + 0.0004 * loss
    fit, before_h, shown, weight = afresh(NEW_FIT, NOISE), given.at_h[0] - 1.0, 0.0, 0.0
    for number, at_h in enumerate(given.at_h):
        ahead = expected(fit, at_h - before_h, tuple(given.regressors[number]), NOISE)
        of_loss_m = loss[number] - ahead.loss_m
        shown += of_loss_m * (levels[number] - ahead.level_m) / ahead.variance_m2
        weight += of_loss_m**2 / ahead.variance_m2
        fit, before_h = with_value(ahead, levels[number], loss[number]), at_h
    by_covariance = np.linalg.solve(given.covariance, loss)
    assert weight == pytest.approx(by_covariance @ loss, rel=1e-6)
    assert shown / weight == pytest.approx(by_covariance @ levels / (by_covariance @ loss), rel=1e-6)
    assert shown / weight == pytest.approx(0.0004, abs=3.0 / math.sqrt(weight))


def test_after_a_movement_the_ambient_alone_is_known() -> None:
    given = world(30)
    fit, before_h = afresh(NEW_FIT, NOISE), given.at_h[0] - 1.0
    for number, at_h in enumerate(given.at_h):
        ahead = expected(fit, at_h - before_h, tuple(given.regressors[number]), NOISE)
        fit, before_h = with_value(ahead, given.levels_m[number], 0.0), at_h
    moved = afresh(fit, NOISE)
    assert moved.state == (0.0, 0.0, *fit.state[2:])
    assert [row[2:] for row in moved.covariance[2:]] == [row[2:] for row in fit.covariance[2:]]
    assert moved.covariance[0] == (UNKNOWN_M**2, 0.0, 0.0, 0.0, 0.0, 0.0)
    assert moved.covariance[1] == (0.0, NOISE.wander_m**2, 0.0, 0.0, 0.0, 0.0)
    doubted = with_daily_doubt(fit)
    assert doubted.covariance[2][2] == doubted.covariance[3][3] == LAYER_M_C**2
    assert [row[4:] for row in doubted.covariance[4:]] == [row[4:] for row in fit.covariance[4:]]
