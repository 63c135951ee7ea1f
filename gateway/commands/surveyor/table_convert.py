"""`table convert`: the same table in other units, its levels and volumes unmoved unless new rows are asked for."""

import argparse
from dataclasses import replace
from pathlib import Path

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import preview_import
from gateway.calculation.tables.making import table_from_shape
from gateway.commands.output import write
from gateway.commands.surveyor.table_file import CAUTIONS, read_table, table_words, write_new
from gateway.commands.surveyor.table_make import add_units, table_text
from gateway.commands.surveyor.table_shape import quantity
from gateway.display import printable
from gateway.errors import UsageError
from gateway.units.quantity import Dimension

__all__ = ["add_arguments", "execute"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="capacity table (CSV)")
    parser.add_argument(
        "--step", metavar="LENGTH", help="make new rows this far apart, by linear interpolation; for example `1/4 in`"
    )
    add_units(parser, "--length", "--volume")


def execute(arguments: argparse.Namespace) -> int:
    old = read_table(arguments.file)
    table = old if arguments.step is None else _new_rows(old, arguments.step)
    # The reader has added any heel and datum shift and turned ullage round; who reads the file must not do so again.
    remark = f"converted from {Path(arguments.file).name}: innage, any datum shift and heel of that file included"
    table = replace(table, notes="; ".join(part for part in (old.notes, remark) if part))
    write_new(arguments.out, table_text(table, arguments))
    write(f"wrote {printable(arguments.out)}", table_words(table))
    if arguments.step is not None:
        largest = preview_import(old, table, count=1).largest
        if largest:
            worst = largest[0]
            write(f"largest difference by the new rows: {worst.difference_m3:+.4g} m3 at {worst.level_m:.4f} m")
        else:
            write("the new rows differ nowhere")
    write("", f"Caution: {CAUTIONS[0]}")
    return 0


def _new_rows(old: CapacityTable, step: str) -> CapacityTable:
    step_m = quantity("step", step, Dimension.LENGTH)
    if not step_m > 0.0:
        raise UsageError(f"--step: '{step}' is no step; give a length above zero", None)
    made = table_from_shape(old, old.name, step_m)
    return replace(old, levels_m=made.levels_m, volumes_m3=made.volumes_m3)
