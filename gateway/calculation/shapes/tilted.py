"""Lying cylinders that are not level: the surface cuts shell and heads aslant."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation.shapes.ends import wedge
from gateway.calculation.shapes.fit import fit_piecewise, gauss_legendre
from gateway.calculation.shapes.heads import Head, level_heads_volume, segment_area, torispherical_profile
from gateway.calculation.shapes.limits import level_outside, require_dimensions
from gateway.errors import SettingsError

__all__ = ["TiltedCylinder"]

_LEAST_SLOPE, _STEEPEST_SLOPE = 1e-5, 1.0
_TOLERANCE = 1e-12
_NO_HEEL = 1e-9
"""As a part of the full shell: what the fit of the heads cannot tell from nothing, less than a drop, is no heel."""


class _Arc(NamedTuple):
    """Part of a head's outline: radius = centre_r + axis_r sqrt(1 - ((x - centre_x)/axis_x)^2), x first to last."""

    centre_x: float
    centre_r: float
    axis_x: float
    axis_r: float
    first: float
    last: float

    def radius(self, x: float) -> float:
        share = (x - self.centre_x) / self.axis_x
        return self.centre_r + self.axis_r * math.sqrt(max(0.0, 1.0 - share * share))

    def crossings(self, height: float, slope: float) -> list[float]:
        """Where the line height + slope x meets the outline or its mirror image below the axis, inside the arc."""
        found = []
        for sign in (1.0, -1.0):
            offset, rise = sign * height - self.centre_r, sign * slope
            # ((x - cx)/ax)^2 + ((offset + rise x)/ar)^2 = 1
            a = 1.0 / self.axis_x**2 + (rise / self.axis_r) ** 2
            b = rise * offset / self.axis_r**2 - self.centre_x / self.axis_x**2
            c = (self.centre_x / self.axis_x) ** 2 + (offset / self.axis_r) ** 2 - 1.0
            inside = b * b - a * c
            if inside > 0.0:
                root = math.sqrt(inside)
                found += [x for x in ((-b - root) / a, (-b + root) / a) if self.first < x < self.last]
        return found


def _outline(head: Head, radius: float, crown_ratio: float, knuckle_ratio: float) -> tuple[_Arc, ...]:
    match head:
        case Head.FLAT:
            return ()
        case Head.HEMISPHERICAL:
            return (_Arc(0.0, 0.0, radius, radius, 0.0, radius),)
        case Head.ELLIPSOIDAL:
            return (_Arc(0.0, 0.0, 0.5 * radius, radius, 0.0, 0.5 * radius),)
        case Head.TORISPHERICAL:
            profile = torispherical_profile(crown_ratio, knuckle_ratio)
            diameter = 2.0 * radius
            knuckle, crown = knuckle_ratio * diameter, crown_ratio * diameter
            joint, centre = profile.joint_x * diameter, profile.crown_centre * diameter
            return (
                _Arc(0.0, radius - knuckle, knuckle, knuckle, 0.0, joint),
                _Arc(centre, 0.0, crown, crown, joint, profile.depth * diameter),
            )


@lru_cache(maxsize=1)
def _turned_rule() -> tuple[tuple[float, float], ...]:
    """Nodes and weights on -1..1 for what has roots at both ends: x = sin(turn) takes them away."""
    half = 0.5 * math.pi
    return tuple((math.sin(half * x), half * weight * math.cos(half * x)) for x, weight in gauss_legendre(40))


def _head_volume(outline: tuple[_Arc, ...], height: float, slope: float) -> float:
    """Volume below the plane `height + slope x` over the axis, x outwards from the tangent line."""
    volume = 0.0
    for arc in outline:
        edges = [arc.first, *sorted(arc.crossings(height, slope)), arc.last]
        for lower, upper in pairwise(edges):
            middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
            parts = []
            for node, weight in _turned_rule():
                x = middle + half * node
                radius = arc.radius(x)
                parts.append(weight * segment_area(radius, radius + height + slope * x))
            volume += half * math.fsum(parts)
    return volume


def _shell_integral(depth: float, radius: float) -> float:
    """Integral of the segment's area over its depth, from empty: R^3 (sin a - a cos a - sin^3 a / 3)."""
    if depth <= 0.0:
        return 0.0
    if depth >= 2.0 * radius:
        return math.pi * radius * radius * (depth - radius)
    return radius**3 * wedge(2.0 * math.asin(math.sqrt(0.5 * depth / radius)))


def _per_depth(slope: float) -> float:
    """Depth across the shell, at right angles to the axis, over level: 1 / cos of the angle."""
    return math.hypot(1.0, slope)


def _end_depths(level_m: float, tangent_length_m: float, slope: float, gauge_m: float) -> tuple[float, float]:
    """Depth of the surface across the shell at the low and at the high tangent line; may be negative."""
    at_gauge = level_m * _per_depth(slope)
    return at_gauge + gauge_m * slope, at_gauge - (tangent_length_m - gauge_m) * slope


# A site file read again, for a check, a trial or a reload, has the vessels that it had.
@lru_cache(maxsize=64)
def _fitted_heads(
    head: Head,
    crown_ratio: float,
    knuckle_ratio: float,
    diameter_m: float,
    tangent_length_m: float,
    slope: float,
    gauge_m: float,
) -> Callable[[float], float]:
    """Volume in both heads against level."""
    if head is Head.FLAT:
        return lambda _level: 0.0
    radius, per_depth = 0.5 * diameter_m, _per_depth(slope)
    outline = _outline(head, radius, crown_ratio, knuckle_ratio)

    def exact(level: float) -> float:
        low, high = _end_depths(level, tangent_length_m, slope, gauge_m)
        return _head_volume(outline, low - radius, slope) + _head_volume(outline, high - radius, -slope)

    # The derivative bends where the surface passes the lowest point of the high end and the highest of the low.
    top = diameter_m / per_depth
    first = (tangent_length_m - gauge_m) * slope / per_depth
    last = top - gauge_m * slope / per_depth
    breaks = sorted({0.0, top, *(edge for edge in (first, last) if 0.0 < edge < top)})
    return fit_piecewise(exact, breaks, _TOLERANCE * math.pi * radius * radius * tangent_length_m)


@dataclass(frozen=True, slots=True)
class TiltedCylinder:
    """A lying cylinder with two equal heads whose axis rises by `slope` (height over length along the horizontal).

    The level is the vertical height of the surface above the inside bottom of the shell at the gauge, which stands
    `gauge_m` along the axis from the tangent line of the low end. Liquid that collects in the low end below level zero
    is the heel. At the top level the shell's cross-section at the gauge is full; a higher end still holds vapour.

    Shell: the segment's area integrated along the axis in closed form (cylindrical ungula). Heads: quadrature of the
    segments of their circles, fitted once within 1e-12 of the whole volume. Raises SettingsError for dimensions that
    cannot be; a slope under 0.00001 is level.
    """

    diameter_m: float
    tangent_length_m: float
    head: Head
    slope: float
    gauge_m: float
    crown_ratio: float = 1.0
    knuckle_ratio: float = 0.06
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False)
    whole_m3: float = field(init=False)
    """All that it holds: more than at the top level, by the wedge of its high end that stands above that."""
    clause: str = field(init=False)
    _heads: Callable[[float], float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        require_dimensions(
            "tilted cylinder", {"diameter in m": self.diameter_m, "tangent length in m": self.tangent_length_m}
        )
        mistakes = []
        if not _LEAST_SLOPE <= self.slope <= _STEEPEST_SLOPE:
            mistakes.append(f"tilted cylinder: slope {self.slope:.7g}; it must be 0.00001 to 1, or the cylinder level")
        if not 0.0 <= self.gauge_m <= self.tangent_length_m:
            mistakes.append(
                f"tilted cylinder: gauge {self.gauge_m:.7g} m from the low tangent line; it must be within the shell, "
                f"0 m to {self.tangent_length_m:.7g} m"
            )
        if mistakes:
            raise SettingsError(tuple(mistakes))
        object.__setattr__(self, "top_m", self.diameter_m / _per_depth(self.slope))
        object.__setattr__(self, "clause", f"lying cylinder rising {self.slope:.5g}, {self.head.value} heads")
        ends = self.head, self.crown_ratio, self.knuckle_ratio
        heads = _fitted_heads(*ends, self.diameter_m, self.tangent_length_m, self.slope, self.gauge_m)
        object.__setattr__(self, "_heads", heads)
        lowest_m3 = self.volume(0.0)
        full_m3 = 0.25 * math.pi * self.diameter_m**2 * self.tangent_length_m
        object.__setattr__(self, "heel_m3", lowest_m3 if lowest_m3 > _NO_HEEL * full_m3 else 0.0)
        object.__setattr__(self, "whole_m3", full_m3 + level_heads_volume(*ends)(1.0) * self.diameter_m**3)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside 0..top."""
        if not 0.0 <= level_m <= self.top_m:
            raise level_outside(level_m, 0.0, self.top_m, self.clause)
        low, high = _end_depths(level_m, self.tangent_length_m, self.slope, self.gauge_m)
        radius = 0.5 * self.diameter_m
        shell = (_shell_integral(low, radius) - _shell_integral(high, radius)) / self.slope
        # Where the heads hold next to nothing the fit may fall below it by its own error.
        return shell + max(0.0, self._heads(level_m))
