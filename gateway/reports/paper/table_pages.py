"""Pure: a table laid out over pages: its head on each of them, rows whole, groups not parted from their titles."""

from typing import NamedTuple

from gateway.reports.paper.cells import cell_words, is_right, sign_words, total_words
from gateway.reports.paper.flow import Flow
from gateway.reports.paper.marks import Line, Words
from gateway.reports.paper.ruler_marks import NARROW_HEIGHT, narrow_ruler, wide_ruler
from gateway.reports.paper.widths import GAP, widths_of
from gateway.reports.paper.wrapping import wrapped
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Column, Group, Report, Row, Table, Total

__all__ = ["lay_table"]

_LEADING = 1.25
_BELOW_ROW = 2.0
_RULER_WIDTH = 170.0
_NOTE_SIZE = 6.0
_UNIT_SHRINKS = 0.9
_MOST_LINES = 25


def lay_table(table: Table, report: Report, plan: ReportPlan, flow: Flow) -> None:
    _TablePages(table, report, plan, flow).lay()


class _Laid(NamedTuple):
    """One row: the lines of its cells and of its notes, and how high they are."""

    cells: list[list[str]]
    notes: list[str]
    above: float
    below: float

    @property
    def height(self) -> float:
        return self.above + self.below


class _TablePages:
    def __init__(self, table: Table, report: Report, plan: ReportPlan, flow: Flow) -> None:
        self._table = table
        self._report = report
        self._plan = plan
        self._flow = flow
        self._columns = [column for column in table.columns if column.on_paper]
        self._size, self._widths = widths_of(table, self._columns, report, plan, flow.room, flow.measure)
        self._leading = self._size * _LEADING
        self._heading = [
            wrapped(column.title, width - GAP, self._size, flow.measure, bold=True)
            for column, width in zip(self._columns, self._widths, strict=True)
        ]

    def lay(self) -> None:
        flow, table = self._flow, self._table
        if not flow.is_fresh:
            flow.y += 8.0
        first = self._laid(table.rows[0]).height if table.rows else self._leading
        # Title, head and the first of the rows stay together.
        if not flow.fits(self._title_height() + self._head_height() + first + 10.0):
            flow.next_page()
        if table.title:
            flow.line(table.title, 10.0, bold=True)
        for note in table.notes:
            flow.line(note, 7.0)
        if table.ruler is not None:
            marks, height = wide_ruler(table.ruler, flow.left + 2.0, flow.y, flow.room - 4.0, flow.measure)
            flow.add(*marks)
            flow.y += height + 2.0
        if not table.rows:
            flow.line(table.empty, 8.0)
            return
        self._head()
        for group in table.groups:
            self._group(group)
        if table.total is not None:
            self._total(table.total)

    def _group(self, group: Group) -> None:
        flow = self._flow
        if group.title and group.rows:
            if not flow.fits(self._leading * 2 + self._laid(group.rows[0]).height):
                self._turn()
            flow.y += 2.0
            flow.line(group.title, self._size, bold=True)
            flow.y += 2.0
        for row in group.rows:
            laid = self._laid(row)
            if not flow.fits(laid.height):
                self._turn()
            self._row(row, laid)
        if group.total is not None:
            self._total(group.total)

    def _turn(self) -> None:
        self._flow.next_page()
        if self._table.title:
            self._flow.line(f"{self._table.title}, continued", 8.0, grey=True)
        self._head()

    def _title_height(self) -> float:
        """About: a note seldom takes more than one line."""
        return 24.0 + 9.1 * len(self._table.notes) + (50.0 if self._table.ruler is not None else 0.0)

    def _head_height(self) -> float:
        units = any(column.sign for column in self._columns)
        return (max(len(lines) for lines in self._heading) + units) * self._leading + 5.0

    def _head(self) -> None:
        flow = self._flow
        deepest = max(len(lines) for lines in self._heading)
        x = flow.left
        for column, lines, width in zip(self._columns, self._heading, self._widths, strict=True):
            at, align = (x + width - GAP, 1) if is_right(column) else (x, -1)
            # Headings stand on the line below which the units are.
            y = flow.y + (deepest - len(lines)) * self._leading
            for text in lines:
                y += self._leading
                flow.add(Words(at, y, text, self._size, bold=True, align=align))
            if column.sign:
                y += self._leading
                flow.add(Words(at, y, sign_words(column), self._size * _UNIT_SHRINKS, align=align, grey=True))
            x += width
        flow.y += self._head_height()
        flow.add(Line(flow.left, flow.y - 1.0, flow.right, flow.y - 1.0, 0.8))

    def _laid(self, row: Row) -> _Laid:
        measure, size = self._flow.measure, self._size
        cells = [
            wrapped(cell_words(row, column, self._report, self._plan), width - GAP, size, measure, most=_MOST_LINES)
            for column, width in zip(self._columns, self._widths, strict=True)
        ]
        room = self._flow.room - (_RULER_WIDTH + 12.0 if row.ruler is not None else 0.0)
        notes = [line for note in row.notes for line in wrapped(note, room, _NOTE_SIZE, measure)]
        above = max((len(lines) for lines in cells), default=1) * self._leading + _BELOW_ROW
        below = max(len(notes) * _NOTE_SIZE * _LEADING, NARROW_HEIGHT if row.ruler is not None else 0.0)
        return _Laid(cells, notes, above, below)

    def _row(self, row: Row, laid: _Laid) -> None:
        flow, x = self._flow, self._flow.left
        for column, lines, width in zip(self._columns, laid.cells, self._widths, strict=True):
            at, align = (x + width - GAP, 1) if is_right(column) else (x, -1)
            for number, text in enumerate(lines, start=1):
                flow.add(Words(at, flow.y + number * self._leading, text, self._size, align=align))
            x += width
        flow.y += laid.above
        x = flow.left
        if row.ruler is not None:
            flow.add(*narrow_ruler(row.ruler, x + 2.0, flow.y + NARROW_HEIGHT / 2 - 1.0, _RULER_WIDTH - 4.0))
            x += _RULER_WIDTH + 12.0
        for number, text in enumerate(laid.notes, start=1):
            flow.add(Words(x, flow.y + number * _NOTE_SIZE * _LEADING - 1.0, text, _NOTE_SIZE, grey=True))
        flow.y += laid.below
        flow.add(Line(flow.left, flow.y, flow.right, flow.y, 0.25, grey=True))

    def _total(self, total: Total) -> None:
        """The number, and beside it of how many rows it is, and whether it is estimated."""
        flow = self._flow
        cells = {
            column.key: self._sum_lines(total, column, width)
            for column, width in zip(self._columns, self._widths, strict=True)
            if column.key in total.cells
        }
        title = wrapped(total.title, self._title_room(cells), self._size, flow.measure, bold=True)
        deepest = max([len(title), *(len(lines) for lines in cells.values())])
        if not flow.fits(deepest * self._leading + 6.0):
            self._turn()
        flow.add(Line(flow.left, flow.y + 1.0, flow.right, flow.y + 1.0, 0.6))
        for number, text in enumerate(title, start=1):
            flow.add(Words(flow.left, flow.y + 1.0 + number * self._leading, text, self._size, bold=True))
        x = flow.left
        for column, width in zip(self._columns, self._widths, strict=True):
            for number, text in enumerate(cells.get(column.key, ()), start=1):
                y = flow.y + 1.0 + number * self._leading
                flow.add(Words(x + width - GAP, y, text, self._size, bold=number == 1, align=1))
            x += width
        flow.y += deepest * self._leading + 5.0

    def _sum_lines(self, total: Total, column: Column, width: float) -> list[str]:
        cell = total.cells[column.key]
        beside = wrapped(cell.words, width - GAP, self._size, self._flow.measure)
        return [total_words(cell, column, self._plan), *beside]

    def _title_room(self, sums: dict[str, list[str]]) -> float:
        room = 0.0
        for column, width in zip(self._columns, self._widths, strict=True):
            if column.key in sums:
                break
            room += width
        return max(room - GAP, 40.0)
