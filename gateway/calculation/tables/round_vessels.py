"""Capacity tables of round vessels, lying or spherical, of which nothing else is known: what bends suddenly in them.

At height h above the lowest point, with s = sqrt(h (D - h)), the surface is 2 L s in a shell of length L, pi s^2 in two
halves of a sphere and between the two in other heads; a term in s^4 takes up what remains of torispherical ones. Fitted
to the table by least squares, D by search, they straighten it. What is left is smooth, in a tilted vessel as well, so
that a zone of another scale shows at its ends, where the surface jumps.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["Jump", "round_reference", "surface_jumps"]

_ROWS = 240
"""Rows that a fit looks at; more would cost time and say no more."""
_TRIED = (1.0, 1.002, 1.005, 1.01, 1.02, 1.04, 1.07, 1.12, 1.2, 1.35, 1.6, 2.0)
"""Diameters over the height of the table."""
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
_SECTIONS = 24
_WIDER, _WIDE, _NARROW = 0.20, 0.15, 0.09
"""Of the height: the stretches on either side that are compared."""
_GROWS, _SHRINKS = 1.45, 0.6
"""Of a jump over the wide stretch: a bend that the reference leaves changes more with the stretch than this."""
_FEWEST, _MOST = 6, 60
_PLACES = range(20, 81)
"""Hundredths of the height: nearer to the ends a fit is not straight enough."""
_JUMP = 0.005
_SURE = 3.5


class Jump(NamedTuple):
    """A level at which the surface changes suddenly."""

    level_m: float
    share: float
    """By how much of the surface, upwards."""


def round_reference(levels_m: Sequence[float], volumes_m3: Sequence[float]) -> tuple[float, ...]:
    """Volumes of the round vessel that fits the table best, at its levels, from 0 on."""
    stride = max(1, len(levels_m) // _ROWS)
    heights = [level - levels_m[0] for level in levels_m[::stride]]
    volumes = [volume - volumes_m3[0] for volume in volumes_m3[::stride]]
    top = levels_m[-1] - levels_m[0]

    def misfit(diameter: float) -> float:
        return _fitted(heights, volumes, diameter)[1]

    # The misfit has more than one hollow: a few tries find the right one, golden sections its bottom.
    tries = [top * part for part in _TRIED]
    best = min(range(len(tries)), key=lambda each: misfit(tries[each]))
    low, high = tries[max(0, best - 1)], tries[min(len(tries) - 1, best + 1)]
    inner, outer = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_inner, at_outer = misfit(inner), misfit(outer)
    for _ in range(_SECTIONS):
        if at_inner <= at_outer:
            high, outer, at_outer = outer, inner, at_inner
            inner = high - _GOLDEN * (high - low)
            at_inner = misfit(inner)
        else:
            low, inner, at_inner = inner, outer, at_outer
            outer = low + _GOLDEN * (high - low)
            at_outer = misfit(outer)
    diameter = min((top, 0.5 * (low + high)), key=misfit)
    factors, _ = _fitted(heights, volumes, diameter)
    return tuple(
        math.fsum(factor * term for factor, term in zip(factors, _terms(level - levels_m[0], diameter), strict=True))
        for level in levels_m
    )


def _terms(height: float, diameter: float) -> tuple[float, float, float]:
    """Integrals of s, s^2 and s^4 from the lowest point to `height`."""
    radius = 0.5 * diameter
    h = min(diameter, max(0.0, height))
    segment = radius * radius * math.acos(1.0 - h / radius) - (radius - h) * math.sqrt(max(0.0, h * (diameter - h)))
    return (
        0.5 * segment,
        h * h * (0.5 * diameter - h / 3.0),
        h**3 * (diameter * diameter / 3.0 - 0.5 * diameter * h + 0.2 * h * h),
    )


def _fitted(heights: Sequence[float], volumes: Sequence[float], diameter: float) -> tuple[tuple[float, ...], float]:
    """(factors of the terms, sum of squared errors), each term scaled to one at the top."""
    scale = _terms(heights[-1], diameter)
    rows = [[term / whole for term, whole in zip(_terms(h, diameter), scale, strict=True)] for h in heights]
    factors = _solved(*_normal(rows, volumes))
    squares = math.fsum(
        (math.fsum(a * b for a, b in zip(row, factors, strict=True)) - volume) ** 2
        for row, volume in zip(rows, volumes, strict=True)
    )
    return tuple(factor / whole for factor, whole in zip(factors, scale, strict=True)), squares


def surface_jumps(
    levels_m: Sequence[float], volumes_m3: Sequence[float], reference: Sequence[float], printed_m3: float
) -> tuple[Jump, ...]:
    """Levels at which the surface over that of the reference jumps, the largest of each neighbourhood."""
    bottom, height = levels_m[0], levels_m[-1] - levels_m[0]
    noise = printed_m3 / math.sqrt(12.0)
    found: list[Jump] = []
    for place in _PLACES:
        level = bottom + 0.01 * place * height
        wider, wide, narrow = (
            _jump_at(levels_m, volumes_m3, reference, level, part * height) for part in (_WIDER, _WIDE, _NARROW)
        )
        if wider is None or wide is None or narrow is None or wide[0] == 0.0:
            continue
        sharp = wider[0] / wide[0] < _GROWS and (
            narrow[0] / wide[0] > _SHRINKS or abs(narrow[0] - wide[0]) < 2.0 * noise * narrow[1]
        )
        if abs(wide[0]) > _JUMP + _SURE * noise * wide[1] and wider[0] * wide[0] > 0.0 and sharp:
            jump = Jump(level, wide[0])
            if found and level - found[-1].level_m < _NARROW * height:
                found[-1] = max(found[-1], jump, key=lambda each: abs(each.share))
            else:
                found.append(jump)
    return tuple(found)


def _jump_at(
    levels_m: Sequence[float], volumes_m3: Sequence[float], reference: Sequence[float], level: float, reach_m: float
) -> tuple[float, float] | None:
    """(jump as a part of the slope, its standard error for an error of 1 m3 in each row); None with too few rows."""
    below = range(bisect_left(levels_m, level - reach_m), bisect_right(levels_m, level))
    above = range(bisect_left(levels_m, level), bisect_right(levels_m, level + reach_m))
    if min(len(below), len(above)) < _FEWEST:
        return None
    ends = []
    for rows in (below, above):
        some = rows[:: max(1, len(rows) // _MOST)]
        ends.append(_slope_at(reference[above[0]], [reference[row] for row in some], [volumes_m3[row] for row in some]))
    (slope_below, error_below), (slope_above, error_above) = ends
    mean = 0.5 * (slope_below + slope_above)
    if not mean > 0.0:
        return None
    return (slope_above - slope_below) / mean, math.hypot(error_below, error_above) / mean


def _slope_at(place: float, x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Slope at `place` of the parabola through the points, and its error for an error of 1 in each y."""
    scale = max(abs(each - place) for each in x) or 1.0
    rows = [[1.0, (each - place) / scale, ((each - place) / scale) ** 2] for each in x]
    matrix, right = _normal(rows, y)
    variance = _solved(matrix, [0.0, 1.0, 0.0])[1]
    return _solved(matrix, right)[1] / scale, math.sqrt(max(0.0, variance)) / scale


def _normal(rows: Sequence[Sequence[float]], values: Sequence[float]) -> tuple[list[list[float]], list[float]]:
    """The normal equations of a least-squares fit."""
    size = range(len(rows[0]))
    matrix = [[math.fsum(row[i] * row[j] for row in rows) for j in size] for i in size]
    return matrix, [math.fsum(row[i] * value for row, value in zip(rows, values, strict=True)) for i in size]


def _solved(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """A small system by elimination with pivots; what it leaves open is 0."""
    size = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for column in range(size):
        pivot = max(range(column, size), key=lambda each: abs(rows[each][column]))
        rows[column], rows[pivot] = rows[pivot], rows[column]
        for each in range(size):
            if each != column and rows[column][column] != 0.0:
                factor = rows[each][column] / rows[column][column]
                rows[each] = [a - factor * b for a, b in zip(rows[each], rows[column], strict=True)]
    return [rows[each][size] / rows[each][each] if rows[each][each] != 0.0 else 0.0 for each in range(size)]
