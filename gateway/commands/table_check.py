"""`table check`: everything that is wrong or odd in a capacity table, in words, as JSON and as a plot.

What is wrong refuses the table (exit code 2); what is odd is for a competent person to judge (exit code 0).
"""

import argparse
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from gateway.calculation.capacity_table import CapacityTable
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TankPlan
from gateway.calculation.table_checks import OddRow, against_shape, coarse_rows, ends_against_limits, odd_rows
from gateway.commands.output import write, write_json
from gateway.commands.table_file import CAUTIONS, FileError, add_tank, chosen_tank, read_table, table_words
from gateway.commands.table_plot import plot_svg
from gateway.commands.table_shape import add_shape, shape_of
from gateway.display import printable
from gateway.errors import SettingsError, UsageError

__all__ = ["Findings", "add_arguments", "execute", "findings"]

_SHOWN = 10
_CRITICAL_ZONE_STEP_M = 0.010


class Findings(NamedTuple):
    """`refused` must be put right; `odd` is for a person to judge; `remarks` say what was compared."""

    refused: tuple[str, ...]
    odd: tuple[str, ...]
    remarks: tuple[str, ...]
    odd_rows: tuple[OddRow, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="capacity table (CSV)")
    add_tank(parser, "compare with the shape and the limits of one of its tanks")
    parser.add_argument("--plot", metavar="FILE.svg", help="draw volume and first differences")
    parser.add_argument("--json", action="store_true", help="print the findings for a program")
    add_shape(parser, required=False)


def execute(arguments: argparse.Namespace) -> int:
    setup = chosen_tank(arguments)
    shape = shape_of(arguments)
    if setup is not None and shape is not None:
        raise UsageError(
            "--tank and --kind were both given", "compare with the tank of the site file or with dimensions"
        )
    try:
        table = read_table(arguments.file)
    except SettingsError as error:
        return _refused_file(error, arguments.json)
    found = findings(table, None if setup is None else setup.plan, shape)
    if arguments.plot is not None:
        compared = shape if setup is None else _shape_of_tank(setup.plan)
        _write_plot(Path(arguments.plot), plot_svg(table, compared, found.odd_rows))
    if arguments.json:
        write_json(
            {
                "well": not found.refused,
                "mistakes": list(found.refused),
                "warnings": list(found.odd),
                "remarks": list(found.remarks),
                "odd_rows": [row._asdict() for row in found.odd_rows],
                "table": {
                    "name": table.name,
                    "date": None if table.date is None else table.date.isoformat(),
                    "rows": len(table.levels_m),
                    "bottom_m": table.bottom_m,
                    "top_m": table.top_m,
                    "lowest_volume_m3": table.volumes_m3[0],
                    "highest_volume_m3": table.volumes_m3[-1],
                },
                "cautions": list(CAUTIONS),
            }
        )
    else:
        _print(table, found, arguments.plot)
    return 2 if found.refused else 0


def findings(table: CapacityTable, plan: TankPlan | None, shape: Capacity | None) -> Findings:
    """Everything found in `table`, against the tank or the shape where one is given."""
    refused: list[str] = []
    odd: list[str] = []
    remarks: list[str] = []
    rows = odd_rows(table)
    odd += [row.text for row in rows]
    flat = [high for (_, low), (high, up) in pairwise(zip(table.levels_m, table.volumes_m3, strict=True)) if up == low]
    if flat:
        odd.append(
            f"the volume does not rise up to {flat[0]:.4f} m" + (f" and {len(flat) - 1} more rows" if flat[1:] else "")
        )
    if plan is not None:
        for end in ends_against_limits(table, plan.limits, plan.reference_height_m):
            (refused if end.refuse else odd).append(end.text)
        _against_roof(table, plan, odd)
        shape = _shape_of_tank(plan)
        if shape is None:
            remarks.append(f"{plan.tank} goes by a capacity table, so there are no dimensions to compare with")
    if shape is not None:
        _against_shape(table, shape, odd, remarks)
    if plan is None and shape is None:
        remarks.append("not compared with any tank: give --site and --tank, or --kind with dimensions")
    return Findings(tuple(refused), tuple(odd), tuple(remarks), rows)


def _shape_of_tank(plan: TankPlan) -> Capacity | None:
    return None if isinstance(plan.capacity, CapacityTable) else plan.capacity


def _against_shape(table: CapacityTable, shape: Capacity, odd: list[str], remarks: list[str]) -> None:
    found = against_shape(table, shape)
    odd += [
        f"{each.level_m:.4f} m: {each.volume_m3:.6g} m3, {each.difference_m3:+.4g} m3 from the dimensions "
        f"({each.other_m3:.6g} m3), more than 0.5 %"
        for each in found.beyond
    ]
    if found.worst is None:
        odd.append(f"no row lies within the dimensions, {shape.bottom_m:.3f} m to {shape.top_m:.3f} m")
        return
    worst = found.worst
    remarks.append(
        f"{found.compared:,} rows compared with the dimensions ({shape.clause}); the largest difference is "
        f"{worst.difference_m3:+.4g} m3 at {worst.level_m:.4f} m"
    )
    if found.outside:
        remarks.append(
            f"{found.outside:,} rows lie outside the dimensions, {shape.bottom_m:.3f} m to {shape.top_m:.3f} m"
        )


def _against_roof(table: CapacityTable, plan: TankPlan, odd: list[str]) -> None:
    roof = plan.roof
    if roof is None:
        if table.roof_included:
            odd.append(f"the table deducts a floating roof, and {plan.tank} has none")
        return
    if table.roof_included is None:
        odd.append("the table does not say whether it deducts the floating roof")
    coarse = coarse_rows(table, roof.critical_low_m, roof.critical_high_m, _CRITICAL_ZONE_STEP_M)
    if table.roof_included and coarse:
        widest = max(coarse, key=lambda each: each.to_m - each.from_m)
        odd.append(
            f"{len(coarse)} pairs of rows in the roof's critical zone, {roof.critical_low_m:.3f} m to "
            f"{roof.critical_high_m:.3f} m, are further apart than {_CRITICAL_ZONE_STEP_M * 1000:.0f} mm; the widest "
            f"from {widest.from_m:.4f} m to {widest.to_m:.4f} m"
        )


def _refused_file(error: SettingsError, as_json: bool) -> int:
    if as_json:
        write_json({"well": False, "mistakes": list(error.mistakes), "warnings": [], "cautions": list(CAUTIONS)})
    else:
        write(*(printable(mistake) for mistake in error.mistakes))
        write(f"refused: {len(error.mistakes)} {'mistake' if len(error.mistakes) == 1 else 'mistakes'}")
    return 2


def _print(table: CapacityTable, found: Findings, plot: str | None) -> None:
    write(table_words(table))
    write(*(f"refused: {printable(text)}" for text in found.refused))
    write(*(f"warning: {printable(text)}" for text in found.odd[:_SHOWN]))
    if len(found.odd) > _SHOWN:
        write(f"warning: {len(found.odd) - _SHOWN} more; --json lists all")
    write(*(printable(text) for text in found.remarks))
    if plot is not None:
        write(f"plot in {printable(plot)}")
    if found.refused:
        write("result: refused")
    elif found.odd:
        write("result: no mistakes; a competent person must judge the warnings")
    else:
        write("result: well")
    write("", *(f"Caution: {caution}" for caution in CAUTIONS))


def _write_plot(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(path, error.strerror or str(error)) from error
