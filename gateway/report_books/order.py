"""One report as it is ordered of another process: all that it is made by, and what comes of it."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from gateway.account.plan import AccountPlan
from gateway.actions.entry import MAINTENANCE, QUANTITIES
from gateway.errors import GatewayError, UsageError
from gateway.ledger.reading_thread import open_to_read
from gateway.report_books.books import Books
from gateway.report_books.forms import report_bytes, report_file_name
from gateway.report_books.kinds import KINDS, Wanted
from gateway.reports.plan import ReportPlan
from gateway.reports.tables.overrides import overrides_report
from gateway.reports.tables.scales import Scale

__all__ = ["OVERRIDES", "Order", "Refused", "Written", "carried_out"]

OVERRIDES = "overrides"
"""Is of what holds now, which the gateway says."""


@dataclass(frozen=True)
class Order:
    kind: str
    form: str
    wanted: Wanted
    ledger: Path
    site: str
    account: AccountPlan
    reports: ReportPlan
    simulated: bool
    scales: Mapping[str, Scale]
    in_force: Mapping[str, Any] | None = None
    """What holds now, as the door's `list`: of `OVERRIDES`."""


class Written(NamedTuple):
    file_name: str
    body: bytes


class Refused(NamedTuple):
    """There is no such report."""

    text: str
    hint: str
    is_asked_wrongly: bool


def carried_out(order: Order) -> Written | Refused:
    """Blocking. Raises sqlite3.Error where the ledger cannot be read."""
    connection = open_to_read(order.ledger)
    try:
        return _written(order, connection)
    except UsageError as error:
        # The words of an option that was typed.
        return Refused(str(error).replace("--", ""), (error.hint or "").replace("--", ""), True)
    except GatewayError as error:
        return Refused(str(error), error.hint or "", False)
    finally:
        connection.close()


def _written(order: Order, connection: sqlite3.Connection) -> Written:
    if order.kind == OVERRIDES and order.in_force is not None:
        names = {**QUANTITIES, MAINTENANCE: MAINTENANCE}
        report = overrides_report(order.site, order.in_force, order.account.zone, names, simulated=order.simulated)
    else:
        books = Books(
            order.ledger,
            connection,
            order.site,
            order.account,
            order.reports,
            order.simulated,
            order.scales,
            lambda text: None,
        )
        report = KINDS[order.kind].make(books, order.wanted)
    body = report_bytes(report, order.reports, order.form)
    return Written(report_file_name(report, order.wanted, order.form), body)
