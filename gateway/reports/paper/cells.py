"""Pure: what stands in a cell on paper."""

from datetime import datetime
from decimal import Decimal

from gateway.reports.numbers import FEET_AND_INCHES, number_words
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Column, Kind, Report, Row, TotalCell
from gateway.reports.words import NO_VALUE, NONE_DETECTED, local_text, utc_text

__all__ = ["cell_words", "is_right", "sign_words", "total_words"]


def cell_words(row: Row, column: Column, report: Report, plan: ReportPlan) -> str:
    """A figure that is Uncertain has `?` behind it; one that is not there says what it is."""
    cell = row.cells.get(column.key)
    match cell:
        case None:
            return row.absent.get(column.key, "")
        case Decimal():
            text = row.shown.get(column.key) or number_words(cell, plan, column.kind)
            return f"{text} ?" if column.key in row.uncertain else text
        case str() if column.key in row.shown:
            return row.shown[column.key]
        case datetime():
            return local_text(cell, report.zone) if column.kind is Kind.LOCAL else utc_text(cell)
        case _:
            return cell


def total_words(cell: TotalCell, column: Column, plan: ReportPlan) -> str:
    if cell.value is None:
        return NONE_DETECTED if cell.included else NO_VALUE
    return number_words(cell.value, plan, column.kind)


def sign_words(column: Column) -> str:
    """The unit below a heading. Inches are feet and inches on paper."""
    return FEET_AND_INCHES if column.kind is Kind.INCHES else column.sign


def is_right(column: Column) -> bool:
    """Numbers stand with their last digits below one another."""
    return column.kind in (Kind.NUMBER, Kind.COUNT, Kind.INCHES)
