"""Capacity tables as calibrations print them, made from a seed, and slips as people make them.

Upright shells stand in courses whose radii differ, on bottoms of every kind, with coils, manholes and floating roofs;
beside them lie vessels, level and tilted, and spheres. Volumes are rounded as printed tables are, rows stand 1 mm to
10 cm apart. Sizes and differences are common practice: neighbouring courses differ by up to 0.2 % in radius, a tank by
0.05 % from its drawing.
"""

import random
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import (
    Deadwood,
    End,
    EndKind,
    Head,
    LyingCylinder,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
    WithDeadwood,
)
from gateway.calculation.shapes.datum import WithDatum
from gateway.calculation.tables.capacity_table import CapacityTable

__all__ = ["SLIPS", "Calibration", "calibration", "slipped"]

_COURSE_M = (1.2, 1.5, 1.8, 2.0, 2.44)
_STEPS_M = (0.001, 0.005, 0.010, 0.010, 0.010, 0.020, 0.050, 0.100, 0.100)
_PRINTED_M3 = (0.001, 0.010, 0.100, 1.0)


class Calibration(NamedTuple):
    """A table, what it was made from, and the dimensions one would give beside it."""

    table: CapacityTable
    dimensions: Capacity
    courses: tuple[float, ...]
    """Levels between which the courses stand, the lowest and the highest included."""
    true: Callable[[float], float]
    """Volume in m3 by level, before it was printed."""
    printed_m3: float

    def printed(self, true: Callable[[float], float], levels: Sequence[float] | None = None) -> CapacityTable:
        """The table with other volumes, printed alike."""
        rows = self.table.levels_m if levels is None else tuple(levels)
        return replace(self.table, levels_m=rows, volumes_m3=_rounded(true, rows, self.printed_m3))


def calibration(seed: int, kind: str | None = None) -> Calibration:
    """A sound table. `kind`: `upright`, `lying` or `sphere`; otherwise seven, two and one in ten of them."""
    rng = random.Random(f"table {seed} {kind}")
    chosen = kind or rng.choice(["upright"] * 7 + ["lying"] * 2 + ["sphere"])
    make = {"upright": _upright, "lying": _lying, "sphere": _sphere}[chosen]
    return make(rng)


def _upright(rng: random.Random) -> Calibration:
    diameter = 3.0 * 20.0 ** rng.random()
    height = round(rng.uniform(max(3.0, 0.35 * diameter), max(4.0, min(22.0, 2.0 * diameter))), 2)
    bare: Capacity = UprightCylinder(diameter, height)
    depth = round(min(0.4, diameter / rng.uniform(60.0, 120.0)), 3)
    bottom = rng.choice(["flat", "flat", "cone up", "sloped", "cone"])
    if bottom == "cone":
        # The datum lies at the edge of the floor: what the cone holds is heel.
        bare = WithDatum(UprightVessel(diameter, height, End(EndKind.CONE, depth)), depth, 0.0)
    elif bottom != "flat":
        bare = UprightVessel(diameter, height, End(EndKind(bottom), depth))
    area = 0.7854 * diameter**2
    pieces = []
    if rng.random() < 0.4:
        pieces.append(Deadwood(0.45 * area * rng.uniform(0.003, 0.015), 0.15, 0.60, "coils"))
    if rng.random() < 0.4:
        pieces.append(Deadwood(-rng.uniform(0.03, 0.10), 0.45, 1.05, "manhole"))
    dimensions = WithDeadwood(bare, tuple(pieces)) if pieces else bare
    course = rng.choice(_COURSE_M)
    borders = [course * number for number in range(round(height / course) + 1)]
    borders = [*(border for border in borders if border < height - 0.6), dimensions.top_m]
    whole = rng.uniform(-0.001, 0.001)
    scales = [1.0 + whole + 2.0 * max(-0.001, min(0.001, rng.gauss(0.0, 0.0005))) for _ in borders[1:]]
    stretch_per_m = rng.choice([0.0, rng.uniform(0.2e-4, 1.0e-4)])
    roof = diameter > 8.0 and height > 5.0 and rng.random() < 0.25
    lands, floats = 1.5, 1.5 + round(rng.uniform(0.25, 0.45), 2)
    displaced = area * rng.uniform(0.08, 0.14)

    def true(level: float) -> float:
        volume: float = _in_courses(dimensions, borders, scales, level)
        volume += 0.5 * area * stretch_per_m * max(0.0, level) * max(0.0, level)
        if roof:
            volume -= displaced * min(1.0, max(0.0, (level - lands) / (floats - lands)))
        return volume

    levels, printed = _rows(rng, dimensions.top_m, area)
    made = _table(dimensions, levels, true, printed)
    if roof:
        made = replace(made, roof_included=True, roof_density_kg_m3=750.0)
    return Calibration(made, dimensions, tuple(borders), true, printed)


def _lying(rng: random.Random) -> Calibration:
    diameter, length = round(rng.uniform(1.4, 4.0), 2), round(rng.uniform(3.0, 25.0), 2)
    head = rng.choice(list(Head))
    shape: Capacity = LyingCylinder(diameter, length, head)
    if rng.random() < 0.2:
        shape = TiltedCylinder(diameter, length, head, rng.uniform(0.002, 0.02), rng.uniform(0.2, 0.8) * length)
    return _scaled(rng, shape, 0.7 * diameter * length)


def _sphere(rng: random.Random) -> Calibration:
    diameter = round(rng.uniform(5.0, 22.0), 2)
    return _scaled(rng, Sphere(diameter), 0.5 * diameter**2)


def _scaled(rng: random.Random, shape: Capacity, area: float) -> Calibration:
    scale = 1.0 + rng.uniform(-0.002, 0.002)
    levels, printed = _rows(rng, shape.top_m, area)
    courses = (shape.bottom_m, *(shape.top_m * part / 5 for part in range(1, 5)), shape.top_m)

    def true(level: float) -> float:
        return scale * shape.volume(level)

    return Calibration(_table(shape, levels, true, printed), shape, courses, true, printed)


def _in_courses(shape: Capacity, borders: Sequence[float], scales: Sequence[float], level: float) -> float:
    volume = shape.volume(0.0)
    for (low, high), scale in zip(pairwise(borders), scales, strict=True):
        if level > low:
            volume += scale * (shape.volume(min(level, high)) - shape.volume(low))
    return volume


def _rows(rng: random.Random, top_m: float, area: float) -> tuple[tuple[float, ...], float]:
    """Levels, and the step of the printed volumes: no coarser than rows and size let it, no finer than eight digits."""
    step = rng.choice([each for each in _STEPS_M if top_m / each > 25.0])
    full, rise = area * top_m, area * step
    printed = rng.choice([each for each in _PRINTED_M3 if 1e-7 * full < each < min(0.6 * rise, 5e-4 * full)] or [0.001])
    levels = {round(number * step, 6) for number in range(int(top_m / step + 1e-9) + 1)}
    if step > 0.005 and rng.random() < 0.3:
        fine, until = 0.1 * step, rng.choice([0.1, 0.2, 0.3])
        levels |= {round(number * fine, 6) for number in range(round(until / fine) + 1)}
    if rng.random() < 0.5:
        levels.add(round(top_m, 3) if round(top_m, 3) <= top_m else top_m)
    return tuple(sorted(levels)), printed


def _table(
    shape: Capacity, levels: Sequence[float], true: Callable[[float], float], printed_m3: float
) -> CapacityTable:
    heel = true(0.0) if shape.heel_m3 else 0.0
    heel = round(heel / printed_m3) * printed_m3
    return CapacityTable(
        "seeded", tuple(levels), _rounded(true, levels, printed_m3), heel, "datum plate", None, 15.0, False, None, False
    )


def _rounded(true: Callable[[float], float], levels: Sequence[float], printed_m3: float) -> tuple[float, ...]:
    digits = max(0, round(-_LOG10[printed_m3]))
    found: list[float] = []
    for level in levels:
        volume = max(0.0, round(round(true(level) / printed_m3) * printed_m3, digits))
        found.append(max(volume, found[-1]) if found else volume)
    return tuple(found)


_LOG10 = {0.001: -3, 0.010: -2, 0.100: -1, 1.0: 0}


def _one_course_scaled(made: Calibration, rng: random.Random) -> CapacityTable:
    """Volumes of one course 1 % too large or too small; what stands above it is shifted by as much."""
    courses = [
        (low, high) for low, high in pairwise(made.courses) if high - low >= 0.15 * made.table.top_m or high - low > 1.1
    ]
    low, high = rng.choice(courses)
    share = rng.choice([-0.01, 0.01])

    def wrong(level: float) -> float:
        true = made.true(level)
        return true + share * (made.true(min(level, high)) - made.true(low)) if level > low else true

    return made.printed(wrong)


def _row_missing(made: Calibration, rng: random.Random) -> CapacityTable:
    table = made.table
    row = rng.randrange(1, len(table.levels_m) - 1)
    return replace(
        table,
        levels_m=table.levels_m[:row] + table.levels_m[row + 1 :],
        volumes_m3=table.volumes_m3[:row] + table.volumes_m3[row + 1 :],
    )


def _digits_wrong(made: Calibration, rng: random.Random) -> CapacityTable | None:
    """One volume with a wrong digit or two exchanged: off by a fifth of a step or more, and not plainly impossible."""
    table, step = made.table, made.printed_m3
    for _ in range(3000):
        row = rng.randrange(1, len(table.levels_m))
        text = list(str(round(table.volumes_m3[row] / step)))
        place = rng.randrange(len(text))
        if rng.random() < 0.5:
            text[place] = rng.choice("0123456789")
        elif place:
            text[place - 1], text[place] = text[place], text[place - 1]
        volume = round(int("".join(text)) * step, 3)
        before, after = table.volumes_m3[row - 1], (*table.volumes_m3, 1e9)[row + 1]
        increment = table.volumes_m3[row] - before if row + 1 == len(table.levels_m) else 0.5 * (after - before)
        wrong = abs(volume - table.volumes_m3[row])
        if before <= volume <= after and wrong > max(0.2 * increment, 1.5 * step) and wrong < 3.0 * increment:
            return replace(table, volumes_m3=(*table.volumes_m3[:row], volume, *table.volumes_m3[row + 1 :]))
    return None


def _datum_moved(made: Calibration, rng: random.Random) -> CapacityTable:
    """Every level 10 to 100 mm too high or too low."""
    shift = rng.choice([-1.0, 1.0]) * round(rng.uniform(0.010, 0.100), 3)
    return replace(made.table, levels_m=tuple(round(level + shift, 6) for level in made.table.levels_m))


def _datum_moved_on_its_levels(made: Calibration, rng: random.Random) -> CapacityTable:
    """Rows at the levels they had, and the volumes of 10 to 100 mm above or below them."""
    shift = rng.choice([-1.0, 1.0]) * round(rng.uniform(0.010, 0.100), 3)
    levels = [level for level in made.table.levels_m if level + shift <= made.dimensions.top_m]
    return made.printed(lambda level: made.true(max(0.0, level + shift)), levels)


def _rows_slipped(made: Calibration, rng: random.Random) -> CapacityTable:
    """One volume left out or written twice: those above stand a row too low or too high."""
    table = made.table
    row = bisect_right(table.levels_m, rng.uniform(0.1, 0.9) * table.top_m)
    if rng.random() < 0.5:
        volumes = table.volumes_m3[:row] + table.volumes_m3[row + 1 :]
        return replace(table, levels_m=table.levels_m[:-1], volumes_m3=volumes)
    volumes = (*table.volumes_m3[:row], table.volumes_m3[row - 1], *table.volumes_m3[row:-1])
    return replace(table, volumes_m3=volumes)


_SLIPS: dict[str, Callable[[Calibration, random.Random], CapacityTable | None]] = {
    "one course scaled by 1 %": _one_course_scaled,
    "row missing": _row_missing,
    "volume with wrong digits": _digits_wrong,
    "datum moved": _datum_moved,
    "datum moved, same levels": _datum_moved_on_its_levels,
    "volumes a row off": _rows_slipped,
}
SLIPS = tuple(_SLIPS)


def slipped(slip: str, seed: int, kind: str | None = None) -> tuple[Calibration, CapacityTable]:
    """The calibration of the next seed in which the slip can be made, and its table with the slip."""
    for number in range(100):
        made = calibration(1000 * seed + number, kind)
        table = _SLIPS[slip](made, random.Random(f"{slip} {seed}"))
        if table is not None:
            return made, table
    raise AssertionError(f"no table of seed {seed} takes the slip: {slip}")
