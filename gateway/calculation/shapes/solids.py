"""Spheres and rectangular tanks."""

import math
from dataclasses import dataclass, field

from gateway.calculation.shapes.limits import level_outside, require_dimensions

__all__ = ["RectangularTank", "Sphere"]


@dataclass(frozen=True, slots=True)
class Sphere:
    """A sphere of inside diameter `diameter_m`, filled from its lowest point: V = pi h^2 (3 D/2 - h) / 3.

    Raises SettingsError for a diameter that cannot be.
    """

    diameter_m: float
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False, default=0.0)
    clause: str = field(init=False, default="sphere, pi h^2 (3 D/2 - h)/3")

    def __post_init__(self) -> None:
        require_dimensions("sphere", {"diameter in m": self.diameter_m})
        object.__setattr__(self, "top_m", self.diameter_m)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside 0..diameter."""
        diameter = self.diameter_m
        if not 0.0 <= level_m <= diameter:
            raise level_outside(level_m, 0.0, diameter, self.clause)
        return math.pi * level_m * level_m * (1.5 * diameter - level_m) / 3.0


@dataclass(frozen=True, slots=True)
class RectangularTank:
    """A tank with upright walls and a level rectangular floor at the datum: V = heel + length x width x h.

    Raises SettingsError for dimensions that cannot be.
    """

    length_m: float
    width_m: float
    height_m: float
    heel_m3: float = 0.0
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    clause: str = field(init=False, default="rectangular tank, length x width x h")
    _area_m2: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        require_dimensions(
            "rectangular tank",
            {"length in m": self.length_m, "width in m": self.width_m, "height in m": self.height_m},
            {"heel in m3": self.heel_m3},
        )
        object.__setattr__(self, "top_m", self.height_m)
        object.__setattr__(self, "_area_m2", self.length_m * self.width_m)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside 0..height."""
        if not 0.0 <= level_m <= self.height_m:
            raise level_outside(level_m, 0.0, self.height_m, self.clause)
        return self.heel_m3 + self._area_m2 * level_m
