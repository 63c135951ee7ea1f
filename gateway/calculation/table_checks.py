"""Questions asked of a capacity table before it is trusted: odd rows, dimensions, limits, and what it would change.

Rows that cannot be (levels that do not rise, volumes that fall) are refused when a table is made; see
`capacity_table.row_mistakes`. What is found here is for a person to judge: calibration belongs to competent people.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation.capacity_table import CapacityTable
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import LimitPlan
from gateway.calculation.units import Dimension, from_unit

__all__ = [
    "CoarseRow",
    "Difference",
    "EndFinding",
    "ImportPreview",
    "OddRow",
    "ShapeComparison",
    "against_shape",
    "coarse_rows",
    "ends_against_limits",
    "odd_rows",
    "preview_import",
]


class OddRow(NamedTuple):
    """An increment that does not fit between its neighbours: a misprint, or rows too far apart for a curved wall."""

    row: int
    """Of the row that ends the increment, counted from 1."""
    level_m: float
    area_m2: float
    """Volume over level of the increment: the surface it implies."""
    expected_m2: float
    """What its neighbours let one expect."""

    @property
    def text(self) -> str:
        return (
            f"row {self.row}, {self.level_m:.4f} m: the volume rises by {self.area_m2:.4g} m3 per m where its "
            f"neighbours let one expect {self.expected_m2:.4g}; a misprint, or rows too far apart"
        )


class Difference(NamedTuple):
    """Two volumes at one level."""

    level_m: float
    volume_m3: float
    other_m3: float

    @property
    def difference_m3(self) -> float:
        return self.volume_m3 - self.other_m3


class ShapeComparison(NamedTuple):
    """A table against the tank's dimensions."""

    beyond: tuple[Difference, ...]
    """Rows that differ by more than allowed, in order of level; `other_m3` is the shape's volume."""
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


def odd_rows(table: CapacityTable, share: float = 0.02) -> tuple[OddRow, ...]:
    """First-difference outliers: increments off by more than `share` of the largest surface in the table.

    Each increment is compared with the straight line through its neighbours' surfaces; three times `share` is allowed
    at the two ends, where curved walls close in. Volumes printed to few digits may be off by their rounding besides.
    Of a run of odd increments, which one wrong volume makes, the worst is named. Tables of fewer than 4 rows have no
    neighbours to compare.
    """
    levels, volumes = table.levels_m, table.volumes_m3
    if len(levels) < 4:
        return ()
    middles = [0.5 * (a + b) for a, b in pairwise(levels)]
    widths = [b - a for a, b in pairwise(levels)]
    areas = [(w - v) / width for (v, w), width in zip(pairwise(volumes), widths, strict=True)]
    printed_to_m3 = _printed_step(volumes)
    runs: list[list[tuple[float, OddRow]]] = []
    last_odd = -3
    for index, area in enumerate(areas):
        at_end = index in (0, len(areas) - 1)
        expected = _end_value(middles, areas, index) if at_end else _between(middles, areas, index)
        rounding = 2.0 * printed_to_m3 / min(widths[max(0, index - 2) : index + 3])
        off = abs(area - expected)
        if off <= (3.0 if at_end else 1.0) * share * max(areas) + rounding:
            continue
        if index - last_odd > 2:
            runs.append([])
        runs[-1].append((off, OddRow(index + 2, levels[index + 1], area, expected)))
        last_odd = index
    return tuple(_worst(run) for run in runs)


def _worst(run: Sequence[tuple[float, OddRow]]) -> OddRow:
    """The first of those that are off the most: a wrong volume lifts the increment before it, and lowers the next."""
    most = max(off for off, _ in run)
    return next(row for off, row in run if off >= most * (1.0 - 1e-6))


def _between(x: Sequence[float], y: Sequence[float], index: int) -> float:
    """Value at x[index] of the line through its two neighbours."""
    share = (x[index] - x[index - 1]) / (x[index + 1] - x[index - 1])
    return y[index - 1] + share * (y[index + 1] - y[index - 1])


def _end_value(x: Sequence[float], y: Sequence[float], index: int) -> float:
    """What suits the first or last of `y` best: its neighbour, or the line through the next two."""
    near, far = (1, 2) if index == 0 else (index - 1, index - 2)
    line = y[near] + (y[far] - y[near]) * (x[index] - x[near]) / (x[far] - x[near])
    return min(y[near], line, key=lambda expected: abs(y[index] - expected))


def _printed_step(volumes_m3: Sequence[float]) -> float:
    """The coarsest decimal step, in one of the units tables are printed in, of which every volume is a multiple, m3."""
    for decimals in range(7):
        for unit in ("m3", "bbl", "US gal", "ft3", "L"):
            step = from_unit(1.0, unit, Dimension.VOLUME) * 10.0**-decimals
            if all(abs(volume / step - round(volume / step)) < 1e-6 for volume in volumes_m3):
                return step
    return 0.0


def against_shape(table: CapacityTable, shape: Capacity, share: float = 0.005) -> ShapeComparison:
    """Every row against the volume of the tank's dimensions: more than `share` of it apart is beyond.

    Below one hundredth of the full shape the allowance stays that of one hundredth: a bottom is never quite even.
    """
    smallest = 0.01 * shape.volume(shape.top_m)
    beyond: list[Difference] = []
    worst: Difference | None = None
    worst_part = -1.0
    compared = 0
    for level, volume in zip(table.levels_m, table.volumes_m3, strict=True):
        if not shape.bottom_m <= level <= shape.top_m:
            continue
        compared += 1
        found = Difference(level, volume, shape.volume(level))
        part = abs(found.difference_m3) / (share * max(found.other_m3, smallest))
        if part > 1.0:
            beyond.append(found)
        if part > worst_part:
            worst, worst_part = found, part
    return ShapeComparison(tuple(beyond), worst, compared, len(table.levels_m) - compared)


def ends_against_limits(table: CapacityTable, limits: LimitPlan, reference_height_m: float) -> tuple[EndFinding, ...]:
    """Whether the table covers every level the tank may stand at, and no more than there is.

    A table that ends below the critical high level, or another limit, is to be refused: no volume would be known just
    when it matters. A table that starts above the minimum level, or reaches above the reference height, is odd.
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
    if table.top_m > reference_height_m:
        text = f"the table ends at {table.top_m:.3f} m, above the reference height, {reference_height_m:.3f} m"
        found.append(EndFinding(False, f"{text}; do they have the same datum?"))
    return tuple(found)


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
        levels = [bottom, *(level for before, level in pairwise(ordered) if level - before > _SAME)]
        even = [min(top, bottom + (top - bottom) * step / steps) for step in range(steps + 1)]
    differences = [Difference(level, new.volume(level), old.volume(level)) for level in levels]
    largest = sorted(differences, key=lambda each: -abs(each.difference_m3))[:count]
    by_level = tuple(Difference(level, new.volume(level), old.volume(level)) for level in even)
    real = tuple(each for each in largest if abs(each.difference_m3) > _SAME * max(1.0, each.other_m3))
    return ImportPreview(real, by_level, _changed(old, new))


_SAME = 1e-9


_ATTRIBUTES = (
    ("datum", "datum"),
    ("date", "date"),
    ("temperature_c", "reference temperature, degC"),
    ("head_included", "liquid head included"),
    ("head_density_kg_m3", "density of the liquid head, kg/m3"),
    ("roof_included", "roof included"),
    ("roof_density_kg_m3", "density of the roof, kg/m3"),
)


def _changed(old: Capacity, new: CapacityTable) -> tuple[str, ...]:
    changed = [
        f"{words}: {before:.7g} becomes {after:.7g}"
        for words, before, after in (
            ("lowest level, m", old.bottom_m, new.bottom_m),
            ("highest level, m", old.top_m, new.top_m),
            ("heel, m3", old.heel_m3, new.heel_m3),
        )
        if abs(before - after) > _SAME * max(1.0, abs(before))
    ]
    if isinstance(old, CapacityTable):
        for name, words in _ATTRIBUTES:
            before, after = getattr(old, name), getattr(new, name)
            if before != after:
                changed.append(f"{words}: {_stated(before)} becomes {_stated(after)}")
    else:
        changed.insert(0, f"{old.clause} becomes {new.clause}")
    return tuple(changed)


def _stated(value: object) -> str:
    if value is None or value == "":
        return "not stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.7g}" if isinstance(value, float) else str(value)
