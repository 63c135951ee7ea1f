"""A site file that nobody has put on the disk yet, checked by what `tank-gateway check` checks with. Blocks."""

import os
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import SettingsError
from gateway.files import UnreadableError, text_of
from gateway.resources import config_folder
from gateway.settings import SiteSettings, TankSetup, load_site
from gateway.settings.reading.source_files import SourceFile, SourceFiles, sha256_of

__all__ = [
    "_MOST_MISTAKES",
    "Candidate",
    "Checked",
    "Findings",
    "Looks",
    "_at_most",
    "check",
    "table_name_trouble",
]

_MOST_MISTAKES = 1000
"""That are told of one text."""
_TABLE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,95}\.csv")


class Candidate(NamedTuple):
    """What somebody has written, and the new tables that are to lie beside it, by the names of their files."""

    text: str
    tables: Mapping[str, str]

    @property
    def sha256(self) -> str:
        return sha256_of(self.text.encode())


class Findings(NamedTuple):
    """Of a capacity table, as `table check` has them."""

    mistakes: tuple[str, ...]
    warnings: tuple[str, ...]
    remarks: tuple[str, ...]


class Looks(NamedTuple):
    """What the commands look at beside what a site file must be."""

    site: Callable[[str, SiteSettings], tuple[Sequence[str], Sequence[str]]]
    """Warnings and remarks of `check`."""
    table: Callable[[CapacityTable, TankSetup | None], Findings]
    """Of `table check`."""


class Checked(NamedTuple):
    settings: SiteSettings | None
    """None where there are mistakes."""
    mistakes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    beside: Mapping[str, str] = {}
    """SHA-256 by path of each other file that was read from the disk."""


def check(file: Path, candidate: Candidate, known: Sequence[SourceFile], now: datetime, looks: Looks) -> Checked:
    """`known`: what the site is read from now. A text that somebody has sent leads to no other folder of this machine
    than those, that of the site file, and the program's own."""
    given = {file: candidate.text, **{file.parent / name: text for name, text in candidate.tables.items()}}
    folders = {Path(os.path.realpath(each)) for each in (file.parent, config_folder())}
    folders |= {Path(os.path.realpath(each.path)).parent for each in known}
    files = SourceFiles(given, lambda path: any(path.is_relative_to(folder) for folder in folders))
    try:
        # As of a file: what has a NUL in it is refused in the same words.
        text_of(file, candidate.text.encode())
        settings = load_site(file, now=now, files=files)
    except UnreadableError as error:
        return Checked(None, (str(error),))
    except SettingsError as error:
        return Checked(None, _at_most(error.mistakes))
    warnings, remarks = looks.site(str(file), settings)
    own, read = {os.path.realpath(path) for path in given}, {os.path.realpath(each.path) for each in files.read}
    beside = {str(each.path): each.sha256 for each in files.read if os.path.realpath(each.path) not in own}
    unused = [name for name in candidate.tables if os.path.realpath(file.parent / name) not in read]
    mistakes = tuple(f"{file.parent / name}: no tank goes by this table; name it in the site file" for name in unused)
    return Checked(None if mistakes else settings, mistakes, tuple(warnings), tuple(remarks), beside)


def _at_most(mistakes: tuple[str, ...]) -> tuple[str, ...]:
    """A file of another kind has a mistake in each line: as a document they would hold up polling, and any browser."""
    left = len(mistakes) - _MOST_MISTAKES
    return mistakes if left <= 0 else (*mistakes[:_MOST_MISTAKES], f"and {left} further mistakes: mend these first")


def table_name_trouble(name: str) -> str:
    """Why a new table cannot be called so; empty: it can."""
    if _TABLE_NAME.fullmatch(name):
        return ""
    shown = "".join(each if each.isprintable() else "?" for each in name[:80])
    return (
        f"'{shown}' cannot be the name of a new table; write letters, digits, points, dashes and underscores, and .csv "
        "at the end, such as tk-101-2026.csv"
    )
