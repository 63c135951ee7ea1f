"""Slips of the pen in a capacity table, named for what they look like: alone, or against the tank's dimensions.

Single rows are judged in `table_rows`, zones of another surface in `table_zones` and `table_round`; here they come
together with what the lowest rows say of the datum. The rates at which seeded slips are found stand in DEVELOPERS.md.
"""

from bisect import bisect_left
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import SAME, CapacityTable
from gateway.calculation.tables.round_vessels import round_reference, surface_jumps
from gateway.calculation.tables.rows import Slip, SlipKind, missing_rows, printed_steps, wrong_volumes
from gateway.calculation.tables.zones import Zone, even_part, odd_zones, usual_slope, zones

__all__ = ["Slip", "SlipKind", "find_slips"]

_FEWEST_ROWS = 12
_UPRIGHT_PART = 0.6
_SHORTEST_M = (0.55, 0.80)
"""Zones that are compared, at least so high. A manhole is a zone of 0.6 m; in small tanks it shows."""
_MANHOLE_M2 = 30.0
_SHORTEST_PART = 0.1
"""Of the height of a round vessel."""
_WITHIN_PART = 0.9
_PLACES = 20
_WHOLE = 0.005
_DEADWOOD = 0.02
"""Of the surface: a course is rarely as far off."""
_STANDS_OUT = 4.0
"""Printed steps by which a volume rises at once where it had not risen: a sloped floor begins more gently."""
_UNLIKE = 0.003
"""Of the whole: what courses of unlike radii make of a volume in the upper half."""
_MOVED_M = 0.006
"""Of level, against the dimensions: a bottom is never quite even."""


def find_slips(table: CapacityTable, shape: Capacity | None = None) -> tuple[Slip, ...]:
    """What looks like a slip, by level. `shape`: the tank's dimensions, where they are known."""
    singles = [*missing_rows(table), *wrong_volumes(table)]
    wrong = {slip.row - 1 for slip in singles if slip.from_m == slip.to_m}
    levels = [level for row, level in enumerate(table.levels_m) if row not in wrong]
    volumes = [volume for row, volume in enumerate(table.volumes_m3) if row not in wrong]
    printed = median(printed_steps(table.volumes_m3))
    found = [*singles, *_at_bottom(table, printed)]
    inside = _Rows(levels, volumes, printed).within(shape) if shape is not None else None
    if shape is not None and inside is not None:
        found += _against(inside, shape, table)
    elif len(levels) >= _FEWEST_ROWS and volumes[-1] > volumes[0]:
        found += _alone(_Rows(levels, volumes, printed))
    return tuple(sorted(found, key=lambda slip: (slip.from_m, slip.to_m)))


class _Rows(NamedTuple):
    """Levels and volumes without single wrong ones, and the step to which volumes are printed."""

    levels: Sequence[float]
    volumes: Sequence[float]
    printed_m3: float

    @property
    def height_m(self) -> float:
        return self.levels[-1] - self.levels[0]

    @property
    def mean_m2(self) -> float:
        return (self.volumes[-1] - self.volumes[0]) / self.height_m

    def within(self, shape: Capacity) -> "_Rows | None":
        """The rows that lie within the shape; None where they are too few to say anything."""
        inside = [
            (level, volume)
            for level, volume in zip(self.levels, self.volumes, strict=True)
            if shape.bottom_m <= level <= shape.top_m
        ]
        if len(inside) < max(_FEWEST_ROWS, _WITHIN_PART * len(self.levels)) or inside[-1][1] <= inside[0][1]:
            return None
        return _Rows([level for level, _ in inside], [volume for _, volume in inside], self.printed_m3)

    def zones(self, reference: Sequence[float]) -> tuple[Zone, ...]:
        return zones(self.levels, self.volumes, reference, self.printed_m3)


def _alone(rows: _Rows) -> list[Slip]:
    parted = rows.zones(rows.levels)
    if even_part(parted) >= _UPRIGHT_PART:
        return _scaled(rows, parted, _shortest_m(rows))
    reference = round_reference(rows.levels, rows.volumes)
    return [
        Slip(
            SlipKind.SCALED,
            _row(rows, jump.level_m),
            jump.level_m,
            rows.levels[-1],
            f"at about {jump.level_m:.3f} m the surface jumps by {100.0 * jump.share:+.1f} %, where a vessel's wall "
            "bends evenly: a zone may be scaled, or of another table",
        )
        for jump in surface_jumps(rows.levels, rows.volumes, reference, rows.printed_m3)
    ]


def _against(rows: _Rows, shape: Capacity, table: CapacityTable) -> list[Slip]:
    reference = [shape.volume(level) for level in rows.levels]
    parted = rows.zones(reference)
    if even_part(rows.zones(rows.levels)) < _UPRIGHT_PART:
        # In a round vessel every surface is another where the datum is.
        return _moved_throughout(rows, shape) or _scaled(rows, parted, _SHORTEST_PART * rows.height_m)
    found = _scaled(rows, parted, _shortest_m(rows))
    if found:
        # What stands above a scaled course is off by as much: that says nothing more.
        return found
    usual = usual_slope(parted)
    if usual and abs(usual - 1.0) > _WHOLE:
        text = (
            f"the surfaces are {100.0 * (usual - 1.0):+.2f} % off those of the dimensions, all alike: another diameter"
        )
        found.append(Slip(SlipKind.SCALED, 1, rows.levels[0], rows.levels[-1], text))
    return found + _moved(rows, reference, parted, table)


def _moved_throughout(rows: _Rows, shape: Capacity) -> list[Slip]:
    """Every volume stands as far from the level at which the shape holds it."""
    moved = []
    for part in range(1, _PLACES):
        level = rows.levels[0] + rows.height_m * part / _PLACES
        row = min(bisect_left(rows.levels, level), len(rows.levels) - 1)
        held = _level_of(shape, rows.volumes[row])
        if held is not None:
            moved.append(held - rows.levels[row])
    if len(moved) < _PLACES // 2:
        return []
    usual = median(moved)
    alike = sum(abs(each - usual) <= 0.002 + 0.2 * abs(usual) for each in moved)
    if abs(usual) <= max(_MOVED_M, rows.printed_m3 / rows.mean_m2) or alike < 0.9 * len(moved):
        return []
    return [_datum_slip(rows, usual * rows.mean_m2)]


def _level_of(shape: Capacity, volume_m3: float) -> float | None:
    """Where the shape holds a volume, by halving; None outside it."""
    low, high = shape.bottom_m, shape.top_m
    if not shape.volume(low) < volume_m3 < shape.volume(high):
        return None
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if shape.volume(middle) < volume_m3 else (low, middle)
    return low


def _datum_slip(rows: _Rows, more_m3: float) -> Slip:
    text = (
        f"the volumes are {abs(more_m3):.4g} m3 {'more' if more_m3 > 0.0 else 'less'} than those of the dimensions "
        f"from the bottom on, which is {1000.0 * more_m3 / rows.mean_m2:+.0f} mm of level: the datum may be moved, or "
        "a heel or the floor is not as stated"
    )
    return Slip(SlipKind.DATUM_MOVED, 1, rows.levels[0], rows.levels[-1], text)


def _moved(rows: _Rows, reference: Sequence[float], parted: Sequence[Zone], table: CapacityTable) -> list[Slip]:
    """Volumes that are off by the same amount from some level on: the datum, or something inside that takes room."""
    usual = usual_slope(parted) or 1.0
    off = [volume - usual * other for volume, other in zip(rows.volumes, reference, strict=True)]
    bottom, height = rows.levels[0], rows.height_m
    low = [each for each, level in zip(off, rows.levels, strict=True) if 0.02 <= (level - bottom) / height <= 0.12]
    high = [each for each, level in zip(off, rows.levels, strict=True) if 0.5 <= (level - bottom) / height <= 0.9]
    if not low or not high:
        return []
    allowed = max(_MOVED_M * rows.mean_m2, 2.0 * rows.printed_m3)
    at_low, at_high = median(low), median(high)
    found = []
    if abs(at_low) > allowed and at_low * at_high > 0.0 and abs(at_high - at_low) < 0.5 * abs(at_low) + allowed:
        found.append(_datum_slip(rows, at_low))
    elif at_low - at_high > max(2.0 * allowed, _UNLIKE * rows.volumes[-1]) and not table.roof_included:
        lost = at_low - at_high
        middle = next(
            level for level, each in zip(rows.levels, off, strict=True) if each < at_low - 0.5 * lost and level > bottom
        )
        text = (
            f"about {lost:.4g} m3 less than by the dimensions from about {middle:.2f} m on: deadwood that was not "
            "declared, or a floating roof"
        )
        found.append(Slip(SlipKind.DEADWOOD, _row(rows, middle), middle, rows.levels[-1], text))
    return found


def _scaled(rows: _Rows, parted: Sequence[Zone], shortest_m: float) -> list[Slip]:
    found = []
    for zone in odd_zones(parted, shortest_m):
        first, last = _row(rows, zone.from_m), _row(rows, zone.to_m)
        rise_m3 = rows.volumes[last - 1] - rows.volumes[first - 1]
        share, more_m3 = zone.share, rise_m3 * zone.share / (1.0 + zone.share)
        kind = SlipKind.DEADWOOD if share < -_DEADWOOD else SlipKind.SCALED
        meant = "deadwood may not be declared" if kind is SlipKind.DEADWOOD else "a course may be scaled"
        text = (
            f"from {zone.from_m:.3f} m to {zone.to_m:.3f} m the surface is {100.0 * abs(share):.1f} % "
            f"{'larger' if share > 0.0 else 'smaller'} than usual in this tank, {abs(more_m3):.3g} m3 in all: {meant}, "
            "or something inside is not as stated"
        )
        found.append(Slip(kind, first, zone.from_m, zone.to_m, text))
    return found


def _shortest_m(rows: _Rows) -> float:
    return _SHORTEST_M[0] if rows.mean_m2 > _MANHOLE_M2 else _SHORTEST_M[1]


def _row(rows: _Rows, level_m: float) -> int:
    return 1 + next(row for row, level in enumerate(rows.levels) if level >= level_m)


def _at_bottom(table: CapacityTable, printed_m3: float) -> list[Slip]:
    """What the lowest rows say of the datum: an empty tank stands at level zero, and holds its heel there."""
    levels, volumes, heel = table.levels_m, table.volumes_m3, table.heel_m3
    lowest, area = levels[0], (volumes[-1] - volumes[0]) / (levels[-1] - levels[0])
    small = max(printed_m3, SAME * volumes[-1])
    text = None
    if lowest > SAME and volumes[0] <= heel + 0.5 * small:
        text = f"the tank is empty at {lowest:.4f} m: the datum may be moved by as much"
    elif lowest <= 0.0 <= levels[-1] and area > 0.0 and table.volume(0.0) - heel > small:
        more = table.volume(0.0) - heel
        stated = f"its heel is {heel:.4g} m3" if heel else "no heel is stated"
        text = (
            f"at level zero the table holds {heel + more:.6g} m3, and {stated}: state what lies below the datum, or "
            f"the datum may be moved by about {1000.0 * more / area:.0f} mm"
        )
    elif lowest < -SAME and volumes[0] >= heel - 0.5 * small:
        text = f"the table begins below its datum, at {lowest:.4f} m, and no heel lies there: the datum may be moved"
    else:
        flat = next((row for row, volume in enumerate(volumes) if volume > volumes[0]), len(volumes)) - 1
        if 0 < flat < len(volumes) - 1:
            above = min(levels[-1], 2.0 * levels[flat] - lowest)
            if table.volume(above) - volumes[flat] > _STANDS_OUT * small:
                text = f"the volume does not rise up to {levels[flat]:.4f} m and then at once: the datum may be moved"
    return [] if text is None else [Slip(SlipKind.DATUM_MOVED, 1, min(0.0, lowest), max(0.0, lowest), text)]
