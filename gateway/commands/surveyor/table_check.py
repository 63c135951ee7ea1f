"""`table check`: everything that is wrong or odd in a capacity table, in words, as JSON and as a plot.

What is wrong refuses the table (exit code 2); what is odd is for a competent person to judge (exit code 0).
"""

import argparse
from pathlib import Path
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import Form, against_shape, coarse_rows, ends_against_limits, size_in_doubt
from gateway.calculation.tables.slips import Slip, find_slips
from gateway.commands.output import write, write_json
from gateway.commands.surveyor.table_file import CAUTIONS, FileError, add_tank, chosen_tank, read_table, table_words
from gateway.commands.surveyor.table_plot import plot_svg
from gateway.commands.surveyor.table_shape import add_shape, shape_of
from gateway.display import printable
from gateway.errors import SettingsError, UsageError
from gateway.settings.tanks.plans import TankSetup
from gateway.settings.tanks.shape_models import VesselKind
from gateway.settings.tanks.table_sense import form_of

__all__ = ["Findings", "add_arguments", "execute", "findings"]

_SHOWN = 10
_EPILOG = """A capacity table is a CSV file in UTF-8 that says of itself what its numbers are. It begins with these
lines, of which date, reference temperature, liquid head, roof and heel may say `not stated`:

  # name: TK-7, strapping of 2024
  # level: mm                              unit of the levels; ft-in for 31'7-5/16"
  # volume: m3                             unit of the volumes
  # datum: datum plate                     what level zero is, in words
  # date: 2024-05-14                       of the calibration
  # reference temperature: 15 degC         of the shell for which the volumes hold
  # liquid head: not included              or: included at 838 kg/m3
  # roof: not included                     or: included at 742 kg/m3
  # heel: none                             or: 4.2 m3, included; or: 4.2 m3, not included
  level,volume
  0,0
  10,2.54

and where there is need with one of these:

  # ullage from: 15.240 m                  the levels are ullages below a point so high above the datum
  # reference height: 15.240 m             that point of a table by innage, compared with the site file
  # decimal mark: comma                    dots are then marks of thousands; columns apart by semicolons
  # datum shift: 62 mm, zero of the gauge higher      or lower, than that of the table
  # notes: anything

Beside level and volume a column named note may stand. `table make --out` writes such a file to begin from."""
_CRITICAL_ZONE_STEP_M = 0.010


class Findings(NamedTuple):
    """`refused` must be put right; `odd` is for a person to judge; `remarks` say what was compared."""

    refused: tuple[str, ...]
    odd: tuple[str, ...]
    remarks: tuple[str, ...]
    slips: tuple[Slip, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
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
    form = form_of(None if arguments.kind is None else VesselKind(arguments.kind))
    found = findings(table, setup, shape, form)
    if arguments.plot is not None:
        compared = shape if setup is None else _shape_of_tank(setup)
        _write_plot(Path(arguments.plot), plot_svg(table, compared, found.slips))
    if arguments.json:
        write_json(
            {
                "well": not found.refused,
                "mistakes": list(found.refused),
                "warnings": list(found.odd),
                "remarks": list(found.remarks),
                "slips": [{**slip._asdict(), "kind": slip.kind.value} for slip in found.slips],
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


def findings(
    table: CapacityTable, setup: TankSetup | None, shape: Capacity | None = None, form: Form = Form.UPRIGHT
) -> Findings:
    """Everything found in `table`, against the tank or the shape where one is given; `form` is that of the shape."""
    refused: list[str] = []
    odd: list[str] = []
    remarks: list[str] = []
    if setup is not None:
        plan = setup.plan
        for end in ends_against_limits(table, plan.limits, plan.reference_height_m):
            (refused if end.refuse else odd).append(end.text)
        _against_roof(table, plan, odd)
        shape, form = _shape_of_tank(setup), form_of(setup.kind)
        if shape is None:
            text = f"{plan.tank} goes by a capacity table and has no `compare_with`"
            remarks.append(f"{text}, so there are no dimensions to compare with")
    elif table.reference_height_m is not None and table.top_m > table.reference_height_m:
        highest, point = f"{table.top_m:.3f} m", f"{table.reference_height_m:.3f} m"
        odd.append(f"the highest row, {highest}, lies above the point that ullage is measured from, {point}")
    doubt = size_in_doubt(table, form)
    if doubt is not None:
        odd.append(doubt)
    slips = find_slips(table, shape)
    odd += [slip.text for slip in slips]
    if shape is not None:
        _against_shape(table, shape, odd, remarks)
    if setup is None and shape is None:
        remarks.append("not compared with any tank: give --site and --tank, or --kind with dimensions")
    return Findings(tuple(refused), tuple(odd), tuple(remarks), slips)


def _shape_of_tank(setup: TankSetup) -> Capacity | None:
    return setup.dimensions if isinstance(setup.plan.capacity, CapacityTable) else setup.plan.capacity


def _against_shape(table: CapacityTable, shape: Capacity, odd: list[str], remarks: list[str]) -> None:
    found = against_shape(table, shape)
    odd += [apart.text for apart in found.beyond]
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
