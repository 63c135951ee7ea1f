"""One report of each kind, of an invented site, and the three forms of it."""

import io
from collections.abc import Mapping
from datetime import timedelta
from typing import Any, NamedTuple

from gateway.account.amount import Amount, AmountKind, AmountSource
from gateway.reports.csv_form import write_csv
from gateway.reports.paper.pdf_form import write_pdf
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Report
from gateway.reports.tables.alarm_list import alarm_list
from gateway.reports.tables.changes import changes_report
from gateway.reports.tables.dip_checks import dip_report
from gateway.reports.tables.overrides import overrides_report
from gateway.reports.tables.reconciliation import day_report, month_report
from gateway.reports.tables.stock import stock_of_day, stock_report
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report
from gateway.reports.xlsx_form import write_xlsx
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from tests.reports.kept import CLOSE, LONDON, MARKS, PLAN, SCALES, day, stock, ticket

__all__ = ["ANSWER", "DIP_CHECK", "SPAN", "AuditLine", "as_bytes", "every_report"]

SITE = "brackenmoor"
SPAN = (CLOSE - timedelta(days=1), CLOSE)


class AuditLine(NamedTuple):
    """As a row of the ledger's audit trail."""

    number: int
    instant_ns: int
    body: str
    hash: bytes


DIP_CHECK: Mapping[str, Any] = {
    "schema": "tank-gateway/dip-check/1",
    "site": SITE,
    "simulated": False,
    "tank": "TK-101",
    "time": "2026-06-30T09:00:00.000Z",
    "by": "a.smith",
    "witness": "b.jones",
    "tape": "T-14",
    "dips": [9.412, 9.413, 9.411],
    "gauge": [{"level": 9.4135, "raw": [0x0001, 0x6FBF]}],
    "tolerance": {"name": "fine", "metres": 0.004},
    "mean_dip": 9.412,
    "dip_spread": 0.002,
    "mean_gauge": 9.4135,
    "difference": 0.0015,
    "verdict": "passed",
    "why": "the gauge reads +1.5 mm against the dips, within 4 mm",
    "proposed_offset_change": None,
}
AMOUNTS = (
    Amount(1, AmountKind.DISPATCH, AmountSource.RACK, "diesel", 32.04, "gsv", CLOSE, CLOSE, "a.smith", "BL-17", 17),
    Amount(2, AmountKind.RECEIPT, AmountSource.SHIP, "lpg", 20_000.0, "mass", CLOSE, CLOSE, "a.smith", "S-4"),
)
ANSWER: Mapping[str, Any] = {
    "schema": "tank-gateway/entries/1",
    "time": "2026-07-01T05:00:00+00:00",
    "entries": [
        {
            "about": "TK-103",
            "quantity": "temperature",
            "what": "entered",
            "block": {"value": "39.0 degC", "entered": "2026-06-30T18:00:00+00:00"},
            "by": "c.brown",
            "at": "2026-06-30T18:00:00+00:00",
            "why": "elements are out",
            "ends": "2026-07-01T18:00:00+00:00",
            "used": True,
            "stands_in": True,
            "other": "",
            "trouble": "",
        },
        {
            "about": "LT-102",
            "quantity": "maintenance",
            "what": "entered",
            "block": {"expires": "2026-07-01T12:00:00+00:00"},
            "by": "d.green",
            "at": "2026-07-01T04:00:00+00:00",
            "why": "new wire",
            "ends": "2026-07-01T12:00:00+00:00",
            "used": True,
            "stands_in": False,
            "other": "",
            "trouble": "",
        },
    ],
    "alarms": [
        {
            "tank": "TK-102",
            "name": "level_lost",
            "phase": "shelved",
            "since": "2026-07-01T04:05:00+00:00",
            "by": "d.green",
            "until": "2026-07-01T08:05:00+00:00",
            "why": "is being worked on",
        },
        {
            "tank": "TK-204",
            "name": "high_high",
            "phase": "unacknowledged",
            "since": "2026-07-01T04:55:00+00:00",
            "by": None,
            "until": None,
            "why": "",
        },
    ],
}


def alarm_events() -> list[tuple[str, Event]]:
    standing = AlarmStanding(
        "high_high", AlarmKind.HIGH_HIGH, AlarmPhase.UNACKNOWLEDGED, Priority.NOW, True, SPAN[0], SPAN[0]
    )
    begin = SPAN[0] + timedelta(hours=2)
    happened = (
        (EventKind.ALARM_RAISED, 0, None),
        (EventKind.ALARM_ACKNOWLEDGED, 95, "a.smith"),
        (EventKind.ALARM_RETURNED, 600, None),
        (EventKind.ALARM_RAISED, 900, None),
        (EventKind.ALARM_SHELVED, 960, "a.smith"),
    )
    return [
        ("TK-204", Event(kind, begin + timedelta(seconds=after), "high_high", None, by, standing))
        for kind, after, by in happened
    ]


def audit_lines() -> list[AuditLine]:
    begin_ns = int(SPAN[0].timestamp()) * 1_000_000_000
    body = (
        '{"schema":"tank-gateway/audit/1","by":"c.brown","asked":{"action":"enter","tank":"TK-103"},'
        '"why":"elements are out","before":[null],"after":[{"what":"entered","block":{"value":"39.0 degC"}}]}'
    )
    return [AuditLine(1, begin_ns, body, bytes(32)), AuditLine(2, begin_ns + 5, "not ours", bytes(range(32)))]


def every_report(plan: ReportPlan = PLAN) -> dict[str, Report]:
    names = {"temperature": "temperature by hand"}
    return {
        "stock": stock_report(stock(), plan),
        "closing stock": stock_of_day(SITE, day(), LONDON, plan, scales=SCALES),
        "day": day_report(SITE, day(revision=2), LONDON, plan, AMOUNTS),
        "month": month_report(SITE, "2026-06", [day("2026-06-29"), day()], LONDON, plan),
        "ticket": ticket_report(SITE, ticket(marks=MARKS), LONDON, plan, SCALES),
        "tickets": ticket_list(SITE, [ticket(), ticket(18, reverses=17)], SPAN, LONDON, plan),
        "alarms": alarm_list(SITE, alarm_events(), SPAN, LONDON),
        "overrides": overrides_report(SITE, ANSWER, LONDON, names),
        "dips": dip_report(SITE, [DIP_CHECK], SPAN, LONDON, plan),
        "changes": changes_report(SITE, audit_lines(), SPAN, LONDON, newest_hash=bytes(range(32))),
    }


def as_bytes(report: Report, plan: ReportPlan = PLAN) -> dict[str, bytes]:
    """By form."""
    forms = {name: io.BytesIO() for name in ("csv", "xlsx", "pdf")}
    write_csv(report, forms["csv"])
    write_xlsx(report, forms["xlsx"])
    write_pdf(report, plan, forms["pdf"])
    return {name: stream.getvalue() for name, stream in forms.items()}


def digests() -> str:
    """Of everything, for another process to compare with."""
    import hashlib

    lines = [
        f"{name} {form} {hashlib.sha256(data).hexdigest()}"
        for name, report in every_report().items()
        for form, data in as_bytes(report).items()
    ]
    return "\n".join(lines)
