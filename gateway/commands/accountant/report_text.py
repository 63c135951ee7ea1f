"""A report on a terminal: the same cells as on paper, as aligned text."""

from datetime import datetime
from decimal import Decimal

from gateway.commands.output import Column as Cells
from gateway.commands.output import Grid, plain_lines
from gateway.display import printable
from gateway.reports.numbers import number_words
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Cell, Column, Kind, Report, Row, Table, Total
from gateway.reports.words import both_times, local_text, utc_text

__all__ = ["report_lines"]

_NUMBERS = (Kind.NUMBER, Kind.INCHES)
_TELLS_WHEN = ("As of", "To", "Made")
_LONGEST_CELL = 60
"""What is longer, a reason mostly, stands below its table and not in it."""


def report_lines(report: Report, plan: ReportPlan) -> list[str]:
    """What an Uncertain figure is gets a `?`, and a sum that rests on one says `estimated`."""
    simulated = ["SIMULATED: no real tanks"] if report.simulated else []
    lines = [f"{report.title}, {report.site}", *simulated]
    if not any(fact.name in _TELLS_WHEN for fact in report.facts):
        lines.append(f"As of: {both_times(report.as_of, report.zone)}")
    lines += [f"{fact.name}: {fact.text}" for fact in report.facts]
    for table in report.tables:
        lines += ["", *_table_lines(table, report, plan)]
    lines += ["", *report.notes, *(f"Caution: {caution}" for caution in report.cautions), f"Record: {report.identity}"]
    return [printable(line) for line in lines]


def _table_lines(table: Table, report: Report, plan: ReportPlan) -> list[str]:
    if not table.rows:
        return [table.title, table.empty]
    columns = [column for column in table.columns if column.on_paper and _is_told(column, table)]
    rows: list[tuple[str, ...]] = []
    below: list[str] = []
    titles: dict[int, str] = {}
    for group in table.groups:
        if group.title and len(table.groups) > 1:
            titles[len(rows)] = group.title
        for row in group.rows:
            cells = [_cell(row, column, report, plan) for column in columns]
            below += [f"{cells[0]}: {cell}" for cell in cells[1:] if len(cell) > _LONGEST_CELL]
            rows.append(tuple(cell if len(cell) <= _LONGEST_CELL else "(below)" for cell in cells))
            below += [f"{cells[0]}: {note}" for note in row.notes]
        if group.total is not None and len(group.rows) > 1:
            rows.append(_total(group.total, columns, plan))
    if table.total is not None:
        rows.append(_total(table.total, columns, plan))
    heads = tuple(Cells(column.heading, right=column.kind in _NUMBERS) for column in columns)
    head, *told = plain_lines(Grid(heads, tuple(rows)))
    lines = [table.title, head]
    for number, line in enumerate(told):
        lines += [*([titles[number]] if number in titles else []), line]
    return [*lines, *below, *_counts(table), *table.notes]


def _is_told(column: Column, table: Table) -> bool:
    """Whether any row has something there."""
    return any(row.cells.get(column.key) not in (None, "") or row.absent.get(column.key) for row in table.rows)


def _cell(row: Row, column: Column, report: Report, plan: ReportPlan) -> str:
    value = row.cells.get(column.key)
    if value is None:
        return row.absent.get(column.key, "")
    return _text(value, column, report, plan) + ("?" if column.key in row.uncertain else "")


def _text(value: Cell, column: Column, report: Report, plan: ReportPlan) -> str:
    if isinstance(value, Decimal):
        return number_words(value, plan, column.kind)
    if isinstance(value, datetime):
        return utc_text(value) if column.kind is Kind.UTC else local_text(value, report.zone)
    return value or ""


def _total(total: Total, columns: list[Column], plan: ReportPlan) -> tuple[str, ...]:
    cells = [total.title]
    for column in columns[1:]:
        found = total.cells.get(column.key)
        if found is None:
            cells.append("")
        elif found.value is None:
            cells.append("no value")
        else:
            cells.append(number_words(found.value, plan, column.kind) + ("?" if found.is_estimated else ""))
    return tuple(cells)


def _counts(table: Table) -> list[str]:
    """How many rows each sum includes, where that is not all of them or something is estimated."""
    totals = [group.total for group in table.groups if group.total is not None]
    lines = []
    for total in (*totals, *([table.total] if table.total is not None else [])):
        headings = {column.key: column.title for column in table.columns}
        by_words: dict[str, list[str]] = {}
        for key, cell in total.cells.items():
            if cell.included < cell.of or cell.is_estimated:
                by_words.setdefault(cell.words, []).append(headings.get(key, key))
        lines += [f"{total.title}: {words} ({', '.join(names)})" for words, names in by_words.items()]
    return lines
