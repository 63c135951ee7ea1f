"""Trends read: what figures of one tank were, minute by minute or hour by hour, without a look at the records."""

import math
import sqlite3
import zlib
from collections.abc import Sequence
from typing import NamedTuple

from gateway.ledger.summaries import HOUR_S, MINUTE_S, TRENDED, Summary, merged, unpacked, unpacked_block
from gateway.ledger.summary_rows import block_of
from gateway.records import Quality

__all__ = ["Point", "span_for", "trend"]

_MINUTES_UP_TO_S = 2 * 86_400


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
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
    found: dict[int, Summary] = {}
    if number is not None:
        _add_blocks(connection, number[0], from_s, until_s, span_s, found)
        _add_minutes(connection, number[0], from_s, until_s, span_s, found)
    points: dict[str, list[Point]] = {name: [] for name in figures}
    places = [(points[name], TRENDED.index(name)) for name in figures]
    for start in sorted(found):
        for list_of, place in places:
            least, greatest, last, worst = found[start][place]
            if worst <= Quality.BAD:
                list_of.append(Point(start, _known(least), _known(greatest), _known(last), Quality(worst)))
    return points


def _add_blocks(
    connection: sqlite3.Connection, tank: int, from_s: int, until_s: int, span_s: int, found: dict[int, Summary]
) -> None:
    rows = connection.execute(
        "SELECT start, body FROM trends WHERE span = ? AND tank = ? AND start > ? AND start < ?",
        (span_s, tank, from_s - block_of(span_s), until_s),
    ).fetchall()
    for block, body in rows:
        for place, summary in unpacked_block(zlib.decompress(body)).items():
            start = block + place * span_s
            if from_s <= start < until_s:
                found[start] = summary


def _add_minutes(
    connection: sqlite3.Connection, tank: int, from_s: int, until_s: int, span_s: int, found: dict[int, Summary]
) -> None:
    """Those that are not packed yet. One that is in both is in both for the time of a few commits, and the same."""
    begin = -(-from_s // span_s) * span_s
    rows = connection.execute(
        "SELECT start, body FROM minutes WHERE start >= ? AND start < ? AND tank = ? ORDER BY start",
        (begin, -(-until_s // span_s) * span_s, tank),
    ).fetchall()
    for minute, body in rows:
        start = minute // span_s * span_s
        if from_s <= start < until_s:
            summary = unpacked(body)
            found[start] = merged(found[start], summary) if start in found else summary


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
