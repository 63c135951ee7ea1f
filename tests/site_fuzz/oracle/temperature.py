"""The average of the submerged elements, as decided (API MPMS 7.3 practice): which may count, with which weight."""

import math
from collections.abc import Sequence
from itertools import pairwise

from scipy.optimize import brentq

from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, OPEN, TOUCH, Expected, best_of, of_said
from tests.site_fuzz.oracle.volumes import table_volume
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN, Said
from tests.site_fuzz.tanks import Signal, Tank

__all__ = ["average", "celsius_of", "misused", "spread_of", "vapour_average", "weights"]

_WATER_LEAVES = 0.030
"""An element that stood in water may be left out until it stands this far above it."""
_OUTLIER_C, _SPREAD_C, _REACH_M, _CLEAR_M = 5.0, 15.0, 3.5, 0.50
_OHM = (0.60, 1.80)
"""Over its resistance at 0 degC: beyond, an element in a tank is broken."""


def celsius_of(signal: Signal, said: Said) -> Expected:
    """IEC 60751 turned round for a platinum element."""
    given = of_said(said)
    if signal.ohm is None or given.value is None:
        return given
    ratio = given.value / signal.ohm
    if not _OHM[0] <= ratio <= _OHM[1]:
        return LOST
    celsius = brentq(lambda t: _ratio(t) - ratio, -110.0, 220.0, xtol=1e-12)
    return Expected(float(celsius), given.best, 1e-9)


def _ratio(t: float) -> float:
    ratio = 1.0 + 3.9083e-3 * t - 5.775e-7 * t * t
    return ratio - 4.183e-12 * (t - 100.0) * t**3 if t < 0.0 else ratio


def misused(
    tank: Tank, level: float, water: float | None, used: Sequence[bool], healthy: Sequence[bool], first: bool
) -> str | None:
    """What is wrong with the choice of elements; None: nothing. Without a sheet before there is no choice at all."""
    hair = 2.0 * TOUCH if tank.shell is None else 2e-5  # a shell's growth moves the level, and with it the elements
    for index, element in enumerate(tank.elements):
        height = element.height
        enters, leaves = height + tank.margin, height + tank.margin * 2.0 / 3.0
        name = f"element {index + 1} at {height:g} m"
        below = water is not None and height <= water - TOUCH
        may_be_below = water is not None and height <= water + TOUCH + (0.0 if first else _WATER_LEAVES)
        if used[index]:
            if level < (enters if first else leaves) - hair:
                return f"{name} is used and not covered at {level!r} m"
            if below:
                return f"{name} is used and stands in water up to {water!r} m"
        elif level >= enters + hair - 2.0 * TOUCH and not may_be_below and healthy[index]:
            return f"{name} is left out and covered at {level!r} m"
    return None


def average(tank: Tank, elements: Sequence[Expected], used: Sequence[bool], level: float, water: Expected) -> Expected:
    """Of the elements that the sheet says it used."""
    chosen = [index for index, each in enumerate(used) if each]
    if not chosen:
        if not tank.elements and tank.manual_c is not None:
            return Expected(tank.manual_c, GOOD, 1e-9)
        return Expected(None, UNCERTAIN)
    heights = [tank.elements[index].height for index in chosen]
    values = [elements[index].value for index in chosen]
    if any(value is None for value in values):
        return LOST
    known = [value for value in values if value is not None]
    best = best_of(*[elements[index] for index in chosen])
    water_m = water.value if water.value is not None else None
    for index, element in enumerate(tank.elements):
        covered = level >= element.height + tank.margin + TOUCH
        dry = water_m is None or element.height > water_m + _WATER_LEAVES
        if covered and dry and elements[index].best == BAD:
            best = max(best, UNCERTAIN)  # a wet element has failed
    if water.best == BAD or (water.best == UNCERTAIN and tank.slices != "equal" and len(known) > 1):
        best = max(best, UNCERTAIN)  # elements may stand in it, and slices begin at it
    lowest = tank.bottom if water_m is None else max(tank.bottom, water_m)
    spread = max(known) - min(known)
    if spread > _SPREAD_C + 1e-6 or (len(known) == 2 and spread > _OUTLIER_C + 1e-6):
        best = max(best, UNCERTAIN)
    if _reach(heights, lowest, level) > _REACH_M + 2.0 * TOUCH:
        best = max(best, UNCERTAIN)
    shares = weights(tank, heights, level, water_m)
    # Slices move with a level that is itself found by rounds.
    by_rounds = 5e-5 if tank.gauge.measures == "pressure" else 1e-8 if tank.shell is None else 1e-6
    tolerance = 1e-8 if tank.slices == "equal" else by_rounds
    return Expected(math.fsum(s * v for s, v in zip(shares, known, strict=True)), best, tolerance)


def _reach(heights: Sequence[float], lowest: float, level: float) -> float:
    return max(heights[0] - lowest, level - heights[-1], *(0.5 * (high - low) for low, high in pairwise(heights)), 0.0)


def weights(tank: Tank, heights: Sequence[float], level: float, water: float | None) -> list[float]:
    """Borders midway between the elements used; below, the water or the bottom with any heel; above, the surface."""
    if tank.slices == "equal" or len(heights) == 1:
        return [1.0 / len(heights)] * len(heights)
    lowest = tank.bottom if water is None else max(tank.bottom, water)
    middles = [min(max(0.5 * (low + high), lowest), level) for low, high in pairwise(heights)]
    if tank.slices == "slice_height":
        edges = [lowest, *middles, level]
    else:
        top = min(max(level, tank.bottom), tank.top)
        below = 0.0 if water is None else table_volume(tank, min(lowest, top))
        edges = [below, *(max(below, table_volume(tank, min(each, top))) for each in middles), table_volume(tank, top)]
    whole = edges[-1] - edges[0]
    if whole <= 0.0:
        return [1.0 / len(heights)] * len(heights)
    return [(high - low) / whole for low, high in pairwise(edges)]


def spread_of(elements: Sequence[Expected], used: Sequence[bool], mean: Expected) -> Expected:
    known = [each.value for each, counts in zip(elements, used, strict=True) if counts and each.value is not None]
    if not known:
        return Expected(None, UNCERTAIN)
    return Expected(max(known) - min(known), best_of(*[e for e, u in zip(elements, used, strict=True) if u]), 1e-8)


def vapour_average(tank: Tank, elements: Sequence[Expected], level: float) -> Expected:
    """Of the healthy elements that stand clear of the surface; not applicable where there is none."""
    clear = [
        each
        for each, element in zip(elements, tank.elements, strict=True)
        if element.height >= level + _CLEAR_M - TOUCH and each.value is not None
    ]
    near = any(abs(each.height - level - _CLEAR_M) < 2.0 * TOUCH for each in tank.elements)
    if not clear:
        return OPEN if near else NOT_APPLICABLE
    mean = math.fsum(each.value for each in clear if each.value is not None) / len(clear)
    return OPEN if near else Expected(mean, best_of(*clear), 1e-8)
