"""Single rows of a capacity table that do not fit their neighbours: wrong digits, rows left out, volumes a row off.

Nothing is known of the tank. Surfaces (first differences over level) are compared with the running median of those
around: it follows bends, courses, coils and landing roofs, which change the surface for several rows, and not a single
row. What the rounding of the printed volumes explains is no finding; where rows are closer than that, every second or
third is compared.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.units.quantity import Dimension, from_unit

__all__ = ["Slip", "SlipKind", "missing_rows", "printed_steps", "wrong_volumes"]


class SlipKind(StrEnum):
    """What a finding looks like to have come from. A person judges."""

    ROW_MISSING = "row missing"
    WRONG_DIGITS = "wrong digits"
    EXCHANGED_DIGITS = "digits exchanged"
    ROWS_OFF = "volumes a row off"
    JUMP = "volumes moved"
    SCALED = "zone scaled"
    DATUM_MOVED = "datum moved"
    DEADWOOD = "deadwood not declared"


class Slip(NamedTuple):
    """Something in a table that looks like a slip of the pen, between two levels (the same one for a single row)."""

    kind: SlipKind
    row: int
    """Of the row at, or first above, the slip; counted from 1."""
    from_m: float
    to_m: float
    text: str


_REACH = 4
"""Surfaces on either side that a running median takes: four wrong ones of nine would outvote the sound."""
_SHARE = 0.03
"""Of a step: what a wall that is not quite straight may differ."""
_END_SHARE = 0.12
"""Of a step at the largest surface around, at the last row, above which nothing stands."""
_ROUNDED = 1.4
_ROUNDED_ONCE = 1.6
"""Printed steps that rounding can make of a single volume, and of a single increment against its median."""
_STEPS_APART = 4.0
"""Printed steps that compared volumes rise by at least."""
_GAP = 0.05
"""What rows that stand evenly may differ in their distances."""
_UNITS = ("m3", "bbl", "US gal", "ft3")
_LADDER = tuple(factor * 10.0**power for power in range(3, -7, -1) for factor in (5.0, 2.0, 1.0))


def printed_steps(volumes_m3: Sequence[float]) -> tuple[float, ...]:
    """Step to which each volume is printed, m3, as the ten rows on either side show it; 0 where none fits.

    In one of the units tables are printed in, the coarsest step of which a volume (above the first) is a multiple.
    """
    first = volumes_m3[0]
    best = (0.0, 1.0)
    for unit in _UNITS:
        in_m3 = from_unit(1.0, unit, Dimension.VOLUME)
        scaled = [(volume - first) / in_m3 for volume in volumes_m3]
        fitting = next((step for step in _LADDER if all(_multiple(each, step) for each in scaled)), 0.0)
        best = max(best, (fitting * in_m3, in_m3))
    finest, in_m3 = best
    if finest == 0.0:
        return (0.0,) * len(volumes_m3)
    ladder = [step for step in _LADDER if step * in_m3 >= finest * (1.0 - 1e-9)]
    own = [next(step for step in ladder if _multiple((volume - first) / in_m3, step)) * in_m3 for volume in volumes_m3]
    return tuple(min(own[max(0, row - 10) : row + 11]) for row in range(len(own)))


def _multiple(value: float, step: float) -> bool:
    part = value / step
    return abs(part - round(part)) < 1e-6 + 1e-15 * abs(part)


def missing_rows(table: CapacityTable) -> tuple[Slip, ...]:
    """Gaps wider than those between even rows on both sides, so that one may have stood there."""
    levels = table.levels_m
    gaps = [high - low for low, high in pairwise(levels)]
    found = []
    for index, gap in enumerate(gaps):
        below, above = gaps[max(0, index - 2) : index], gaps[index + 1 : index + 3]
        if len(gaps) < 4 or not (_even(below) and _even(above)):
            continue
        # A table may begin with a wide step, but hardly with one of just two rows.
        wider = gap > max(*below, *above, 0.0) * (1.0 + _GAP)
        if wider and (below or abs(gap - 2.0 * above[0]) < _GAP * gap):
            low, high = levels[index], levels[index + 1]
            text = (
                f"from {low:.4f} m to {high:.4f} m there is no row, where the next ones stand "
                f"{max(below + above):.4g} m apart: a row may be missing"
            )
            found.append(Slip(SlipKind.ROW_MISSING, index + 2, low, high, text))
    return tuple(found)


def _even(gaps: Sequence[float]) -> bool:
    return not gaps or max(gaps) <= min(gaps) * (1.0 + _GAP)


class _Around(NamedTuple):
    """A row among those far enough below and above it for their printed volumes: what its increments are off by, m3."""

    row: int
    below: int
    """The next of those rows."""
    area_m2: float
    """What its neighbours let one expect below it."""
    off_below: float
    off_above: float
    off_before: float
    """Of the increment under the one below it."""
    allowed: float
    """What a wall that is not quite straight explains, m3."""
    bend: float
    """What a bend explains of a single increment, where rows above stand further apart than those below, m3."""
    rounding: float


def wrong_volumes(table: CapacityTable) -> tuple[Slip, ...]:
    """Volumes that neither the rows below nor those above let one expect, the worst of each neighbourhood."""
    levels, volumes = table.levels_m, table.volumes_m3
    if len(levels) < 5:
        return ()
    steps = printed_steps(volumes)
    mean = (volumes[-1] - volumes[0]) / (levels[-1] - levels[0])
    found: list[tuple[_Around, float, Slip]] = []
    for row in range(1, len(levels)):
        around = _around(table, row, steps[row], mean)
        if around is None:
            continue
        judged = _judged(table, around)
        if judged is not None:
            found.append((around, *judged))
    return _worst(found)


def _worst(found: Sequence[tuple[_Around, float, Slip]]) -> tuple[Slip, ...]:
    """One for each run of neighbouring rows: the first of those that are off the most."""
    kept: list[tuple[int, float, Slip]] = []
    for around, size, slip in found:
        if kept and around.below <= kept[-1][0] + 1:
            most = kept[-1] if size <= kept[-1][1] * (1.0 + 1e-6) else (0, size, slip)
            kept[-1] = (around.row, most[1], most[2])
        else:
            kept.append((around.row, size, slip))
    return tuple(slip for _, _, slip in kept)


def _around(table: CapacityTable, row: int, rounding: float, mean_m2: float) -> _Around | None:
    """The row among its neighbours; None where the table rises nowhere."""
    levels, volumes = table.levels_m, table.volumes_m3
    low, high = max(0, row - 25), min(len(levels) - 1, row + 25)
    area = max((volumes[high] - volumes[low]) / (levels[high] - levels[low]), 0.1 * mean_m2)
    if area <= 0.0:
        return None
    apart = _STEPS_APART * rounding / area * (1.0 - 1e-9)
    rows = [row]
    for _ in range(_REACH + 2):
        below = bisect_right(levels, levels[rows[0]] - apart, 0, rows[0]) - 1
        if below < 0:
            break
        rows.insert(0, below)
    own = len(rows) - 1
    if own == 0:
        return None
    for _ in range(_REACH + 1):
        above = bisect_left(levels, levels[rows[-1]] + apart, rows[-1] + 1)
        if above == len(levels):
            break
        rows.append(above)
    widths = [levels[up] - levels[down] for down, up in pairwise(rows)]
    areas = [(volumes[up] - volumes[down]) / width for (down, up), width in zip(pairwise(rows), widths, strict=True)]
    last = own == len(rows) - 1
    expected = _running_median(areas, own - 1)
    if last and len(areas) > 2:
        expected = _end_value([levels[each] for each in rows], areas)

    def off(index: int) -> float:
        return (areas[index] - _running_median(areas, index)) * widths[index] if 0 <= index < len(areas) else 0.0

    off_below = (areas[own - 1] - expected) * widths[own - 1]
    share = _END_SHARE * max(areas) if last else _SHARE * expected
    # Where a curved wall closes in, the last surface may be anything down to nothing.
    if last and len(areas) > 2 and off_below < 0.0 and areas[-2] < max(areas) * (1.0 - _SHARE):
        share = expected
    bend = 0.0 if last or own < 2 else 0.5 * abs(areas[own] - areas[own - 2]) * widths[own - 1]
    return _Around(
        row, rows[own - 1], expected, off_below, off(own), off(own - 2), share * widths[own - 1], bend, rounding
    )


def _running_median(areas: Sequence[float], index: int) -> float:
    reach = min(_REACH, index, len(areas) - 1 - index)
    return median(areas[index - reach : index + reach + 1])


def _end_value(levels: Sequence[float], areas: Sequence[float]) -> float:
    """What suits the last of `areas` best: the one before, or the line through the two before it."""
    middles = [0.5 * (low + high) for low, high in pairwise(levels)]
    line = areas[-2] + (areas[-2] - areas[-3]) * (middles[-1] - middles[-2]) / (middles[-2] - middles[-3])
    return min(areas[-2], line, key=lambda expected: abs(areas[-1] - expected))


def _judged(table: CapacityTable, around: _Around) -> tuple[float, Slip] | None:
    """(how far off, finding) where it is more than rounding and a bend explain."""
    below, above, before = around.off_below, around.off_above, around.off_before
    both = 0.5 * (below - above)
    if below * above < 0.0 and min(abs(below), abs(above)) > 0.4 * abs(both):
        if abs(both) > _ROUNDED * around.rounding + around.allowed:
            return abs(both), _wrong_volume(table, around.row, both, around.rounding)
        return None
    if abs(below) <= _ROUNDED_ONCE * around.rounding + around.allowed + around.bend:
        return None
    # Two of one sign are a zone with another surface: a coil, a landing roof. Two of unlike sign are one volume.
    if any(other * below > 0.0 and abs(other) > 0.3 * abs(below) for other in (before, above)):
        return None
    if before * below < 0.0 and abs(before) > 0.4 * abs(below):
        return None
    return abs(below), _jump(table, around)


def _wrong_volume(table: CapacityTable, row: int, off_m3: float, printed_m3: float) -> Slip:
    level, volume = table.levels_m[row], table.volumes_m3[row]
    text = (
        f"row {row + 1}, {level:.4f} m: {volume:.7g} m3 is {abs(off_m3):.4g} m3 {_more(off_m3)} than the rows around "
        "let one expect"
    )
    kind, meant = _digits(volume, volume - off_m3, printed_m3)
    if kind is SlipKind.EXCHANGED_DIGITS:
        text += f": two digits may be exchanged, {meant:.7g} m3"
    elif meant is not None:
        text += f": a digit may be wrong, {meant:.7g} m3"
    else:
        text += ": a misprint, or the level is another"
    return Slip(kind, row + 1, level, level, text)


def _digits(volume_m3: float, expected_m3: float, printed_m3: float) -> tuple[SlipKind, float | None]:
    """What the slip looks like, and the volume that may have been meant: one slip of the pen away from the printed."""
    if printed_m3 <= 0.0:
        # Volumes with every digit a float has: the wrong one may have been typed with few.
        printed_m3 = next((10.0**-power for power in range(5) if _multiple(volume_m3, 10.0**-power)), 0.0)
    if printed_m3 <= 0.0 or not _multiple(volume_m3, printed_m3):
        return SlipKind.WRONG_DIGITS, None
    text = str(round(volume_m3 / printed_m3))
    exchanged = [text[: at - 1] + text[at] + text[at - 1] + text[at + 1 :] for at in range(1, len(text))]
    other = [text[:at] + digit + text[at + 1 :] for at in range(len(text)) for digit in "0123456789"]
    for kind, candidates in ((SlipKind.EXCHANGED_DIGITS, exchanged), (SlipKind.WRONG_DIGITS, other)):
        meant = min(
            (printed_m3 * int(each) for each in candidates), key=lambda each: abs(each - expected_m3), default=0.0
        )
        if abs(meant - expected_m3) <= max(_ROUNDED * printed_m3, 0.1 * abs(volume_m3 - expected_m3)):
            return kind, meant
    return SlipKind.WRONG_DIGITS, None


def _more(off: float) -> str:
    return "more" if off > 0.0 else "less"


def _jump(table: CapacityTable, around: _Around) -> Slip:
    from_m, to_m = table.levels_m[around.below], table.levels_m[around.row]
    off, area = around.off_below, around.area_m2
    step_m3 = area * (to_m - from_m) / (around.row - around.below)
    rows = round(off / step_m3) if step_m3 > 0.0 else 0
    moved_mm = 1000.0 * off / area if area > 0.0 else 0.0
    start = (
        f"row {around.row + 1}, from {from_m:.4f} m to {to_m:.4f} m: the volume rises by {abs(off):.4g} m3 "
        f"{_more(off)} than the rows around let one expect, and those above are moved by as much"
    )
    if rows and abs(off - rows * step_m3) <= 0.15 * step_m3 + 2.0 * around.rounding:
        text = f"{start}: volumes may stand {abs(rows)} {'row' if abs(rows) == 1 else 'rows'} off"
        return Slip(SlipKind.ROWS_OFF, around.row + 1, from_m, to_m, text)
    text = f"{start}, {moved_mm:+.1f} mm of level: see to the datum of the rows above"
    return Slip(SlipKind.JUMP, around.row + 1, from_m, to_m, text)
