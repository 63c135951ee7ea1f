"""Upright cylinders with a flat bottom and level lying cylinders with heads: the two commonest shapes."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from gateway.calculation.shapes.heads import Head, level_heads_volume
from gateway.calculation.shapes.limits import level_outside, require_dimensions

__all__ = ["LyingCylinder", "UprightCylinder"]


@dataclass(frozen=True, slots=True)
class UprightCylinder:
    """An upright cylinder with a flat bottom at the datum: V = heel + pi D^2/4 h.

    `diameter_m` inside; `height_m` of the shell, the highest level with a volume; `heel_m3` below the datum.
    Raises SettingsError for dimensions that cannot be.
    """

    diameter_m: float
    height_m: float
    heel_m3: float = 0.0
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    clause: str = field(init=False, default="upright cylinder, pi D^2/4 h")
    _area_m2: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        require_dimensions(
            "upright cylinder",
            {"diameter in m": self.diameter_m, "height in m": self.height_m},
            {"heel in m3": self.heel_m3},
        )
        object.__setattr__(self, "top_m", self.height_m)
        object.__setattr__(self, "_area_m2", math.pi * self.diameter_m * self.diameter_m / 4.0)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside 0..height."""
        if not 0.0 <= level_m <= self.height_m:
            raise level_outside(level_m, 0.0, self.height_m, self.clause)
        return self.heel_m3 + self._area_m2 * level_m


@dataclass(frozen=True, slots=True)
class LyingCylinder:
    """A level lying cylinder with two equal heads, filled from its lowest line.

    Shell: a circle's segment times the tangent length, R^2/2 (t - sin t) L with t = 2 acos(1 - h/R). Heads: see
    `level_heads_volume`. `diameter_m` inside; `tangent_length_m` between the tangent lines, heads left out.
    `crown_ratio` and `knuckle_ratio` (radii over the diameter) count for torispherical heads only.
    Raises SettingsError for dimensions that cannot be.
    """

    diameter_m: float
    tangent_length_m: float
    head: Head
    crown_ratio: float = 1.0
    knuckle_ratio: float = 0.06
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False, default=0.0)
    clause: str = field(init=False)
    _diameter_cubed: float = field(init=False, repr=False)
    _shell: float = field(init=False, repr=False)
    """R^2 L / 2."""
    _heads: Callable[[float], float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        diameter = self.diameter_m
        require_dimensions(
            "lying cylinder", {"diameter in m": diameter}, {"tangent length in m": self.tangent_length_m}
        )
        if self.head is Head.FLAT:
            require_dimensions("lying cylinder", {"tangent length in m": self.tangent_length_m})
        object.__setattr__(self, "top_m", diameter)
        object.__setattr__(self, "clause", f"lying cylinder, {self.head.value} heads")
        object.__setattr__(self, "_diameter_cubed", diameter**3)
        object.__setattr__(self, "_shell", diameter * diameter * self.tangent_length_m / 8.0)
        object.__setattr__(self, "_heads", level_heads_volume(self.head, self.crown_ratio, self.knuckle_ratio))

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside 0..diameter."""
        diameter = self.diameter_m
        if not 0.0 <= level_m <= diameter:
            raise level_outside(level_m, 0.0, diameter, self.clause)
        share = level_m / diameter
        angle = 4.0 * math.asin(math.sqrt(share))
        return self._shell * (angle - math.sin(angle)) + self._diameter_cubed * self._heads(share)
