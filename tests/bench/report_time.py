"""How long the reports of a month take: ten tanks of ten products, 31 days, ten tickets a day, a hundred alarms a day.

Each is made from what is kept and written in one form, whole, into memory. The ledger is not read here.
"""

import io
import statistics
import time
from collections.abc import Callable, Iterator
from datetime import timedelta

from gateway.account.day import DayClose
from gateway.reports.csv_form import write_csv
from gateway.reports.paper.pdf_form import write_pdf
from gateway.reports.report import Report
from gateway.reports.tables.alarm_list import alarm_list
from gateway.reports.tables.reconciliation import month_report
from gateway.reports.tables.stock import stock_of_day
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report
from gateway.reports.xlsx_form import write_xlsx
from gateway.tank_record import Event, EventKind
from tests.reports.kept import CLOSE, LONDON, MARKS, PLAN, SCALES, TK_101, at_close, balance, day, gauging, ticket

__all__ = ["measure"]

TANKS = DAYS_TICKETS = 10
DAYS = 31
ALARMS = 100
WANTED_S = 10.0
FORMS: dict[str, Callable[[Report, io.BytesIO], None]] = {
    "CSV": write_csv,
    "XLSX": write_xlsx,
    "PDF": lambda report, stream: write_pdf(report, PLAN, stream),
}


def measure(*, long: bool) -> dict[str, object]:
    days = [_day(number) for number in range(DAYS)]
    tickets = [ticket(number, marks=MARKS) for number in range(1, DAYS * DAYS_TICKETS + 1)]
    span = (days[0].begin, days[-1].end)
    events = [
        ("TK-1", Event(EventKind.ALARM_RAISED, span[0] + timedelta(minutes=14 * number), "minimum"))
        for number in range(DAYS * ALARMS)
    ]
    kinds: dict[str, Callable[[], Iterator[Report]]] = {
        "reconciliation of the month": lambda: iter([month_report("site", "2026-07", days, LONDON, PLAN)]),
        "closing stock of each day": lambda: (stock_of_day("site", each, LONDON, PLAN, scales=SCALES) for each in days),
        "list of all tickets": lambda: iter([ticket_list("site", tickets, span, LONDON, PLAN)]),
        "each ticket on its page": lambda: (ticket_report("site", each, LONDON, PLAN, SCALES) for each in tickets),
        "list of all alarms": lambda: iter([alarm_list("site", events, span, LONDON)]),
    }
    rounds = 5 if long else 3
    taken: dict[tuple[str, str], list[float]] = {}
    sizes: dict[tuple[str, str], int] = {}
    for _ in range(rounds):
        for kind, make in kinds.items():
            for form, write in FORMS.items():
                begin = time.perf_counter()
                sizes[kind, form] = sum(_written(report, write) for report in make())
                taken.setdefault((kind, form), []).append(time.perf_counter() - begin)
    medians = {key: statistics.median(values) for key, values in taken.items()}
    table = [
        [kind, *(f"{medians[kind, form]:.2f}" for form in FORMS), *(f"{sizes[kind, form] / 1e6:.2f}" for form in FORMS)]
        for kind in kinds
    ]
    total = [sum(medians[kind, form] for kind in kinds) for form in FORMS]
    table.append(["all of them", *(f"{each:.2f}" for each in total), "", "", ""])
    return {
        "title": f"Reports of a month: {TANKS} tanks, {DAYS} days, {len(tickets)} tickets, {len(events)} alarms; "
        f"wanted {WANTED_S:g} s; median of {rounds} rounds",
        "columns": ["", *(f"{form} s" for form in FORMS), *(f"{form} MB" for form in FORMS)],
        "table": table,
        "seconds": {f"{kind}, {form}": values for (kind, form), values in taken.items()},
    }


def _written(report: Report, write: Callable[[Report, io.BytesIO], None]) -> int:
    stream = io.BytesIO()
    write(report, stream)
    return stream.tell() or len(stream.getvalue())


def _day(number: int) -> DayClose:
    end = CLOSE + timedelta(days=number + 1)
    products = [f"product-{index}" for index in range(TANKS)]
    tanks = tuple(
        at_close(gauging(f"TK-{index}", product, TK_101, instant=end - timedelta(seconds=4)))
        for index, product in enumerate(products)
    )
    made = day(f"2026-07-{number + 1:02d}", end=end, balances=tuple(balance(product) for product in products))
    return made._replace(tanks=tanks)
