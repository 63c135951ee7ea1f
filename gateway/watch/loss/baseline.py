"""What a tank at rest ought to show in the next hour, learned from the hours before: a Kalman filter of six states.

The level-equivalent of what is in the tank is a constant (which may creep), a wander of the gauge (a Gauss-Markov
process), and by how much liquid beside the wall, which no element sees, swells with the day and with the air: both in
proportion to the height over the diameter, so that what was learned at one level serves at another. R. E. Kalman,
Journal of Basic Engineering 82, 1960.

Beside it runs what the same filter would make of a steady loss alone. As all is linear, the rate of the loss follows by
least squares from what the hours showed against what was expected.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

__all__ = [
    "LAYER_M_C",
    "NEW_FIT",
    "Expected",
    "Fit",
    "Noise",
    "afresh",
    "expected",
    "with_daily_doubt",
    "with_value",
    "without_loss",
]

_STATES = 6
_CONSTANT, _WANDER, _COSINE, _SINE, _QUICK, _SLOW = range(_STATES)
_AMBIENT = (_COSINE, _SINE, _QUICK, _SLOW)
LAYER_M_C = 0.125 * 4.0 * 0.5 * 0.0009
"""By height over diameter and degC: a layer of an eighth of a metre at the wall takes up half of what the air is
warmer, and swells by 0.0009 per degC (common practice). What shell and gauge do with the air is no more."""
_AMBIENT_H = 60.0 * 24.0
"""For so long what is learned of the ambient stays: the season changes."""
_UNKNOWN_M = 0.02
"""Where the contents stand after a movement, against the first hour."""

Row = tuple[float, ...]


class Fit(NamedTuple):
    """What is known of a tank's baseline."""

    state: Row
    """Constant and wander in m; daily cosine and sine, and what follows the air by 2 and by 8 h, in m per degC."""
    covariance: tuple[Row, ...]
    loss: Row
    """The state that a loss of 1 m/h alone would have led to."""


class Noise(NamedTuple):
    """What the filter takes for chance."""

    white_m: float
    """Of an hourly mean."""
    wander_m: float
    wander_h: float
    creep_m2_h: float
    """By how much the variance of the constant grows in an hour."""


class Expected(NamedTuple):
    """Before the next hour is looked at."""

    fit: Fit
    """One hour on, the values of that hour not yet in it."""
    level_m: float
    variance_m2: float
    loss_m: float
    """What a loss of 1 m/h alone would be expected to show."""
    ambient_m: float
    """What of the level follows the day and the air."""
    gain: Row
    """Covariances of the states with what is expected."""


NEW_FIT = Fit(
    (0.0,) * _STATES,
    tuple(
        tuple(LAYER_M_C**2 if row == column and row in _AMBIENT else 0.0 for column in range(_STATES))
        for row in range(_STATES)
    ),
    (0.0,) * _STATES,
)
"""Nothing learned, and not begun: `afresh` begins."""


def afresh(fit: Fit, noise: Noise) -> Fit:
    """After a movement: what was learned of the ambient stays, where the contents stand is not known."""
    covariance = [
        [0.0 if row < _COSINE or column < _COSINE else value for column, value in enumerate(values)]
        for row, values in enumerate(fit.covariance)
    ]
    covariance[_CONSTANT][_CONSTANT] = _UNKNOWN_M**2
    covariance[_WANDER][_WANDER] = noise.wander_m**2
    return Fit(
        (0.0, 0.0, *fit.state[_COSINE:]),
        tuple([tuple(values) for values in covariance]),
        (0.0, 0.0, *fit.loss[_COSINE:]),
    )


def without_loss(fit: Fit) -> Fit:
    """A loss would begin now."""
    return fit._replace(loss=NEW_FIT.loss)


def with_daily_doubt(fit: Fit) -> Fit:
    """After the air has come to be known, or is no longer: what goes by the day alone is learned anew."""
    covariance = [
        [0.0 if {row, column} & {_COSINE, _SINE} else value for column, value in enumerate(values)]
        for row, values in enumerate(fit.covariance)
    ]
    covariance[_COSINE][_COSINE] = covariance[_SINE][_SINE] = LAYER_M_C**2
    return fit._replace(covariance=tuple([tuple(values) for values in covariance]))


def expected(fit: Fit, hours: float, regressors: Row, noise: Noise) -> Expected:
    """What `hours` after the last value is to be expected. `regressors`: of the four of the ambient, in degC."""
    wander_kept, ambient_kept = math.exp(-hours / noise.wander_h), math.exp(-hours / _AMBIENT_H)
    kept = (1.0, wander_kept, ambient_kept, ambient_kept, ambient_kept, ambient_kept)
    state = tuple([value * keep for value, keep in zip(fit.state, kept, strict=True)])
    loss = tuple([value * keep for value, keep in zip(fit.loss, kept, strict=True)])
    covariance = [
        [value * keep * across for value, across in zip(values, kept, strict=True)]
        for values, keep in zip(fit.covariance, kept, strict=True)
    ]
    covariance[_CONSTANT][_CONSTANT] += noise.creep_m2_h * hours
    covariance[_WANDER][_WANDER] += noise.wander_m**2 * (1.0 - wander_kept**2)
    learned = LAYER_M_C**2 * (1.0 - ambient_kept**2)
    for each in _AMBIENT:
        covariance[each][each] += learned
    seen = (1.0, 1.0, *regressors)
    gain = tuple([_product(values, seen) for values in covariance])
    return Expected(
        Fit(state, tuple([tuple(values) for values in covariance]), loss),
        _product(state, seen),
        _product(gain, seen) + noise.white_m**2,
        _product(loss, seen),
        _product(state[_COSINE:], regressors),
        gain,
    )


def with_value(ahead: Expected, level_m: float, loss_m: float) -> Fit:
    """The fit with the level-equivalent of this hour, and what a loss of 1 m/h alone would have made of it, in m."""
    fit, gain = ahead.fit, ahead.gain
    by, by_loss = (level_m - ahead.level_m) / ahead.variance_m2, (loss_m - ahead.loss_m) / ahead.variance_m2
    return Fit(
        tuple([value + each * by for value, each in zip(fit.state, gain, strict=True)]),
        tuple(
            [
                tuple([value - each * across / ahead.variance_m2 for value, across in zip(values, gain, strict=True)])
                for values, each in zip(fit.covariance, gain, strict=True)
            ]
        ),
        tuple([value + each * by_loss for value, each in zip(fit.loss, gain, strict=True)]),
    )


def _product(left: Sequence[float], right: Row) -> float:
    return sum([a * b for a, b in zip(left, right, strict=True)])
