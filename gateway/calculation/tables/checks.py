"""Questions asked of a capacity table before it is trusted: its size, dimensions, limits, and what it would change.

Rows that cannot be (levels that do not rise, volumes that fall) are refused when a table is made; see
`capacity_table.row_mistakes`. Slips of the pen are looked for in `table_slips`. What is found here is for a person to
judge: calibration belongs to competent people.
"""

import math
from collections.abc import Iterator, Sequence
from enum import StrEnum
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TOUCH_M, LimitPlan
from gateway.calculation.tables.capacity_table import SAME, CapacityTable
from gateway.calculation.tables.rows import printed_steps

__all__ = [
    "Apart",
    "CoarseRow",
    "Difference",
    "EndFinding",
    "Form",
    "ImportPreview",
    "ShapeComparison",
    "against_shape",
    "coarse_rows",
    "ends_against_limits",
    "is_same_height",
    "preview_import",
    "size_in_doubt",
    "usual_surface_m2",
]


_UNEVEN_M, _UNEVEN_PART = 0.005, 0.002
"""Of level, and of the height: what a floor that is not even makes of the volumes (common practice)."""


_UNLIKE = 0.003
"""Of a volume: what courses of unlike radii make of it."""
_LANDED_M = 0.7
"""Below this no roof floats: it stands on legs that a man can pass (common practice)."""


_SAME_HEIGHT_M = 0.003
_COARSEST = 0.02
"""Of the whole: volumes that are multiples of more were chosen even, as in a table by volume, and are not rounded
(common practice)."""


class Form(StrEnum):
    """What a tank is, as far as its size is judged by it."""

    UPRIGHT = "upright"
    """Or unknown: the bounds are those of any tank."""
    LYING = "lying"
    SPHERE = "sphere"


_DIAMETER_M = (0.3, 120.0)
"""Of a circle of the mean surface: common practice, drawn wide."""
_SLENDER, _FLAT = 10.0, 20.0
"""Height over diameter, and diameter over height, that no tank passes."""
_LYING_M = (0.3, 100.0)
"""Length of a lying vessel: least over its diameter, and largest."""
_SPHERE_M = (0.98, 40.0)
"""Diameter of a sphere: least over its height, and largest."""


class Difference(NamedTuple):
    """Two volumes at one level."""

    level_m: float
    volume_m3: float
    other_m3: float

    @property
    def difference_m3(self) -> float:
        return self.volume_m3 - self.other_m3


class Apart(NamedTuple):
    """Rows one after another that differ from the dimensions by more than allowed."""

    rows: int
    from_m: float
    to_m: float
    worst: Difference
    """The largest difference as a part of what was allowed; `other_m3` is the shape's volume."""

    @property
    def text(self) -> str:
        if self.rows == 1:
            where = f"{self.from_m:.4f} m"
        else:
            where = f"{self.rows:,} rows from {self.from_m:.4f} m to {self.to_m:.4f} m, at {self.worst.level_m:.4f} m"
        off = self.worst.difference_m3
        part = f" ({100.0 * off / self.worst.other_m3:+.2g} %)" if self.worst.other_m3 > 0.0 else ""
        return (
            f"{where}: {self.worst.volume_m3:.6g} m3, {off:+.4g} m3{part} from the dimensions "
            f"({self.worst.other_m3:.6g} m3), more than 0.5 %"
        )


class ShapeComparison(NamedTuple):
    """A table against the tank's dimensions."""

    beyond: tuple[Apart, ...]
    """Rows that differ by more than allowed, in order of level."""
    worst: Difference | None
    """The largest difference as a part of what was allowed; None where no row lies within the shape."""
    compared: int
    outside: int
    """Rows that lie above or below the shape."""


class EndFinding(NamedTuple):
    """An end of the table that does not suit the tank. `refuse`: levels in service would have no volume."""

    refuse: bool
    text: str


class CoarseRow(NamedTuple):
    """Two rows further apart than a zone allows."""

    from_m: float
    to_m: float


class ImportPreview(NamedTuple):
    """What would change if `new` took the place of `old`."""

    largest: tuple[Difference, ...]
    """The largest differences, largest first; `volume_m3` is the new, `other_m3` the old table's."""
    by_level: tuple[Difference, ...]
    """At even levels over what both tables cover, lowest first."""
    changed: tuple[str, ...]
    """Attributes and ends that differ, in words."""


def size_in_doubt(table: CapacityTable, form: Form = Form.UPRIGHT) -> str | None:
    """What is absurd in the tank that the mean surface over the height gives, in words; None where nothing is.

    Volumes of wrong units, or with marks of thousands taken for decimal marks, give such tanks.
    """
    height, volume = table.top_m - table.bottom_m, table.volumes_m3[-1] - table.volumes_m3[0]
    diameter = math.sqrt(4.0 * volume / (math.pi * height))
    found = None
    if not _DIAMETER_M[0] <= diameter <= _DIAMETER_M[1]:
        found = f"a mean diameter of {diameter:.3g} m, where tanks have {_DIAMETER_M[0]:g} m to {_DIAMETER_M[1]:g} m"
    elif not height / _SLENDER <= diameter <= height * _FLAT:
        found = f"a tank of {diameter:.3g} m across and {height:.3g} m high"
    elif form is Form.LYING:
        length = diameter**2 / height
        if not _LYING_M[0] * height <= length <= _LYING_M[1]:
            found = f"a vessel of {height:.3g} m across and {length:.3g} m long"
    elif form is Form.SPHERE:
        # V = pi h^2 (3 D/2 - h)/3, for D.
        across = 2.0 / 3.0 * (3.0 * volume / (math.pi * height**2) + height)
        if not _SPHERE_M[0] * height <= across <= _SPHERE_M[1]:
            found = f"a sphere of {across:.3g} m across, at {height:.3g} m of level"
    return None if found is None else f"its volumes give {found}; see to its units and marks of thousands"


def usual_surface_m2(table: CapacityTable) -> float:
    """Median of the surfaces of fifty layers of the same height."""
    bottom, layer = table.bottom_m, (table.top_m - table.bottom_m) / _LAYERS
    volumes = [table.volume(min(table.top_m, bottom + layer * number)) for number in range(_LAYERS + 1)]
    return median(high - low for low, high in pairwise(volumes)) / layer


_LAYERS = 50


def against_shape(table: CapacityTable, shape: Capacity, share: float = 0.005) -> ShapeComparison:
    """Every row against the volume of the tank's dimensions: more than `share` of it apart is beyond.

    Near the bottom the allowance is what 5 mm of level hold (less in a low vessel), since no floor is quite even, and
    nowhere is it less than the step to which volumes are printed, up to a fiftieth of the whole. A table that deducts a
    floating roof may lie below the dimensions by up to the roof's displacement, the same in its upper half.
    """
    uneven_m = min(_UNEVEN_M, _UNEVEN_PART * (shape.top_m - shape.bottom_m))
    printed = min(*printed_steps(table.volumes_m3), _COARSEST * (table.volumes_m3[-1] - table.volumes_m3[0]))
    rows = [
        Difference(level, volume, shape.volume(level))
        for level, volume in zip(table.levels_m, table.volumes_m3, strict=True)
        if shape.bottom_m <= level <= shape.top_m
    ]
    roof_m3, unsure_m3 = _displaced(rows) if table.roof_included else (0.0, 0.0)
    beyond: list[tuple[float, Apart]] = []
    worst: Difference | None = None
    worst_part, before_beyond = -1.0, False
    for found in rows:
        level = found.level_m
        below, above = max(shape.bottom_m, level - uneven_m), min(shape.top_m, level + uneven_m)
        uneven_m3 = max(found.other_m3 - shape.volume(below), shape.volume(above) - found.other_m3)
        allowed = max(share * found.other_m3, uneven_m3, printed)
        off = found.difference_m3
        if roof_m3 and off < 0.0 and level - shape.bottom_m > _LANDED_M:
            off = min(0.0, off + roof_m3 + unsure_m3)
        part = abs(off) / allowed
        if part > 1.0:
            if before_beyond:
                most, apart = beyond.pop()
                apart = apart._replace(rows=apart.rows + 1, to_m=level)
                # Of parts that only rounding tells apart the higher row's is more volume.
                worse = part > most * (1.0 - SAME)
                beyond.append((part, apart._replace(worst=found)) if worse else (most, apart))
            else:
                beyond.append((part, Apart(1, level, level, found)))
        before_beyond = part > 1.0
        if part > worst_part * (1.0 - SAME):
            worst, worst_part = found, part
    runs = tuple(apart for _, apart in beyond)
    return ShapeComparison(runs, worst, len(rows), len(table.levels_m) - len(rows))


def _displaced(rows: Sequence[Difference]) -> tuple[float, float]:
    """Volume by which the upper half lies below the dimensions at any scale, which is what a floating roof displaces,
    and how far courses of unlike radii may have moved that."""
    upper = rows[len(rows) // 2 :]
    if len(upper) < 4:
        return 0.0, 0.0
    quarter = len(upper) // 2
    scale = median(
        (high.volume_m3 - low.volume_m3) / (high.other_m3 - low.other_m3)
        for low, high in zip(upper, upper[quarter:], strict=False)
    )
    displaced = max(0.0, -median(each.volume_m3 - scale * each.other_m3 for each in upper))
    return displaced, _UNLIKE * median(each.other_m3 for each in upper)


def ends_against_limits(table: CapacityTable, limits: LimitPlan, reference_height_m: float) -> tuple[EndFinding, ...]:
    """Whether the table covers every level the tank may stand at, and no more than there is.

    A table that ends below the critical high level, or another limit, is to be refused: no volume would be known just
    when it matters. So is one that reaches above the reference height, or says another: it is not this tank's, or one
    of the two counts from elsewhere. A table that starts above its datum is odd.
    """
    found = []
    for words, limit in _named_limits(limits):
        if limit > table.top_m:
            text = f"the table ends at {table.top_m:.3f} m, below the {words} level, {limit:.3f} m"
            found.append(EndFinding(True, text))
        if limit < table.bottom_m:
            text = f"the table starts at {table.bottom_m:.3f} m, above the {words} level, {limit:.3f} m"
            found.append(EndFinding(True, text))
    if table.bottom_m > 0.0 and not any(limit < table.bottom_m for _, limit in _named_limits(limits)):
        text = f"the table starts at {table.bottom_m:.3f} m: below, down to its datum, there is no volume"
        found.append(EndFinding(False, text))
    if table.top_m > reference_height_m + TOUCH_M:
        text = f"the table ends at {table.top_m:.3f} m, above the reference height, {reference_height_m:.3f} m"
        found.append(EndFinding(True, f"{text}; do they have the same datum?"))
    own_m = table.reference_height_m
    if own_m is not None and not is_same_height(own_m, reference_height_m):
        text = f"the reference height of the table is {own_m:.3f} m, that of the site file {reference_height_m:.3f} m"
        found.append(EndFinding(True, text))
    return tuple(found)


def is_same_height(one_m: float, other_m: float) -> bool:
    """Whether two reference heights are those of one point: beyond 3 mm it is another, or another tank (common
    practice)."""
    return abs(one_m - other_m) <= _SAME_HEIGHT_M + TOUCH_M


def _named_limits(limits: LimitPlan) -> Iterator[tuple[str, float]]:
    for words, limit in (
        ("minimum", limits.minimum_m),
        ("maximum working", limits.maximum_working_m),
        ("high-high", limits.high_high_m),
        ("critical high", limits.critical_high_m),
    ):
        if limit is not None:
            yield words, limit


def coarse_rows(table: CapacityTable, from_m: float, to_m: float, longest_step_m: float) -> tuple[CoarseRow, ...]:
    """Pairs of rows in `from_m`..`to_m` (a bottom zone, a critical zone) further apart than `longest_step_m`."""
    return tuple(
        CoarseRow(low, high)
        for low, high in pairwise(table.levels_m)
        if high > from_m and low < to_m and high - low > longest_step_m * (1.0 + 1e-9)
    )


def preview_import(old: Capacity, new: CapacityTable, count: int = 10, steps: int = 20) -> ImportPreview:
    """Volumes of `new` against `old` (a table or the shape in use) at the rows of both, over what both cover.

    `count` largest differences are given, and `steps` + 1 even levels. No level in common: both are empty. What a
    change of units alone leaves behind (1e-9 of a volume, a nanometre) is no difference.
    """
    bottom, top = max(old.bottom_m, new.bottom_m), min(old.top_m, new.top_m)
    levels: list[float] = []
    even: list[float] = []
    if bottom < top:
        rows = (*new.levels_m, *(old.levels_m if isinstance(old, CapacityTable) else ()), bottom, top)
        ordered = sorted(level for level in rows if bottom <= level <= top)
        levels = [bottom, *(level for before, level in pairwise(ordered) if level - before > SAME)]
        even = [min(top, bottom + (top - bottom) * step / steps) for step in range(steps + 1)]
    differences = [Difference(level, new.volume(level), old.volume(level)) for level in levels]
    largest = sorted(differences, key=lambda each: -abs(each.difference_m3))[:count]
    by_level = tuple(Difference(level, new.volume(level), old.volume(level)) for level in even)
    real = tuple(each for each in largest if abs(each.difference_m3) > SAME * max(1.0, each.other_m3))
    return ImportPreview(real, by_level, _changed(old, new))


_ATTRIBUTES = (
    ("datum", "datum", ""),
    ("date", "date", ""),
    ("temperature_c", "reference temperature", "degC"),
    ("head_included", "liquid head included", ""),
    ("head_density_kg_m3", "density of the liquid head", "kg/m3"),
    ("roof_included", "roof included", ""),
    ("roof_density_kg_m3", "density of the roof", "kg/m3"),
    ("reference_height_m", "reference height", "m"),
)


def _changed(old: Capacity, new: CapacityTable) -> tuple[str, ...]:
    changed = [
        f"{words}: {before:.7g} {unit} becomes {after:.7g} {unit}"
        for words, unit, before, after in (
            ("lowest level", "m", old.bottom_m, new.bottom_m),
            ("highest level", "m", old.top_m, new.top_m),
            ("heel", "m3", old.heel_m3, new.heel_m3),
        )
        if abs(before - after) > SAME * max(1.0, abs(before))
    ]
    if isinstance(old, CapacityTable):
        for name, words, unit in _ATTRIBUTES:
            before, after = getattr(old, name), getattr(new, name)
            if before != after:
                changed.append(f"{words}: {_stated(before, unit)} becomes {_stated(after, unit)}")
    else:
        changed.insert(0, f"{old.clause} becomes {new.clause}")
    return tuple(changed)


def _stated(value: object, unit: str) -> str:
    if value is None or value == "":
        return "not stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.7g} {unit}" if isinstance(value, float) else str(value)
