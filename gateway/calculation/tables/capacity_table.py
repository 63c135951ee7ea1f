"""Volume against level from a calibrated capacity table: linear between its rows, never beyond its ends.

Interpolation and table attributes after ISO 7507-1 and API MPMS 2.2A: what a table already contains (heel, liquid head,
roof) is stated with it, never assumed.
"""

import datetime
import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from gateway.calculation.shapes.limits import level_outside
from gateway.errors import LimitError, SettingsError

__all__ = ["SAME", "CapacityTable", "row_mistakes"]

SAME = 1e-9
"""As a part of a volume: what a change of units leaves behind is no difference."""


def row_mistakes(
    levels_m: Sequence[float], volumes_m3: Sequence[float], place: Callable[[int], str]
) -> list[tuple[int, str]]:
    """Everything wrong with the rows of a table, as (index of the row, what is wrong and what would be right).

    Levels must be finite and rise strictly; volumes must be finite, not negative and never fall. `place` names the
    row that another row is compared with: `line 12`, `row 3`.
    """
    found: list[tuple[int, str]] = []
    for index, (level, volume) in enumerate(zip(levels_m, volumes_m3, strict=True)):
        if not math.isfinite(level):
            found.append((index, f"level {level} is not finite; write a number"))
        if not math.isfinite(volume):
            found.append((index, f"volume {volume} is not finite; write a number"))
        elif volume < 0.0:
            found.append((index, f"volume {volume:.7g} m3 is negative; a table holds no negative volumes"))
        if index == 0:
            continue
        before_level, before_volume, before = levels_m[index - 1], volumes_m3[index - 1], place(index - 1)
        if level == before_level:
            found.append((index, f"level {level:.7g} m is given twice, as in {before}; keep one of the two rows"))
        elif level < before_level:
            text = f"level {level:.7g} m does not rise above {before_level:.7g} m in {before}; levels must rise"
            found.append((index, text))
        if volume < before_volume:
            text = f"volume {volume:.7g} m3 falls below {before_volume:.7g} m3 in {before}; volumes must not fall"
            found.append((index, text))
    return found


@dataclass(frozen=True, slots=True)
class CapacityTable:
    """A capacity table. `levels_m` above the datum rise strictly; `volumes_m3`, heel included, never fall.

    Raises SettingsError listing every row that cannot be.
    """

    name: str
    levels_m: tuple[float, ...]
    volumes_m3: tuple[float, ...]
    heel_m3: float = 0.0
    """Volume below the datum, included in every volume."""
    datum: str = ""
    """What level zero is, in words: `datum plate`, `tank floor`."""
    date: datetime.date | None = None
    """Of the calibration."""
    temperature_c: float | None = None
    """Of the shell for which the volumes hold, degC; None: not stated."""
    head_included: bool | None = None
    """Whether the volumes contain the shell's stretch under the liquid's head; None: not stated."""
    head_density_kg_m3: float | None = None
    """The density of that liquid."""
    roof_included: bool | None = None
    """Whether the volumes already deduct a floating roof; None: not stated."""
    roof_density_kg_m3: float | None = None
    """The density at which they do."""
    notes: str = ""
    shift_m: float = 0.0
    """How much the levels have been raised, so that they count from the zero of the gauge and not from the datum."""
    reference_height_m: float | None = None
    """Of the point that ullage is measured from, above the same zero as the levels; None: not stated."""
    bottom_m: float = field(init=False)
    top_m: float = field(init=False)
    clause: str = field(init=False)
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)
    """Surface area in m2 between each row and the next."""

    def __post_init__(self) -> None:
        mistakes = self._mistakes()
        if mistakes:
            raise SettingsError(tuple(f"capacity table {self.name}: {text}" for text in mistakes))
        levels, volumes = self.levels_m, self.volumes_m3
        slopes = tuple((volumes[i + 1] - volumes[i]) / (levels[i + 1] - levels[i]) for i in range(len(levels) - 1))
        object.__setattr__(self, "bottom_m", levels[0])
        object.__setattr__(self, "top_m", levels[-1])
        dated = "" if self.date is None else f" of {self.date.isoformat()}"
        moved = ""
        if self.shift_m:
            moved = (
                f", its zero {abs(self.shift_m):.3f} m {'above' if self.shift_m > 0.0 else 'below'} that of the gauge"
            )
        object.__setattr__(self, "clause", f"capacity table {self.name}{dated}{moved}, linear interpolation")
        object.__setattr__(self, "_slopes", slopes)

    def _mistakes(self) -> list[str]:
        levels, volumes = self.levels_m, self.volumes_m3
        if len(levels) != len(volumes):
            return [f"{len(levels)} levels and {len(volumes)} volumes; each level needs one volume"]
        if len(levels) < 2:
            return [f"{len(levels)} rows; at least two are needed"]
        found = row_mistakes(levels, volumes, lambda index: f"row {index + 1}")
        mistakes = [f"row {index + 1}: {text}" for index, text in found]
        if not 0.0 <= self.heel_m3 < math.inf:
            mistakes.append(f"heel {self.heel_m3:.7g} m3; it must be zero or more")
        elif not mistakes and levels[0] >= 0.0 and volumes[0] < self.heel_m3 * (1.0 - SAME):
            mistakes.append(
                f"row 1: volume {volumes[0]:.7g} m3 is less than the heel, {self.heel_m3:.7g} m3; it must include it"
            )
        for what, included, density in (
            ("liquid head", self.head_included, self.head_density_kg_m3),
            ("roof", self.roof_included, self.roof_density_kg_m3),
        ):
            if included and density is None:
                mistakes.append(f"{what} included, but at which density is not given; give it in kg/m3")
            if density is not None and not (included and 0.0 < density < math.inf):
                mistakes.append(f"{what} density {density:.7g} kg/m3; it must be above zero, for a {what} included")
        return mistakes

    @property
    def is_shifted(self) -> bool:
        return self.shift_m != 0.0

    @property
    def zero(self) -> str:
        """What its levels count from, in words; empty where that is not told."""
        return f"zero of the gauge, moved from {self.datum}" if self.is_shifted else self.datum

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Raises LimitError outside the table: never extrapolated."""
        levels = self.levels_m
        if not self.bottom_m <= level_m <= self.top_m:
            raise level_outside(level_m, self.bottom_m, self.top_m, self.clause)
        index = bisect_right(levels, level_m, 1, len(levels) - 1) - 1
        volume = self.volumes_m3[index] + (level_m - levels[index]) * self._slopes[index]
        # Rounding must not lift a volume above that of the row that ends the interval. The last row begins none.
        upper = self.volumes_m3[index + 1]
        return volume if volume < upper and level_m < levels[-1] else upper

    def level(self, volume_m3: float) -> float:
        """The lowest level in m at which the table holds `volume_m3`. Raises LimitError outside the table."""
        levels, volumes = self.levels_m, self.volumes_m3
        if not volumes[0] <= volume_m3 <= volumes[-1]:
            if volume_m3 < volumes[0]:
                limit = f"below the smallest volume, {volumes[0]:.7g} m3"
            elif volume_m3 > volumes[-1]:
                limit = f"above the largest volume, {volumes[-1]:.7g} m3"
            else:
                limit = "not a number"
            raise LimitError("volume", volume_m3, "m3", limit, self.clause)
        index = bisect_left(volumes, volume_m3)
        if volumes[index] == volume_m3:
            return levels[index]
        share = (volume_m3 - volumes[index - 1]) / (volumes[index] - volumes[index - 1])
        return levels[index - 1] + share * (levels[index] - levels[index - 1])
