"""Trends read: what figures of one tank were, minute by minute or hour by hour, without a look at the records."""

import sqlite3
import zlib
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from gateway.ledger.summaries import HOUR_S, MINUTE_S, TRENDED, Extent, column_of, extent_in, merged, unpacked
from gateway.ledger.summary_rows import block_of
from gateway.records import Quality

__all__ = ["Point", "minutes_of_all", "span_for", "trend"]

_MINUTES_UP_TO_S = 2 * 86_400
_QUALITIES = tuple(Quality)
_BAD = int(Quality.BAD)
_WORST = Extent._fields.index("worst")


class Point(NamedTuple):
    """One figure within one minute or hour."""

    start_s: int
    """UTC, seconds since 1970."""
    least: float | None
    """SI. None, like the other two: there was no value."""
    greatest: float | None
    last: float | None
    worst: Quality


def span_for(from_s: int, until_s: int) -> int:
    """60 or 3600: which points are enough for a picture of that time."""
    return MINUTE_S if until_s - from_s <= _MINUTES_UP_TO_S else HOUR_S


def trend(
    connection: sqlite3.Connection, tank: str, figures: Sequence[str], from_s: int, until_s: int, span_s: int
) -> dict[str, list[Point]]:
    """Of each figure its points that begin in that time, in order; minutes and hours without a record have none.

    The minute that is going on is not among them. Raises ValueError for a figure that has no trend; sqlite3.Error and
    zlib.error for a file that is damaged.
    """
    unknown = [name for name in figures if name not in TRENDED]
    if unknown:
        raise ValueError(f"'{unknown[0]}' has no trend; these have one: {', '.join(TRENDED)}")
    places = {name: TRENDED.index(name) for name in figures}
    found: dict[str, _Extents] = {name: {} for name in figures}
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
    if number is not None:
        span = _Span(from_s, until_s, span_s)
        _add_blocks(connection, number[0], span, places, found)
        _add_minutes(connection, number[0], span, places, found)
    return {name: _points(extents) for name, extents in found.items()}


def minutes_of_all(connection: sqlite3.Connection, figure: str, from_s: int, until_s: int) -> dict[str, list[Point]]:
    """Of one figure of every tank its minutes that begin in that time, in order. Raises as `trend` does.

    Minutes that are not packed yet lie by time and not by tank: of all tanks they are read as fast as of one.
    """
    if figure not in TRENDED:
        raise ValueError(f"'{figure}' has no trend; these have one: {', '.join(TRENDED)}")
    place, span = TRENDED.index(figure), _Span(from_s, until_s, MINUTE_S)
    tanks = dict(connection.execute("SELECT id, name FROM tanks WHERE name != ''").fetchall())
    found: dict[int, _Extents] = {number: {} for number in tanks}
    for number, of_tank in found.items():
        _add_blocks(connection, number, span, {figure: place}, {figure: of_tank})
    rows = connection.execute(
        "SELECT start, tank, body FROM minutes WHERE start >= ? AND start < ? ORDER BY start", (from_s, until_s)
    ).fetchall()
    for start, number, body in rows:
        extent = extent_in(body, place)
        if extent.worst <= _BAD and number in found:
            found[number][start] = extent
    return {tanks[number]: _points(extents) for number, extents in found.items() if extents}


_Extents = dict[int, tuple[float, float, float, int]]
"""The members of `Extent` by the beginning of the minute or hour: a year has some nine thousand for each figure."""


class _Span(NamedTuple):
    from_s: int
    until_s: int
    span_s: int


def _add_blocks(
    connection: sqlite3.Connection,
    tank: int,
    span: _Span,
    places: Mapping[str, int],
    found: Mapping[str, _Extents],
) -> None:
    from_s, until_s, span_s = span
    rows = connection.execute(
        "SELECT start, body FROM trends WHERE span = ? AND tank = ? AND start > ? AND start < ?",
        (span_s, tank, from_s - block_of(span_s), until_s),
    ).fetchall()
    for begin, body in rows:
        block = zlib.decompress(body)
        for name, figure in places.items():
            column = column_of(block, figure)
            starts = [begin + place * span_s for place in column.places]
            extents = zip(
                starts, zip(column.least, column.greatest, column.last, column.worst, strict=True), strict=True
            )
            if from_s <= begin and begin + block_of(span_s) <= until_s and max(column.worst, default=0) <= _BAD:
                found[name].update(extents)
            else:
                found[name].update(
                    [each for each in extents if from_s <= each[0] < until_s and each[1][_WORST] <= _BAD]
                )


def _add_minutes(
    connection: sqlite3.Connection,
    tank: int,
    span: _Span,
    places: Mapping[str, int],
    found: Mapping[str, _Extents],
) -> None:
    """Those that are not packed yet. One that is in both is in both for the time of a few commits, and the same."""
    from_s, until_s, span_s = span
    begin = -(-from_s // span_s) * span_s
    rows = connection.execute(
        "SELECT start, body FROM minutes WHERE start >= ? AND start < ? AND tank = ? ORDER BY start",
        (begin, -(-until_s // span_s) * span_s, tank),
    ).fetchall()
    for minute, body in rows:
        start = minute // span_s * span_s
        if from_s <= start < until_s:
            summary = unpacked(body)
            for name, figure in places.items():
                extent, of_figure = summary[figure], found[name]
                if extent.worst <= _BAD:
                    known = of_figure.get(start)
                    of_figure[start] = extent if known is None else merged((Extent(*known),), (extent,))[0]


def _points(extents: _Extents) -> list[Point]:
    if not extents:
        return []
    starts = sorted(extents)
    least, greatest, last, worst = zip(*[extents[start] for start in starts], strict=True)
    qualities = [_QUALITIES[each] for each in worst]
    return list(map(Point, starts, _known(least), _known(greatest), _known(last), qualities))


def _known(values: Sequence[float]) -> list[float | None]:
    # Only what is not a number differs from itself.
    return [value if value == value else None for value in values]
