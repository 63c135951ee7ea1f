"""Tanks at rest as instruments see them: days of level, temperature and air, with the noise that was fixed for the
search for slow losses before it was tuned. Nothing of the program under test is used.

Fixed: a gauge in steps of 1 mm with 0.5 mm of white noise and 1 mm of slow wander over hours to days; elements with
0.1 degC white and 0.1 degC wander each; air that swings by 5 to 15 degC a day, with clouds and rain; beside the wall a
layer that follows the air with 2 to 8 h of lag and that no element sees. What that leaves open is drawn anew for each
tank: a wander is a Gauss-Markov process of that standard deviation and 2 to 48 h of correlation time; the layer is 5 to
20 cm thick and takes up half of what the air is warmer than the liquid.

Liquid with 0.000846 per degC of expansion (a diesel of 838 kg/m3; common practice) in an upright tank of even surface.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["DAY_S", "EXPANSION", "TANKS", "QuietDays", "Vessel", "quiet_days", "wander"]

Series = NDArray[np.floating]

DAY_S = 86_400.0
EXPANSION = 0.000846
"""Of the liquid, per degC, from 15 degC."""
GAUGE_STEP_M = 0.001
GAUGE_WHITE_M = 0.0005
GAUGE_WANDER_M = 0.001
ELEMENT_WHITE_C = 0.1
ELEMENT_WANDER_C = 0.1
WANDER_H = (2.0, 48.0)
SWING_C = (5.0, 15.0)
LAYER_LAG_H = (2.0, 8.0)
LAYER_THICKNESS_M = (0.05, 0.2)
LAYER_SHARE = 0.5
BULK_LAG_H = 240.0
"""The liquid itself follows the air by ten days."""
_SPIN_UP_H = 72.0
"""Before what is told, for the layer to forget how it began."""


class Vessel(NamedTuple):
    """An upright tank and how full it is."""

    diameter_m: float
    level_m: float
    elements: int

    @property
    def area_m2(self) -> float:
        return math.pi / 4.0 * self.diameter_m**2


TANKS = (Vessel(6.0, 7.0, 3), Vessel(18.0, 9.5, 5), Vessel(30.0, 11.0, 6))
"""Of 28, 254 and 707 m2."""


class QuietDays(NamedTuple):
    """What is read of one tank at even intervals; shape of each: (readings,)."""

    seconds: Series
    """Since the first midnight of local sun time; the first reading is some time after it."""
    level_m: Series
    temperature_c: Series
    """Average of the elements."""
    ambient_c: Series
    gsv_m3: Series
    """As worked out from level and temperature."""


def quiet_days(
    vessel: Vessel,
    days: float,
    seed: int,
    *,
    step_s: float = 60.0,
    loss_m3_h: float = 0.0,
    lost_after_s: float = 0.0,
    wander_h: float | None = None,
) -> QuietDays:
    """`days` of a tank at rest, from which `loss_m3_h` are lost from `lost_after_s` after the first reading on.

    `wander_h`: the correlation time of the gauge's wander; None: drawn.
    """
    chance = np.random.default_rng(seed)
    spin_up = round(_SPIN_UP_H * 3600.0 / step_s)
    count = spin_up + round(days * DAY_S / step_s)
    begin_s = float(chance.uniform(0.0, DAY_S))
    seconds = begin_s + step_s * np.arange(count)
    step_h = step_s / 3600.0
    ambient = _air(chance, seconds, step_h)
    bulk = _lagged(ambient, BULK_LAG_H, step_h, float(chance.uniform(10.0, 25.0)))
    layer = bulk + LAYER_SHARE * (_lagged(ambient, float(chance.uniform(*LAYER_LAG_H)), step_h, ambient[0]) - bulk)
    share = 4.0 * float(chance.uniform(*LAYER_THICKNESS_M)) / vessel.diameter_m
    after_h = np.maximum(seconds - seconds[spin_up] - lost_after_s, 0.0) / 3600.0
    standard_m = vessel.level_m * _shrunk(bulk[spin_up]) - loss_m3_h * after_h / vessel.area_m2
    true_m = standard_m / _shrunk((1.0 - share) * bulk + share * layer)
    wander_m = GAUGE_WANDER_M * wander(chance, count, step_h, wander_h)
    seen_m = true_m + wander_m + chance.normal(0.0, GAUGE_WHITE_M, count)
    level = GAUGE_STEP_M * np.round(seen_m / GAUGE_STEP_M)
    elements = [
        bulk + ELEMENT_WANDER_C * wander(chance, count, step_h) + chance.normal(0.0, ELEMENT_WHITE_C, count)
        for _ in range(vessel.elements)
    ]
    temperature = np.mean(elements, axis=0)
    gsv = vessel.area_m2 * level * _shrunk(temperature)
    told = ambient + chance.normal(0.0, ELEMENT_WHITE_C, count)
    return QuietDays(*[each[spin_up:] for each in (seconds, level, temperature, told, gsv)])


def _shrunk(temperature_c: Series) -> Series:
    """Volume at 15 degC over volume at a temperature."""
    return 1.0 - EXPANSION * (temperature_c - 15.0)


def _air(chance: np.random.Generator, seconds: Series, step_h: float) -> Series:
    """Warmest in the afternoon, each day by a swing of its own; clouds take away from it, and rain cools for hours."""
    day = (seconds // DAY_S).astype(int)
    swings = chance.uniform(*SWING_C, day[-1] + 2)
    hour = (seconds % DAY_S) / 3600.0
    daily = 0.5 * np.interp(seconds / DAY_S, np.arange(len(swings)), swings) * np.cos((hour - 15.0) * math.pi / 12.0)
    clouds = 0.8 * wander(chance, len(seconds), step_h, 3.0) * np.clip(np.sin((hour - 6.0) * math.pi / 12.0), 0.0, 1.0)
    weather = 3.0 * wander(chance, len(seconds), step_h, 72.0)
    rain = np.zeros_like(seconds)
    for begin_s in seconds[0] + np.cumsum(chance.exponential(2.0 * DAY_S, 4 + 2 * len(swings))):
        since_h = (seconds - begin_s) / 3600.0
        lasts_h, depth_c = chance.uniform(0.5, 4.0), chance.uniform(1.0, 5.0)
        shape = np.where(
            since_h < lasts_h, np.clip(since_h / 0.5, 0.0, 1.0), np.exp(-np.maximum(since_h - lasts_h, 0.0) / 3.0)
        )
        rain -= depth_c * np.where(since_h < 0.0, 0.0, shape)
    mean_c = float(chance.uniform(5.0, 25.0))
    return np.asarray(mean_c + daily + clouds + weather + rain)


def wander(chance: np.random.Generator, count: int, step_h: float, time_h: float | None = None) -> Series:
    """A Gauss-Markov process of standard deviation 1 and correlation time `time_h`, or one drawn evenly by its log."""
    if time_h is None:
        time_h = math.exp(float(chance.uniform(math.log(WANDER_H[0]), math.log(WANDER_H[1]))))
    kept = math.exp(-step_h / time_h)
    steps = chance.normal(0.0, math.sqrt(1.0 - kept * kept), count)
    steps[0] = chance.normal()
    return _filtered(steps, kept)


def _lagged(given: Series, lag_h: float, step_h: float, begin: float) -> Series:
    """First-order lag."""
    kept = math.exp(-step_h / lag_h)
    steps = (1.0 - kept) * given
    steps[0] = begin
    return _filtered(steps, kept)


def _filtered(steps: Series, kept: float) -> Series:
    """x[n] = kept x[n-1] + steps[n]."""
    filtered: Series = lfilter([1.0], [1.0, -kept], steps)
    return filtered
