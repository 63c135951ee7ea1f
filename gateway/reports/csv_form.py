"""A report as CSV, for programs: one rectangle of UTF-8 (RFC 4180), a point and no thousands, times ISO 8601.

The first column says what a line is: `head`, `caution`, `note`, `row`, `total`, `included`. Whoever wants the figures
takes the lines `row`; nothing that a person has to know is left out.
"""

import csv
import io
import re
from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import BinaryIO

from gateway.reports.head import SIMULATED, head_facts
from gateway.reports.numbers import machine_number
from gateway.reports.report import Column, Kind, Report, Row, Table, Total
from gateway.reports.words import utc_text

__all__ = ["column_name", "harmless", "write_csv"]

_BEGIN = ("line", "table", "group")
_END = "text"
_STARTS_A_FORMULA = re.compile(r"[\s\0]*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_JUST_A_QUANTITY = re.compile(r"[+-]\d{1,15}(?:\.\d{1,15})?(?: [A-Za-z0-9/%]{1,12})?", re.ASCII)


def write_csv(report: Report, stream: BinaryIO) -> None:
    """The same report gives the same bytes."""
    columns: dict[str, Column] = {}
    for table in report.tables:
        for column in table.columns:
            columns.setdefault(column_name(column), column)
    text = io.TextIOWrapper(stream, "utf-8", newline="", write_through=True)
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*_BEGIN, *columns, _END])
    said = _Said(len(columns))
    writer.writerows(said.head(report))
    for table in report.tables:
        writer.writerows(_lines(table, list(columns), report))
    text.detach()


def column_name(column: Column) -> str:
    """`gsv [m3]`."""
    return f"{column.key} [{column.unit}]" if column.unit else column.key


def harmless(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe before it (OWASP, CSV injection)."""
    if _STARTS_A_FORMULA.match(text) is None or _JUST_A_QUANTITY.fullmatch(text) is not None:
        return text
    return f"'{text}"


class _Said:
    """Lines that have only a text."""

    def __init__(self, width: int) -> None:
        self._gap = [""] * width

    def head(self, report: Report) -> Iterable[list[str]]:
        simulated = [SIMULATED] if report.simulated else []
        facts = (f"{fact.name}: {fact.text}" for fact in head_facts(report))
        heads = [report.title, f"Site: {report.site}", *simulated, *facts]
        for kind, texts in (("head", heads), ("caution", report.cautions), ("note", report.notes)):
            for text in texts:
                yield [kind, "", "", *self._gap, harmless(text)]


def _lines(table: Table, names: list[str], report: Report) -> Iterable[list[str]]:
    """Columns of other tables stay empty: in each the unit is that of its name."""
    own = {column_name(column): column for column in table.columns}
    columns = [own.get(name) for name in names]
    for note in table.notes:
        yield ["note", harmless(table.title), "", *[""] * len(columns), harmless(note)]
    for group in table.groups:
        begin = [harmless(table.title), harmless(group.title)]
        for row in group.rows:
            yield ["row", *begin, *("" if each is None else _text(row, each, report) for each in columns), ""]
        if group.total is not None:
            yield from _total(group.total, begin, columns)
    if table.total is not None:
        yield from _total(table.total, [harmless(table.title), ""], columns)


def _total(total: Total, begin: list[str], columns: list[Column | None]) -> Iterable[list[str]]:
    cells = [None if each is None else total.cells.get(each.key) for each in columns]
    numbers = ["" if cell is None or cell.value is None else machine_number(cell.value) for cell in cells]
    yield ["total", *begin, *numbers, harmless(total.title)]
    yield ["included", *begin, *("" if cell is None else cell.words for cell in cells), harmless(total.title)]


def _text(row: Row, column: Column, report: Report) -> str:
    cell = row.cells.get(column.key)
    match cell:
        case None:
            return ""
        case Decimal():
            return machine_number(cell)
        case datetime():
            is_local = column.kind is Kind.LOCAL
            return cell.astimezone(report.zone).isoformat(timespec="seconds") if is_local else utc_text(cell)
        case _:
            return harmless(cell)
