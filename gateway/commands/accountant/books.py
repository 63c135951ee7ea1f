"""Whose books are meant: those of the file that was typed, or of the gateway that runs here."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import time
from pathlib import Path
from sqlite3 import Connection
from zoneinfo import ZoneInfo

from gateway.account.day import DAY
from gateway.account.plan import AccountPlan
from gateway.commands.service.ledger_file import looked_at, meant
from gateway.commands.which_gateway import chosen_gateway
from gateway.ledger.account_papers import newest_day
from gateway.ledger.reading_file import site_of
from gateway.report_books.books import Books, lacking, read_paper, scales_of
from gateway.reports.plan import ReportPlan
from gateway.settings.site import SiteSettings

__all__ = ["opened_books"]


@contextmanager
def opened_books(typed: str | None, site: str | None, progress: Callable[[str], None]) -> Iterator[Books]:
    """Of the site or ledger file that was typed, else of the gateway that runs on this machine.

    Raises UsageError, SettingsError, GatewayError.
    """
    path, settings = meant(typed) if typed is not None else _running(site)
    with looked_at(path) as connection:
        yield Books(
            path,
            connection,
            site_of(connection),
            _plan_by(connection) if settings is None else settings.account,
            ReportPlan() if settings is None else settings.reports,
            _is_simulated(connection, settings),
            {} if settings is None else scales_of(settings.tanks),
            progress,
        )


def _running(site: str | None) -> tuple[Path, SiteSettings | None]:
    found = chosen_gateway(site, None, "say which by --site, or give its site file")
    running = found.running
    if running.site_file is not None:
        return meant(running.site_file)
    if running.ledger is None:
        raise lacking(f"the gateway of site {running.site} keeps no ledger", "without one there are no accounts")
    return Path(running.ledger), None


def _plan_by(connection: Connection) -> AccountPlan:
    """Of a ledger alone: by the clock of the newest day that is closed; where none is, days are those of UTC."""
    paper = newest_day(connection)
    if paper is None:
        return AccountPlan(ZoneInfo("UTC"), "UTC", time(0, 0))
    close = read_paper(DAY, paper)
    zone = ZoneInfo(close.time_zone or "UTC")
    return AccountPlan(zone, close.time_zone or "UTC", close.end.astimezone(zone).time())


def _is_simulated(connection: Connection, settings: SiteSettings | None) -> bool:
    newest = newest_day(connection)
    return settings.simulated if settings is not None else newest is not None and read_paper(DAY, newest).simulated
