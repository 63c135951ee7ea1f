"""Making a capacity table from a shape, with rows as fine as each zone needs, and showing its rows in other units."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import SettingsError
from gateway.units.quantity import Dimension, to_unit

__all__ = ["FineZone", "rows_in_units", "table_from_shape"]

_MOST_ROWS = 100_000
_SAME_LEVEL_M = 1e-9
_SAME_VOLUME = 1e-10
"""As a part of the full shape: far above the error of a fitted shape, far below anything that a table prints."""


@dataclass(frozen=True, slots=True)
class FineZone:
    """Levels between which rows stand closer: a bottom zone, the critical zone of a floating roof, a limit."""

    from_m: float
    to_m: float
    step_m: float

    def __post_init__(self) -> None:
        if not (self.from_m < self.to_m and 0.0 < self.step_m < math.inf):
            text = f"fine zone from {self.from_m:.7g} m to {self.to_m:.7g} m by {self.step_m:.7g} m"
            raise SettingsError((f"{text}; the second level must be the higher and the step above zero",))


def table_from_shape(
    shape: Capacity, name: str, step_m: float, fine: Sequence[FineZone] = (), datum: str = "zero of the shape"
) -> CapacityTable:
    """A table with a row every `step_m` (multiples of it), every `step_m` of each fine zone, and at every end.

    It states that neither liquid head nor a floating roof is included. Raises SettingsError for a step of zero or
    less and for more than 100,000 rows.
    """
    zones = [FineZone(shape.bottom_m, shape.top_m, step_m), *fine]
    rows = sum((min(zone.to_m, shape.top_m) - zone.from_m) / zone.step_m for zone in zones)
    if rows > _MOST_ROWS:
        raise SettingsError(
            (f"capacity table {name}: about {rows:.0f} rows; at most {_MOST_ROWS}, choose longer steps",)
        )
    wanted = {shape.bottom_m, shape.top_m}
    for zone in zones:
        wanted |= {zone.from_m, zone.to_m}
        first, last = math.ceil(zone.from_m / zone.step_m - 1e-9), math.floor(zone.to_m / zone.step_m + 1e-9)
        # Rounded to a picometre, so that 3 steps of 0.1 m and 6 of 0.05 m are one row.
        wanted |= {round(number * zone.step_m, 12) for number in range(first, last + 1)}
    levels = _apart(sorted(level for level in wanted if shape.bottom_m <= level <= shape.top_m))
    volumes = [shape.volume(level) for level in levels]
    allowed = _SAME_VOLUME * volumes[-1]
    for index in range(1, len(volumes)):
        # A shape that is fitted may fall by its own error where it holds next to nothing, and a table never falls.
        if volumes[index - 1] - allowed < volumes[index] < volumes[index - 1]:
            volumes[index] = volumes[index - 1]
    return CapacityTable(
        name=name,
        levels_m=levels,
        volumes_m3=tuple(volumes),
        heel_m3=shape.heel_m3,
        datum=datum,
        head_included=False,
        roof_included=False,
        notes=f"calculated from dimensions: {shape.clause}",
    )


def _apart(levels: Sequence[float]) -> tuple[float, ...]:
    """Rising levels without those that only rounding parts from the one before, or from the last, which both stay."""
    kept = [levels[0]]
    for level in levels[1:-1]:
        if level - kept[-1] > _SAME_LEVEL_M and levels[-1] - level > _SAME_LEVEL_M:
            kept.append(level)
    return (*kept, levels[-1])


def rows_in_units(table: CapacityTable, level_unit: str, volume_unit: str) -> tuple[tuple[float, float], ...]:
    """The rows as (level, volume) in units of length and volume. Raises QuantityError for an unknown unit."""
    return tuple(
        (to_unit(level, level_unit, Dimension.LENGTH), to_unit(volume, volume_unit, Dimension.VOLUME))
        for level, volume in zip(table.levels_m, table.volumes_m3, strict=True)
    )
