"""Pure: sums of what rows show, with how many of them they include, and whether they rest on something Uncertain."""

from collections.abc import Iterable, Sequence
from decimal import Decimal

from gateway.reports.digits import summed
from gateway.reports.report import Row, Total, TotalCell
from gateway.reports.words import NONE_DETECTED, NOT_APPLICABLE

__all__ = ["total_of"]


def total_of(title: str, keys: Iterable[str], rows: Sequence[Row], counting: Sequence[bool] | None = None) -> Total:
    """Of the columns `keys`. `counting`: for each row whether it counts; all do unless given.

    A row in which the figure does not apply is not one that is missing; where none is detected, nothing is.
    """
    counts = [True] * len(rows) if counting is None else counting
    cells = {}
    for key in keys:
        numbers: list[Decimal] = []
        of, empty, is_estimated = 0, 0, False
        for row, does_count in zip(rows, counts, strict=True):
            value = row.cells.get(key)
            absent = row.absent.get(key)
            of += isinstance(value, Decimal) or absent not in (NOT_APPLICABLE, "")
            empty += value is None and absent == NONE_DETECTED and does_count
            if isinstance(value, Decimal) and does_count:
                numbers.append(value)
                is_estimated = is_estimated or key in row.uncertain
        if of:
            cells[key] = TotalCell(summed(numbers) if numbers else None, len(numbers) + empty, of, is_estimated)
    return Total(title, cells)
