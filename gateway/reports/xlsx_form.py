"""A report as XLSX: one sheet for each table, numbers as numbers with the digits that are known, cautions at the head.

What a person has written is always a text, never a formula or a link. The library writes row by row and keeps none.
"""

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any, BinaryIO

from gateway.reports.head import SIMULATED, head_facts
from gateway.reports.report import Cell, Column, Kind, Report, Row, Table, Total
from gateway.reports.words import local_text

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.worksheet import Worksheet

__all__ = ["write_xlsx"]

_TEXT_WIDTHS = (8.0, 60.0)
_NUMBER_WIDTH = 16.0
"""`9 of 10, estimated` has room."""
_TIME_WIDTHS = {Kind.UTC: 19.0, Kind.LOCAL: 27.0}
_NOT_IN_A_SHEET_NAME = re.compile(r"[\[\]:*?/\\']")
_LONGEST_SHEET_NAME = 31
_LONGEST_CELL = 32_767
_LONGEST_FOOTER = 250


def write_xlsx(report: Report, stream: BinaryIO) -> None:
    """The same report gives the same bytes."""
    import xlsxwriter  # not before a report is wanted

    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(stream, options) as book:
        # The day of the report, not that of the writing.
        book.set_properties(
            {
                "title": report.title,
                "subject": report.identity[:255],
                "comments": " ".join(report.cautions),
                "created": report.as_of.astimezone(UTC).replace(tzinfo=None),
            }
        )
        formats = _Formats(book)
        names: set[str] = set()
        for table in report.tables:
            sheet = book.add_worksheet(_sheet_name(table.title, names))
            _Sheet(sheet, formats, report, table).write()


class _Formats:
    """Each is made once, in the order in which it is first wanted."""

    def __init__(self, book: "Workbook") -> None:
        self._book = book
        self._made: dict[tuple[tuple[str, Any], ...], Any] = {}

    def __call__(self, **properties: Any) -> Any:
        key = tuple(sorted(properties.items()))
        found = self._made.get(key)
        if found is None:
            found = self._made[key] = self._book.add_format(properties)
        return found


class _Sheet:
    """One table. Rows are written from the top, once."""

    def __init__(self, sheet: "Worksheet", formats: _Formats, report: Report, table: Table) -> None:
        self._sheet = sheet
        self._formats = formats
        self._report = report
        self._table = table
        self._next = 0

    def write(self) -> None:
        sheet, report, table = self._sheet, self._report, self._table
        for index, column in enumerate(table.columns):
            sheet.set_column(index, index, _width(column, table))
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_footer(f"&L{report.cautions[0].replace('&', '&&')[:_LONGEST_FOOTER]}&RPage &P of &N")
        self._head()
        sheet.freeze_panes(self._next + 1, 0)
        sheet.repeat_rows(self._next)
        self._cells([column.heading for column in table.columns], bold=True, bottom=1, text_wrap=True, valign="top")
        if not table.rows:
            self._line(table.empty)
        for group in table.groups:
            if group.title:
                self._line(group.title, bold=True)
            for row in group.rows:
                self._row(row)
            if group.total is not None:
                self._total(group.total)
        if table.total is not None:
            self._total(table.total)

    def _head(self) -> None:
        report = self._report
        titles = dict.fromkeys((report.title, self._table.title))
        self._line(": ".join(titles), bold=True, font_size=14)
        self._line(f"Site {report.site}", bold=True)
        if report.simulated:
            self._line(SIMULATED, bold=True)
        for fact in head_facts(report):
            self._line(f"{fact.name}: {fact.text}")
        for caution in report.cautions:
            self._line(caution, italic=True)
        for note in (*report.notes, *self._table.notes):
            self._line(note)
        self._next += 1

    def _line(self, text: str, **properties: Any) -> None:
        self._sheet.write_string(self._next, 0, text[:_LONGEST_CELL], self._formats(**properties))
        self._next += 1

    def _cells(self, texts: list[str], **properties: Any) -> None:
        for index, text in enumerate(texts):
            self._sheet.write_string(self._next, index, text[:_LONGEST_CELL], self._formats(**properties))
        self._next += 1

    def _row(self, row: Row) -> None:
        for index, column in enumerate(self._table.columns):
            mark = ' "?"' if column.key in row.uncertain else ""
            self._cell(index, row.cells.get(column.key), column, mark)
        self._next += 1

    def _total(self, total: Total) -> None:
        values: Mapping[str, Cell] = {key: cell.value for key, cell in total.cells.items()}
        words = {key: cell.words for key, cell in total.cells.items()}
        first = self._first_free(total)
        for index, column in enumerate(self._table.columns):
            if index == first:
                self._sheet.write_string(self._next, index, total.title, self._formats(bold=True, top=1))
            else:
                self._cell(index, values.get(column.key), column, "", bold=True, top=1)
        self._next += 1
        for index, column in enumerate(self._table.columns):
            if column.key in words:
                self._sheet.write_string(
                    self._next, index, words[column.key], self._formats(italic=True, align="right")
                )
        self._next += 1

    def _first_free(self, total: Total) -> int:
        """Where the title of a total stands: the first column that it does not sum."""
        keys = [column.key for column in self._table.columns]
        return next((index for index, key in enumerate(keys) if key not in total.cells), 0)

    def _cell(self, index: int, cell: Cell, column: Column, mark: str, **properties: Any) -> None:
        match cell:
            case None:
                if properties:
                    self._sheet.write_blank(self._next, index, None, self._formats(**properties))
            case Decimal():
                number = "0" if column.kind is Kind.COUNT else _number_format(cell)
                form = self._formats(num_format=number + mark, **properties)
                self._sheet.write_number(self._next, index, float(cell), form)
            case datetime() if column.kind is Kind.LOCAL:
                # A spreadsheet has no offset, and 02:30 occurs twice in a year.
                self._sheet.write_string(self._next, index, local_text(cell, self._report.zone))
            case datetime():
                form = self._formats(num_format="yyyy-mm-dd hh:mm:ss", **properties)
                self._sheet.write_datetime(self._next, index, cell.astimezone(UTC).replace(tzinfo=None), form)
            case _:
                self._sheet.write_string(self._next, index, cell[:_LONGEST_CELL], self._formats(**properties))


def _number_format(value: Decimal) -> str:
    exponent = value.as_tuple().exponent
    places = -exponent if isinstance(exponent, int) and exponent < 0 else 0
    return "#,##0" + ("." + "0" * places if places else "")


def _width(column: Column, table: Table) -> float:
    if column.kind in _TIME_WIDTHS:
        return _TIME_WIDTHS[column.kind]
    if column.kind is not Kind.TEXT:
        return _NUMBER_WIDTH
    longest = max((len(str(row.cells.get(column.key) or "")) for row in table.rows), default=0)
    least, most = _TEXT_WIDTHS
    return min(max(least, longest * 1.1 + 2.0, len(column.heading) * 1.2 + 2.0), most)


def _cut(text: str, longest: int) -> str:
    """At most so many units of UTF-16, by which workbooks count: a character beyond the first 65,536 is two."""
    while len(text.encode("utf-16-le")) > 2 * longest:
        text = text[:-1]
    return text


def _sheet_name(title: str, taken: set[str]) -> str:
    """No two alike, in whatever case."""
    plain = _cut(_NOT_IN_A_SHEET_NAME.sub(" ", title), _LONGEST_SHEET_NAME).strip() or "Table"
    name, number = plain, 2
    while name.lower() in taken:
        end = f" {number}"
        name, number = _cut(plain, _LONGEST_SHEET_NAME - len(end)) + end, number + 1
    taken.add(name.lower())
    return name
