"""Capacity tables made of the true shape, in the forms in which calibrations come."""

from dataclasses import replace

from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.oracle.stretch import stretch
from tests.site_fuzz.tanks import Table, Tank
from tests.site_fuzz.world.dice import Dice

__all__ = ["draw_table"]


def draw_table(dice: Dice, tank: Tank) -> Tank:
    """The same tank with its volumes from a file. Its top becomes the last row."""
    levels = _levels(dice, tank)
    head_density = round(tank.product.typical_density, 0) if tank.head is not None and dice.chance(0.5) else None
    roof_density = round(tank.product.typical_density, 0) if tank.roof is not None and dice.chance(0.5) else None
    volumes = volumes_of(tank)
    in_millimetres = dice.chance(0.6)
    rows: list[tuple[float, float]] = []
    for level in levels:
        volume = volumes.at(level)
        if head_density is not None and tank.head is not None:
            volume += stretch(tank.head, max(0.0, level), head_density, tank.gravity)
        if roof_density is not None and tank.roof is not None:
            roof = tank.roof
            afloat = min(1.0, max(0.0, (level - roof.low) / (roof.high - roof.low)))
            volume -= afloat * roof.mass / roof_density
        rows.append((level, max(round(volume, 4), rows[-1][1] if rows else 0.0)))
    heel = max(0.0, round(volumes.at(0.0), 4))
    temperature_c = tank.shell.table_c if tank.shell is not None else None
    top = rows[-1][0]
    # By ullage the last level is a difference, which a millimetre less than it would fall short of.
    height = tank.reference_height if tank.reference_height > top + 1e-6 else round(top + 0.001, 3)
    text, read = _csv(dice, tank, rows, heel, height, in_millimetres, head_density, roof_density, temperature_c)
    table = Table(tuple(read), text, temperature_c, head_density, roof_density, heel)
    top = read[-1][0]
    return replace(tank, table=table, top=top, bottom=read[0][0], reference_height=height)


def _levels(dice: Dice, tank: Tank) -> list[float]:
    """Close together below, then evenly; the ends of the roof's zone and the limits are marks of their own."""
    top = int(tank.top * 1000.0) / 1000.0
    below = [-0.03] if tank.shape.datum > 0.05 else []
    fine = [0.02 * i for i in range(6)]
    step = max(0.05, round(top / dice.randint(20, 60), 2))
    even = [0.1 + step * (i + 1) for i in range(int((top - 0.1) / step))]
    marks = [] if tank.roof is None else [tank.roof.low, tank.roof.high]
    return sorted({round(each, 3) for each in (*below, *fine, *even, *marks, top)})


def _csv(
    dice: Dice,
    tank: Tank,
    rows: list[tuple[float, float]],
    heel: float,
    reference: float,
    in_millimetres: bool,
    head_density: float | None,
    roof_density: float | None,
    temperature_c: float | None,
) -> tuple[str, list[tuple[float, float]]]:
    """The text, and its rows as they must be read. Heel that the file leaves out is added again by the reader."""
    left_out = heel > 0.0 and rows[0][0] == 0.0 and dice.chance(0.4)
    by_ullage = dice.chance(0.2)
    mark, separator = (",", ";") if dice.chance(0.3) else (".", ",")
    header = [
        f"# name: table of {tank.tag}",
        f"# level: {'mm' if in_millimetres else 'm'}",
        "# volume: m3",
        "# datum: datum plate",
        "# date: 2026-01-15",
        f"# reference temperature: {'not stated' if temperature_c is None else f'{temperature_c!r} degC'}",
        f"# liquid head: {'not included' if head_density is None else f'included at {head_density!r} kg/m3'}",
        f"# roof: {'not included' if roof_density is None else f'included at {roof_density!r} kg/m3'}",
        "# heel: " + (f"{heel!r} m3, {'not included' if left_out else 'included'}" if heel else "none"),
    ]
    if by_ullage:
        header.append(f"# ullage from: {reference!r} m")
    lines, read = [], []
    for level, volume in rows:
        shown = reference - level if by_ullage else level
        level_text = f"{round(shown * 1000.0)}" if in_millimetres else f"{shown:.4f}"
        written = round(volume - heel, 4) if left_out else volume
        lines.append(f"{level_text}{separator}{written:.4f}".replace(".", mark))
        read.append((level, written + heel if left_out else written))
    return "\n".join([*header, f"level{separator}volume", *lines, ""]), read
