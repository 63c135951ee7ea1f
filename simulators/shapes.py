"""The shapes of tanks: volume below a level, and the level of a volume. Metres and cubic metres.

Written for the simulator alone, so that nothing measured with it can share a mistake with it.
"""

import math
from collections.abc import Callable
from typing import Protocol

__all__ = ["LyingCylinder", "Shape", "UprightCylinder", "solve_increasing"]


class Shape(Protocol):
    """Any vessel whose volume grows with the level."""

    @property
    def height_m(self) -> float:
        """Level at which it is full."""
        ...

    def volume(self, level_m: float) -> float:
        """Volume below a level of 0 to `height_m`; outside, the volume of the nearer end."""
        ...


def solve_increasing(function: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Where an increasing function reaches `target`, by bisection down to the resolution of a float.

    Below function(low) the answer is `low`, above function(high) it is `high`.
    """
    if function(low) >= target:
        return low
    if function(high) <= target:
        return high
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if function(middle) < target:
            low = middle
        else:
            high = middle


class UprightCylinder:
    """Upright cylinder with a flat bottom: V = pi D^2/4 h, plus what lies below the datum (`heel_m3`)."""

    __slots__ = ("area_m2", "heel_m3", "height_m")

    def __init__(self, diameter_m: float, height_m: float, heel_m3: float = 0.0) -> None:
        self.height_m = height_m
        self.heel_m3 = heel_m3
        self.area_m2 = math.pi * diameter_m**2 / 4

    def volume(self, level_m: float) -> float:
        """Volume below `level_m`, m3."""
        return self.heel_m3 + self.area_m2 * min(max(level_m, 0.0), self.height_m)


class LyingCylinder:
    """Lying cylinder with two equal heads, each half an ellipsoid of depth `head_depth_m` (0: flat; D/4: "2:1").

    Cylinder: length times the circular segment r^2 acos((r-h)/r) - (r-h) sqrt(2rh - h^2).
    Both heads together: an ellipsoid of semi-axes r, r, a filled to h: pi a h^2 (3r - h) / (3r), the spherical cap
    pi h^2 (3r - h)/3 drawn out by a/r.
    """

    __slots__ = ("head_depth_m", "heel_m3", "height_m", "length_m", "radius_m")

    def __init__(self, diameter_m: float, length_m: float, head_depth_m: float = 0.0, heel_m3: float = 0.0) -> None:
        self.height_m = diameter_m
        self.radius_m = diameter_m / 2
        self.length_m = length_m
        self.head_depth_m = head_depth_m
        self.heel_m3 = heel_m3

    def volume(self, level_m: float) -> float:
        """Volume below `level_m`, m3."""
        r = self.radius_m
        h = min(max(level_m, 0.0), 2 * r)
        away = r - h
        half_chord = math.sqrt(h * (2 * r - h))
        # The angle whose cosine is away / r; but close to 0 and to a half turn a cosine hardly tells two angles apart.
        segment = r * r * math.atan2(half_chord, away) - away * half_chord
        heads = math.pi * self.head_depth_m * h * h * (3 * r - h) / (3 * r)
        return self.heel_m3 + self.length_m * segment + heads
