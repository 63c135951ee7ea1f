"""Every report that can be typed for: those of a ledger, and two of what stands beside it."""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from gateway.actions.entry import MAINTENANCE, QUANTITIES
from gateway.commands.operator.door_client import asked
from gateway.commands.which_gateway import chosen_gateway
from gateway.errors import GatewayError
from gateway.report_books.books import Books
from gateway.report_books.kinds import KINDS as OF_LEDGER
from gateway.report_books.kinds import OF_SPAN, ReportKind, Wanted, span_wanted
from gateway.reports.report import Report
from gateway.reports.tables.dip_checks import DIP_CHECK_SCHEMA, dip_report
from gateway.reports.tables.overrides import overrides_report

__all__ = ["KINDS"]


def _overrides(books: Books, wanted: Wanted) -> Report:
    """Of now: the gateway itself says what holds."""
    found = chosen_gateway(wanted.site or books.site, None, "say which by --site")
    answer = asked(found, {"action": "list"})
    names = {**QUANTITIES, MAINTENANCE: MAINTENANCE}
    return overrides_report(books.site, answer, books.account.zone, names, simulated=books.simulated)


def _dips(books: Books, wanted: Wanted) -> Report:
    begin, end = span = span_wanted(books, wanted)
    documents = []
    for path in sorted(Path(wanted.folder).glob("dip-check-*.json")):
        document = _json(path)
        if document.get("schema") == DIP_CHECK_SCHEMA and begin <= _time_of(document, path) < end:
            documents.append(document)
    try:
        return dip_report(books.site, documents, span, books.account.zone, books.reports, simulated=books.simulated)
    except (KeyError, TypeError, ValueError) as error:
        raise GatewayError(f"a record in {wanted.folder} is not as `dip-check` writes it: {error}") from error


def _json(path: Path) -> Mapping[str, Any]:
    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise GatewayError(f"{path} cannot be read: {error}") from error
    return document if isinstance(document, dict) else {}


def _time_of(document: Mapping[str, Any], path: Path) -> datetime:
    try:
        return datetime.fromisoformat(document["time"])
    except (KeyError, TypeError, ValueError) as error:
        raise GatewayError(f"{path} does not say when it was made") from error


_BESIDE = {
    "overrides": ReportKind("what stands in for a measurement, is in maintenance or hidden, now", (), _overrides),
    "dips": ReportKind("gauges against hand dips: the records of dip-check in --folder", (*OF_SPAN, "folder"), _dips),
}
_LAST = "changes"
KINDS: Mapping[str, ReportKind] = {
    **{name: kind for name, kind in OF_LEDGER.items() if name != _LAST},
    **_BESIDE,
    _LAST: OF_LEDGER[_LAST],
}
"""In the order in which they are listed."""
