"""Which reports there are, and of what each is made."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import NamedTuple

from gateway.errors import UsageError
from gateway.history import KeptEvent
from gateway.ledger.audit import audit_rows, first_broken
from gateway.ledger.blocks import EVENT
from gateway.ledger.span import entries_of_span
from gateway.report_books.books import Books
from gateway.reports.report import Report
from gateway.reports.tables.alarm_list import alarm_list
from gateway.reports.tables.changes import changes_report
from gateway.reports.tables.reconciliation import day_report, month_report
from gateway.reports.tables.stock import stock_of_day
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report

__all__ = ["KINDS", "OF_SPAN", "ReportKind", "Wanted", "span_wanted"]


class Wanted(NamedTuple):
    """What was typed beside the kind."""

    day: str | None = None
    month: str | None = None
    revision: int | None = None
    ticket: int | None = None
    folder: str = "."
    site: str | None = None


class ReportKind(NamedTuple):
    summary: str
    of: tuple[str, ...]
    """Options that say of what it is; no other of `day`, `month`, `revision`, `ticket`, `folder` may be given."""
    make: Callable[[Books, Wanted], Report]


def _stock(books: Books, wanted: Wanted) -> Report:
    day = books.day(wanted.day, wanted.revision)
    return stock_of_day(books.site, day, books.account.zone, books.reports, scales=books.scales)


def _reconciliation(books: Books, wanted: Wanted) -> Report:
    zone = books.account.zone
    if wanted.month is not None:
        days = books.month(wanted.month)
        return month_report(books.site, wanted.month, days, zone, books.reports)
    day = books.day(wanted.day, wanted.revision)
    return day_report(books.site, day, zone, books.reports, books.amounts(day.begin, day.end))


def _ticket(books: Books, wanted: Wanted) -> Report:
    if wanted.ticket is None:
        raise UsageError("report ticket: no --ticket was given", "`tank-gateway report tickets` lists their numbers")
    return ticket_report(books.site, books.ticket(wanted.ticket), books.account.zone, books.reports, books.scales)


def _tickets(books: Books, wanted: Wanted) -> Report:
    span = span_wanted(books, wanted)
    tickets = books.tickets(*span)
    return ticket_list(books.site, tickets, span, books.account.zone, books.reports, simulated=books.simulated)


def _alarms(books: Books, wanted: Wanted) -> Report:
    begin, end = span = span_wanted(books, wanted)
    entries = entries_of_span(books.connection, EVENT, _ns(begin), _ns(end))
    events = [(each.identity.tank, each.event) for each in entries if isinstance(each, KeptEvent)]
    return alarm_list(books.site, events, span, books.account.zone, simulated=books.simulated)


def _changes(books: Books, wanted: Wanted) -> Report:
    begin, end = span = span_wanted(books, wanted)
    rows = list(audit_rows(books.connection))
    broken = first_broken(rows)
    told = [row for row in rows if _ns(begin) <= row.instant_ns < _ns(end)]
    return changes_report(
        books.site,
        told,
        span,
        books.account.zone,
        broken="" if broken is None else f"row {broken.number}: {broken.trouble}",
        newest_hash=rows[-1].hash if rows else None,
        simulated=books.simulated,
    )


def span_wanted(books: Books, wanted: Wanted) -> tuple[datetime, datetime]:
    """Of a day or month, closed or not; without either of the newest day that is closed."""
    if wanted.month is not None:
        return books.span_of_month(wanted.month)
    if wanted.day is None or wanted.day == "last":
        day = books.day(None)
        return day.begin, day.end
    found = books.span_of_day(wanted.day)
    return found.begin, found.end


def _ns(instant: datetime) -> int:
    return round(instant.timestamp() * 1e9)


OF_SPAN = ("day", "month")
KINDS: Mapping[str, ReportKind] = {
    "stock": ReportKind("what was in every tank when a day was closed", ("day", "revision"), _stock),
    "reconciliation": ReportKind(
        "book against the tanks, gain and loss: of a day, or of a month with --month",
        ("day", "month", "revision"),
        _reconciliation,
    ),
    "ticket": ReportKind("one ticket, to be signed", ("ticket",), _ticket),
    "tickets": ReportKind("every ticket of a day or month on a line, with sums", OF_SPAN, _tickets),
    "alarms": ReportKind("every alarm of a day or month: raised, acknowledged, over", OF_SPAN, _alarms),
    "changes": ReportKind("who changed what in a day or month, and why: the audit trail", OF_SPAN, _changes),
}
