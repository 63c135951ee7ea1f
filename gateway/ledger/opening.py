"""Which file is the ledger's, and that a damaged one is set aside and another begun."""

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import structlog

from gateway.clock import Clock
from gateway.errors import LedgerError
from gateway.ledger.boots import file_set_aside
from gateway.ledger.hold import Hold
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.store import is_damage, open_store, set_aside
from gateway.ledger.writer import Opened, Opening
from gateway.process.memory_file import DIRECTORY_VARIABLE, state_directory

__all__ = ["ledger_path", "opening_of"]

LEDGER_SET_ASIDE = "ledger.set_aside"

_FORBIDDEN = str.maketrans(dict.fromkeys("/\0", "_"))


def ledger_path(plan: LedgerPlan, site: str) -> Path:
    """Raises LedgerError where there is no place for it."""
    if plan.file is not None:
        return plan.file
    directory = state_directory()
    if directory is None:
        raise LedgerError(
            "there is no folder for the ledger",
            f"name a file in the site file, or set {DIRECTORY_VARIABLE} to a folder; systemd gives one",
        )
    return directory / f"{site.translate(_FORBIDDEN)}.ledger"


def opening_of(path: Path, site: str, clock: Clock, hold: Hold) -> Opening:
    """How the writer opens its file, each time that it has to: never one that another process writes to."""

    def anew(is_damaged: bool) -> Opened:
        if not is_damaged:
            try:
                return Opened(open_store(path, site, clock.utc_ns()))
            except sqlite3.Error as error:
                if not is_damage(error):
                    raise
                trouble = str(error)
        else:
            trouble = "it was found to be damaged while it was written to"
        now_ns = clock.utc_ns()
        other = set_aside(path, f"{datetime.fromtimestamp(now_ns / 1e9, UTC):%Y%m%dT%H%M%SZ}")
        structlog.get_logger("gateway.ledger").error(
            LEDGER_SET_ASIDE,
            file=str(path),
            kept_as=str(other),
            trouble=trouble,
            hint="history begins anew; what was not delivered yet is in the file that was set aside",
        )
        return Opened(open_store(path, site, clock.utc_ns()), (file_set_aside(other.name, now_ns),))

    def opened(is_damaged: bool) -> Opened:
        hold.take()
        try:
            return anew(is_damaged)
        except BaseException:
            hold.release()
            raise

    return opened
