"""`table make`: a capacity table from a tank's dimensions, with everything it rests on in its header."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.making import FineZone, table_from_shape
from gateway.commands.output import write
from gateway.commands.surveyor.table_file import CAUTIONS, table_words, write_new
from gateway.commands.surveyor.table_shape import add_shape, quantity, shape_of
from gateway.display import printable
from gateway.errors import QuantityError, UsageError
from gateway.settings.capacity.marks import DecimalMark
from gateway.settings.capacity.text import capacity_csv
from gateway.units.quantity import Dimension

__all__ = ["add_arguments", "add_units", "execute", "table_text"]

_EPILOG = """Example: tank-gateway table make --kind upright_cylinder --diameter "18.000 m" --height "14.600 m"
  --step "10 mm" --fine "0.8 m..1.2 m" "1 mm" --name "TK-1, from drawings" --temperature "15 degC" --out tk-1.csv
One diameter holds for the whole shell: where its courses were strapped, take the table of that calibration."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_shape(parser, required=True)
    rows = parser.add_argument_group("rows")
    rows.add_argument("--step", metavar="LENGTH", required=True, help="between rows")
    rows.add_argument(
        "--fine",
        nargs=2,
        action="append",
        metavar=("FROM..TO", "STEP"),
        help='a zone of closer rows, for example "0.8 m..1.2 m" "1 mm"; may be repeated',
    )
    header = parser.add_argument_group("header")
    header.add_argument("--name", metavar="TEXT", help="default: that of the file")
    header.add_argument(
        "--datum", metavar="TEXT", help="what level zero is; default: lowest inside point, or --datum-height"
    )
    header.add_argument("--date", metavar="YYYY-MM-DD", help="of the dimensions; default: today (UTC)")
    header.add_argument("--temperature", metavar="QUANTITY", help="of the shell, for which the dimensions hold")
    add_units(parser, "--level-unit", "--volume-unit")


def add_units(parser: argparse.ArgumentParser, level: str, volume: str) -> None:
    """How and where a table is written; `level` and `volume` are the names of the options for its units."""
    written = parser.add_argument_group("file")
    written.add_argument(
        level, dest="level_unit", metavar="UNIT", default="m", help="of the levels; also `ft-in`; default m"
    )
    written.add_argument(volume, dest="volume_unit", metavar="UNIT", default="m3", help="of the volumes; default m3")
    written.add_argument("--decimal-comma", action="store_true", help="decimal commas, columns apart by semicolons")
    written.add_argument("--out", metavar="FILE", required=True, help="CSV to write; it must not exist yet")


def execute(arguments: argparse.Namespace) -> int:
    shape = shape_of(arguments)
    assert shape is not None, "--kind is required"
    step_m = quantity("step", arguments.step, Dimension.LENGTH)
    if not step_m > 0.0:
        raise UsageError(f"--step: '{arguments.step}' is no step; give a length above zero", None)
    zones = [_zone(each) for each in arguments.fine or ()]
    made = table_from_shape(shape, _line("name", arguments.name or Path(arguments.out).stem), step_m, zones)
    table = replace(
        made,
        datum=_line("datum", arguments.datum or _datum(arguments)),
        date=_date(arguments.date),
        temperature_c=None
        if arguments.temperature is None
        else quantity("temperature", arguments.temperature, Dimension.TEMPERATURE),
    )
    write_new(arguments.out, table_text(table, arguments))
    write(
        f"wrote {printable(arguments.out)}",
        table_words(table),
        printable(f"{table.notes}; liquid head not included, no floating roof deducted"),
        "",
        *(f"Caution: {caution}" for caution in CAUTIONS),
    )
    return 0


def table_text(table: CapacityTable, arguments: argparse.Namespace) -> str:
    """The file as `add_units` asked for it."""
    mark = DecimalMark.COMMA if arguments.decimal_comma else DecimalMark.DOT
    try:
        return capacity_csv(table, arguments.level_unit, arguments.volume_unit, mark)
    except QuantityError as error:
        raise UsageError(str(error), error.hint) from error


def _zone(texts: Sequence[str]) -> FineZone:
    zone, step = texts
    low, dots, high = zone.partition("..")
    if not dots:
        raise UsageError(f"--fine: '{zone}' is no zone", 'write two levels, for example --fine "0.8 m..1.2 m" "1 mm"')
    levels = [quantity("fine", text.strip(), Dimension.LENGTH) for text in (low, high)]
    step_m = quantity("fine", step, Dimension.LENGTH)
    if not (levels[0] < levels[1] and step_m > 0.0):
        raise UsageError(
            f"--fine: '{zone}' by '{step}' is no zone", "the second level must be the higher, the step above 0"
        )
    return FineZone(levels[0], levels[1], step_m)


def _line(option: str, text: str) -> str:
    """A text that fits on one line of the header."""
    clean = " ".join(text.split())
    if not clean or not clean.isprintable():
        raise UsageError(f"--{option}: {text!r} is no text for a header", "write a few plain words")
    return clean


def _datum(arguments: argparse.Namespace) -> str:
    # Where a vessel rises along its length levels count from the bottom below the gauge, not from its low end.
    lowest = "lowest inside point" if arguments.slope is None else "lowest inside point below the gauge"
    if arguments.datum_height is None:
        return lowest
    return f"{arguments.datum_height} above the {lowest}"


def _date(text: str | None) -> date:
    if text is None:
        return datetime.now(UTC).date()
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"--date: '{text}' is not a date", "write it as YYYY-MM-DD") from error
