"""Pure: how wide the columns of a table are, and in which size its letters fit on the page."""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.reports.paper.cells import cell_words, is_right, sign_words, total_words
from gateway.reports.paper.marks import Measure
from gateway.reports.paper.wrapping import longest_word
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Column, Kind, Report, Table

__all__ = ["GAP", "Widths", "widths_of"]

GAP = 5.0
"""Between two columns."""
_SIZES = (7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5)
_WIDEST_WORD = 80.0
_SENTENCE = 45.0
_HEADING_SHRINKS = 0.9
_HEADING_LINES = 2.2


class Widths(NamedTuple):
    size: float
    widths: tuple[float, ...]
    """Of each column, with the gap behind it."""


class _Need(NamedTuple):
    least: float
    wanted: float
    share: float


def widths_of(
    table: Table, columns: Sequence[Column], report: Report, plan: ReportPlan, room: float, measure: Measure
) -> Widths:
    """In the largest letters in which everything fits; numbers are never broken, texts are."""
    texts = [[cell_words(row, column, report, plan) for row in table.rows] for column in columns]
    totals = [each for each in (*(group.total for group in table.groups), table.total) if each is not None]
    size = _SIZES[0]
    needs: list[_Need] = []
    for size in _SIZES:
        needs = []
        for column, words in zip(columns, texts, strict=True):
            sums = [total.cells[column.key] for total in totals if column.key in total.cells]
            bold = [text for cell in sums for text in (total_words(cell, column, plan), cell.words)]
            needs.append(_need(column, words, bold, size, measure))
        if sum(need.least for need in needs) + GAP * (len(needs) - 1) <= room:
            break
    return Widths(size, _spread(needs, room))


def _need(column: Column, words: Sequence[str], sums: Sequence[str], size: float, measure: Measure) -> _Need:
    heading = max(
        longest_word(column.title, size, measure, bold=True),
        measure(column.title, size, True) / _HEADING_LINES,
        measure(sign_words(column), size * _HEADING_SHRINKS, False),
    )
    longest = max((measure(text, size, False) for text in set(words)), default=0.0)
    if is_right(column) or column.kind is Kind.UTC or column.kind is Kind.LOCAL or not column.share:
        # `9 of 10,` and `estimated` may stand on two lines.
        sums_wide = max(
            (measure(part, size, True) for text in sums for part in text.replace(", ", ",\n").split("\n")), default=0.0
        )
        width = max(heading, longest, sums_wide)
        return _Need(width, width, 0.0)
    word = max((longest_word(text, size, measure) for text in set(words)), default=0.0)
    # Rather smaller letters than a sentence in a column of single words.
    least = max(heading, min(word, _WIDEST_WORD), min(longest, _SENTENCE * column.share))
    return _Need(least, max(least, longest), column.share)


def _spread(needs: Sequence[_Need], room: float) -> tuple[float, ...]:
    """What is left goes to the texts that want more, by their shares; then to all alike."""
    widths = [need.least for need in needs]
    left = room - GAP * (len(needs) - 1) - sum(widths)
    for _ in needs:
        hungry = [index for index, need in enumerate(needs) if need.share and widths[index] < need.wanted - 0.01]
        if left <= 0.01 or not hungry:
            break
        shares = sum(needs[index].share for index in hungry)
        given = 0.0
        for index in hungry:
            more = min(left * needs[index].share / shares, needs[index].wanted - widths[index])
            widths[index] += more
            given += more
        left -= given
    if left > 0.0 and needs:
        widths = [width + left / len(needs) for width in widths]
    return tuple(width + GAP for width in widths)
