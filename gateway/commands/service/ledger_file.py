"""What the actions of `ledger` share: which file is meant, times as they are typed, and what is told of it."""

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from sqlite3 import Connection

from gateway.commands.service.site_argument import load
from gateway.errors import LedgerError, UsageError
from gateway.files import UnreadableError, trouble_with
from gateway.ledger.opening import ledger_path
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.reading_file import is_data_base, opened
from gateway.payload.plain import iso_time
from gateway.process.memory_file import file_name
from gateway.settings.site import SiteSettings

__all__ = ["add_file", "file_of", "looked_at", "meant", "place_of", "time_of", "time_text"]

_INSTALLED = Path("/var/lib/tank-gateway")
"""The state directory that the unit gives to an installed gateway."""
_WHICH = "give the ledger's file, or the site file"


def add_file(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="the ledger's file, or the site file that says where it is")


def file_of(typed: str) -> Path:
    """The file that is meant. Raises UsageError where there is none, SettingsError where a site file is wrong."""
    return meant(typed)[0]


def meant(typed: str) -> tuple[Path, SiteSettings | None]:
    """The file, and the site whose file led to it, where one did. Raises as `file_of` does."""
    path = Path(typed)
    trouble = trouble_with(path)
    try:
        if trouble is None and is_data_base(path):
            return path, None
    except UnreadableError as error:
        raise UsageError(str(error), _WHICH) from error
    if trouble is not None and trouble.missing and typed != "demo":
        raise UsageError(f"there is no file '{typed}'", _WHICH)
    settings = load(typed)
    if settings.ledger is None:
        raise UsageError(f"site '{settings.name}' keeps no ledger: its site file says `enabled: no`", _WHICH)
    file = place_of(settings.ledger, settings.name)
    trouble = trouble_with(file)
    if trouble is not None:
        missing = f"site '{settings.name}' has no ledger at {file} yet"
        raise UsageError(missing if trouble.missing else str(trouble), _WHICH)
    return file, settings


@contextmanager
def looked_at(path: Path) -> Iterator[Connection]:
    """Its connection, by which nothing can change. Raises UsageError for what is no ledger or a newer one."""
    is_open = False
    try:
        with opened(path) as connection:
            is_open = True
            yield connection
    except LedgerError as error:
        if is_open:
            raise
        raise UsageError(str(error), error.hint) from error


def time_of(option: str, text: str | None) -> int | None:
    """UTC in ns. Raises UsageError for what is no time."""
    if text is None:
        return None
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        hint = "write for example 2026-03-01 or 2026-03-01T06:00; times are UTC unless they say another zone"
        raise UsageError(f"{option}: '{text}' is not a time", hint) from error
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return round(instant.timestamp() * 1e6) * 1000


def time_text(utc_ns: int | None) -> str | None:
    return None if utc_ns is None else iso_time(datetime.fromtimestamp(utc_ns / 1e9, UTC))


def place_of(plan: LedgerPlan, site: str) -> Path:
    """As the gateway has it; where this shell has no state directory, that of an installed gateway. Raises UsageError
    where there is none."""
    try:
        return ledger_path(plan, site)
    except LedgerError as error:
        if not _INSTALLED.is_dir():
            raise UsageError(str(error), _WHICH) from error
        return _INSTALLED / f"{file_name(site)}.ledger"
