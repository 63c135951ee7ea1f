"""The one way out to a person or a program: plain text, a grid that loses no digit, or JSON."""

import json
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Literal, NamedTuple, TextIO

from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gateway.display import printable

__all__ = ["Column", "Grid", "is_terminal", "make_console", "plain_lines", "rich_table", "write", "write_json"]

_GAP = "  "
_EASY_WORDS = 18
"""Cells that may wrap are easily read from this width on."""


class Column(NamedTuple):
    header: str
    right: bool = False
    drop_first: int = 0
    """Left out on a narrow terminal: the highest number goes first, 0 never goes."""
    wraps: bool = False
    """Words, which may run over several lines on a terminal. Numbers never do."""


class Grid(NamedTuple):
    """Cells as text. A style belongs to a row and only repeats what its words say."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    styles: tuple[str, ...] = ()


def is_terminal(stream: TextIO) -> bool:
    return stream.isatty() and os.environ.get("TERM", "") not in ("", "dumb")


def make_console(stream: TextIO) -> Console:
    """A rich console on `stream`. NO_COLOR, when set and not empty, takes all colour (no-color.org)."""
    return Console(
        file=stream,
        no_color=bool(os.environ.get("NO_COLOR")),
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )


def write(*lines: str) -> None:
    for line in lines:
        sys.stdout.write(line + "\n")
    sys.stdout.flush()


def note(text: str) -> None:
    """One line beside the output, for people: it goes where errors go, out of the way of programs."""
    sys.stderr.write(f"tank-gateway: {printable(text)}\n")


def write_json(document: object) -> None:
    write(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))


def plain_lines(grid: Grid) -> list[str]:
    """The grid as aligned text, as wide as it needs to be."""
    table = [tuple(column.header for column in grid.columns), *_clean(grid.rows)]
    widths = _widths(grid)
    lines = []
    for row in table:
        cells = []
        for cell, width, column in zip(row, widths, grid.columns, strict=True):
            padding = " " * (width - cell_len(cell))
            cells.append(padding + cell if column.right else cell + padding)
        lines.append(_GAP.join(cells).rstrip())
    return lines


def rich_table(grid: Grid, width: int, title: str | None = None) -> Table | Text:
    """The grid for a terminal of `width` cells: columns are left out, as they allow, until the rest fits.

    What still does not fit comes as plain text, which the terminal wraps: no digit is ever cut away.
    """
    fitted = _fit(grid, width)
    if _least_width(fitted) > width:
        lines = plain_lines(fitted)
        return Text("\n".join([title, *lines] if title else lines))
    table = Table(
        title=title,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_edge=False,
        padding=(0, 1, 0, 0),
    )
    for column in fitted.columns:
        justify: Literal["left", "right"] = "right" if column.right else "left"
        table.add_column(column.header, justify=justify, no_wrap=not column.wraps, overflow="fold")
    styles = fitted.styles or ("",) * len(fitted.rows)
    for row, style in zip(_clean(fitted.rows), styles, strict=True):
        table.add_row(*(Text(cell) for cell in row), style=style)
    return table


def _clean(rows: Iterable[Sequence[str]]) -> list[tuple[str, ...]]:
    return [tuple(printable(cell) for cell in row) for row in rows]


def _widths(grid: Grid) -> list[int]:
    table = [tuple(column.header for column in grid.columns), *_clean(grid.rows)]
    return [max(cell_len(row[index]) for row in table) for index in range(len(grid.columns))]


def _easy_width(grid: Grid) -> int:
    return _framed(
        min(width, _EASY_WORDS) if column.wraps else width
        for column, width in zip(grid.columns, _widths(grid), strict=True)
    )


def _least_width(grid: Grid) -> int:
    """With each word that may stand on a line of its own there."""
    table = [tuple(column.header for column in grid.columns), *_clean(grid.rows)]
    return _framed(
        max(cell_len(word) for row in table for word in (row[index].split() or [""])) if column.wraps else width
        for index, (column, width) in enumerate(zip(grid.columns, _widths(grid), strict=True))
    )


def _framed(widths: Iterable[int]) -> int:
    """One cell of padding and one of frame after each column."""
    return sum(width + 2 for width in widths)


def _fit(grid: Grid, width: int) -> Grid:
    """Columns that may go soon go before words are wrapped one by one, the last ones only where that does not help."""
    grid = _without(grid, width, _easy_width, 2)
    return grid if _easy_width(grid) <= width else _without(grid, width, _least_width, 1)


def _without(grid: Grid, width: int, measured: Callable[[Grid], int], soonest: int) -> Grid:
    while measured(grid) > width:
        index, column = max(enumerate(grid.columns), key=lambda item: item[1].drop_first)
        if column.drop_first < soonest:
            break
        grid = Grid(
            grid.columns[:index] + grid.columns[index + 1 :],
            tuple(row[:index] + row[index + 1 :] for row in grid.rows),
            grid.styles,
        )
    return grid
