"""A shape whose levels do not count from its lowest inside point, and room that belongs to no shape: sumps, wells."""

import math
from dataclasses import dataclass, field

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes.limits import level_outside
from gateway.errors import SettingsError

__all__ = ["WithDatum"]


@dataclass(frozen=True, slots=True)
class WithDatum:
    """`shape` with its level zero moved up to a datum, V(level) = heel + V of the shape at (level + datum).

    `datum_m` is the height of the datum above the shape's own level zero; what the shape holds below it becomes heel.
    `sump_m3` lies below the datum beside the shape and is in every volume. Raises SettingsError where the datum is not
    within the shape or the sump is less than nothing.
    """

    shape: Capacity
    datum_m: float = 0.0
    sump_m3: float = 0.0
    bottom_m: float = field(init=False, default=0.0)
    top_m: float = field(init=False)
    heel_m3: float = field(init=False)
    clause: str = field(init=False)

    def __post_init__(self) -> None:
        shape = self.shape
        mistakes = []
        if not shape.bottom_m <= self.datum_m < shape.top_m:
            mistakes.append(
                f"{shape.clause}: datum {self.datum_m:.7g} m above the lowest point; it must be within the shape, "
                f"{shape.bottom_m:.7g} m to less than {shape.top_m:.7g} m"
            )
        if not 0.0 <= self.sump_m3 < math.inf:
            mistakes.append(f"{shape.clause}: heel {self.sump_m3:.7g} m3; it must be zero or more")
        if mistakes:
            raise SettingsError(tuple(mistakes))
        raised = f", datum {self.datum_m:.7g} m above its lowest point" if self.datum_m else ""
        object.__setattr__(self, "top_m", shape.top_m - self.datum_m)
        object.__setattr__(self, "clause", f"{shape.clause}{raised}")
        object.__setattr__(self, "heel_m3", self.sump_m3 + shape.volume(self.datum_m))

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m` above the datum. Raises LimitError outside 0..top."""
        if not 0.0 <= level_m <= self.top_m:
            raise level_outside(level_m, 0.0, self.top_m, self.clause)
        # The sum may pass the top by rounding alone.
        return self.sump_m3 + self.shape.volume(min(level_m + self.datum_m, self.shape.top_m))
