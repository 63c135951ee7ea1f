"""Upright vessels with any bottom and top: sloped, coned or dished floors, shells standing between heads."""

import math
from dataclasses import dataclass, field

from gateway.calculation.shapes.ends import End, EndKind, PreparedEnd, prepare_end
from gateway.calculation.shapes.limits import level_outside, require_dimensions
from gateway.errors import SettingsError

__all__ = ["UprightVessel"]

_FLAT = End()
_TOPS = frozenset(EndKind) - {EndKind.SLOPED, EndKind.CONE_UP}


@dataclass(frozen=True, slots=True)
class UprightVessel:
    """An upright shell between two ends: V = bottom + pi D^2/4 (height in the shell) + top, each up to the level.

    `shell_height_m` is that of the shell: from the tangent line for a bottom that bulges outwards, from the lowest
    point of the floor for one inside the shell. The datum lies `datum_m` above the lowest inside point; what is below
    it is the heel, worked out here. Raises SettingsError for dimensions that cannot be.
    """

    diameter_m: float
    shell_height_m: float
    bottom: End = _FLAT
    top: End = _FLAT
    datum_m: float = 0.0
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False)
    clause: str = field(init=False)
    _area_m2: float = field(init=False, repr=False)
    _lower: PreparedEnd = field(init=False, repr=False, compare=False)
    _upper: PreparedEnd = field(init=False, repr=False, compare=False)
    _upper_from_m: float = field(init=False, repr=False)
    _height_m: float = field(init=False, repr=False)
    _full_m3: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        diameter = self.diameter_m
        require_dimensions("upright vessel", {"diameter in m": diameter}, {"shell height in m": self.shell_height_m})
        lower = prepare_end(self.bottom, diameter, "upright vessel, bottom")
        upper = prepare_end(self.top, diameter, "upright vessel, top")
        area = math.pi * diameter * diameter / 4.0
        straight = self.shell_height_m - (lower.depth_m if lower.inside_shell else 0.0)
        upper_from = lower.depth_m + straight
        height = upper_from + upper.depth_m
        mistakes = []
        if self.top.kind not in _TOPS:
            mistakes.append(f"upright vessel: the {self.top.kind.value} end is a bottom; choose another top")
        if straight < 0.0:
            mistakes.append(
                f"upright vessel: the floor rises {lower.depth_m:.7g} m in a shell of {self.shell_height_m:.7g} m; "
                "it must end below the shell's top"
            )
        if not 0.0 <= self.datum_m < height:
            mistakes.append(
                f"upright vessel: datum {self.datum_m:.7g} m above the lowest point; it must be within the vessel, "
                f"0 m to {height:.7g} m"
            )
        if mistakes:
            raise SettingsError(tuple(mistakes))
        ends = f"{self.bottom.kind.value} bottom, {self.top.kind.value} top"
        object.__setattr__(self, "top_m", height - self.datum_m)
        object.__setattr__(self, "clause", f"upright vessel, {ends}")
        object.__setattr__(self, "_area_m2", area)
        object.__setattr__(self, "_lower", lower)
        object.__setattr__(self, "_upper", upper)
        object.__setattr__(self, "_upper_from_m", upper_from)
        object.__setattr__(self, "_height_m", height)
        object.__setattr__(self, "_full_m3", lower.full_m3 + area * straight + upper.full_m3)
        object.__setattr__(self, "heel_m3", self.volume(0.0) if self.datum_m > 0.0 else 0.0)

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError below the datum and above the top."""
        if not 0.0 <= level_m <= self.top_m:
            raise level_outside(level_m, 0.0, self.top_m, self.clause)
        height = level_m + self.datum_m
        lower = self._lower
        if height < lower.depth_m:
            return lower.volume(height)
        if height <= self._upper_from_m:
            return lower.full_m3 + self._area_m2 * (height - lower.depth_m)
        return self._full_m3 - self._upper.volume(max(0.0, self._height_m - height))
