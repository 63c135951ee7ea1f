"""What the actions of `table` share: reading and writing table files, their cautions, the tank of a site file."""

import argparse
from pathlib import Path

from gateway import files
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.cautions import TABLES
from gateway.commands.service.site_argument import load, tank_of
from gateway.display import printable
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.settings.capacity.table_file import read_capacity_csv, read_capacity_text
from gateway.settings.tanks.plans import TankSetup

__all__ = ["CAUTIONS", "FileError", "add_tank", "chosen_tank", "read_table", "table_words", "write_new"]

CAUTIONS = (
    TABLES,
    "A table calculated from dimensions, or checked here, is no calibration: plates, tilt, bottom and head differ.",
    "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).",
)


class FileError(GatewayError):
    """A file could not be written. Retrying helps once the cause is gone."""

    def __init__(self, path: Path, cause: str) -> None:
        self.path = path
        super().__init__(f"{path} cannot be written: {cause}")


def add_tank(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument("--site", metavar="SITE", help=f"site file (YAML), or `demo`: {what}")
    parser.add_argument("--tank", metavar="TAG", help="tag of the tank in the site file")


def chosen_tank(arguments: argparse.Namespace) -> TankSetup | None:
    """The tank named by --site and --tank; None where neither was given."""
    if (arguments.site is None) != (arguments.tank is None):
        given, other = ("site", "tank") if arguments.tank is None else ("tank", "site")
        raise UsageError(f"--{given} was given without --{other}", "give both, or neither")
    return None if arguments.site is None else tank_of(load(arguments.site), arguments.tank)


def read_table(path: str) -> CapacityTable:
    """The table in the file `path`. Raises SettingsError with every mistake in it; UsageError where there is none."""
    trouble = files.trouble_with(Path(path))
    if trouble is not None:
        text = f"there is no file '{path}'" if trouble.missing else str(trouble)
        raise UsageError(text, "give the path of a capacity table (CSV)")
    return read_capacity_csv(Path(path))


def write_new(path: str, text: str) -> None:
    """Write a table file that must not exist yet: one that a site relies on is never replaced in its place.

    Raises UsageError where it does exist or would be refused when read, FileError where it cannot be written.
    """
    try:
        read_capacity_text(text, Path(path))
    except SettingsError as error:
        raise UsageError("--out: these rows would be refused as a table", error.mistakes[0]) from error
    try:
        files.write_new(Path(path), text)
    except FileExistsError as error:
        raise UsageError(
            f"--out: '{path}' exists already", "choose a new name; no table is replaced in place"
        ) from error
    except OSError as error:
        raise FileError(Path(path), error.strerror or str(error)) from error


def table_words(table: CapacityTable) -> str:
    """A table in a few words: name, date, rows, range."""
    dated = "no date stated" if table.date is None else f"of {table.date.isoformat()}"
    top_m3 = table.volumes_m3[-1]
    return printable(
        f"{table.name}, {dated}: {len(table.levels_m):,} rows, {table.bottom_m:.3f} m to {table.top_m:.3f} m, "
        f"{table.volumes_m3[0]:.3f} m3 to {top_m3:.3f} m3"
    )
