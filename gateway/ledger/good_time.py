"""How much of a time figures of a tank were Good: minutes counted by the worst quality in each, from the summaries."""

import sqlite3
import zlib
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from gateway.ledger.summaries import HOUR_S, MINUTE_S, TRENDED, extent_in, worst_of

__all__ = ["QualityMinutes", "first_minute_s", "quality_minutes"]


_KINDS = 3
"""Good, Uncertain, Bad."""


class QualityMinutes(NamedTuple):
    """Minutes of one figure. Of the rest of the time there is no record."""

    good: int
    uncertain: int
    bad: int


def first_minute_s(connection: sqlite3.Connection) -> int | None:
    """UTC, seconds since 1970, of the oldest minute that is kept of any tank; None: there is none."""
    packed = connection.execute("SELECT min(start) FROM trends WHERE span = ?", (MINUTE_S,)).fetchone()[0]
    open_ = connection.execute("SELECT min(start) FROM minutes").fetchone()[0]
    known = [start for start in (packed, open_) if start is not None]
    if not known:
        return None
    first = min(known)
    if first != packed:
        return int(first)
    rows = connection.execute("SELECT body FROM trends WHERE span = ? AND start = ?", (MINUTE_S, packed)).fetchall()
    places = [worst_of(zlib.decompress(body), 0)[0][0] for (body,) in rows]
    return int(packed) + MINUTE_S * min(places)


def quality_minutes(
    connection: sqlite3.Connection, tank: str, figures: Sequence[str], from_s: int, until_s: int
) -> Mapping[str, QualityMinutes]:
    """Of each figure, a name of `TRENDED`, the minutes that begin in that time. Raises sqlite3.Error, and zlib.error
    and ValueError for a file that is damaged."""
    places = {name: TRENDED.index(name) for name in figures}
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
    if number is None:
        return dict.fromkeys(figures, QualityMinutes(0, 0, 0))
    rows = connection.execute(
        "SELECT start, body FROM minutes WHERE start >= ? AND start < ? AND tank = ?", (from_s, until_s, number[0])
    ).fetchall()
    # By figure and minute: those that are not packed yet, and those of hours that cannot be counted whole.
    worst: dict[str, dict[int, int]] = {
        name: {start: extent_in(body, place).worst for start, body in rows} for name, place in places.items()
    }
    counts = {name: [0] * _KINDS for name in figures}
    # One that is in both is in both for the time of a few commits, and the same.
    open_hours = {start // HOUR_S * HOUR_S for start, _ in rows}
    blocks = connection.execute(
        "SELECT start, body FROM trends WHERE span = ? AND tank = ? AND start > ? AND start < ?",
        (MINUTE_S, number[0], from_s - HOUR_S, until_s),
    ).fetchall()
    for begin, body in blocks:
        block = zlib.decompress(body)
        is_whole = from_s <= begin and begin + HOUR_S <= until_s and begin not in open_hours
        for name, place in places.items():
            minutes, qualities = worst_of(block, place)
            if is_whole:
                for quality in range(_KINDS):
                    counts[name][quality] += qualities.count(quality)
            else:
                packed = zip((begin + MINUTE_S * each for each in minutes), qualities, strict=True)
                worst[name] |= {start: each for start, each in packed if from_s <= start < until_s}
    for name, of_figure in worst.items():
        for each in of_figure.values():
            # What is none of the three is a figure of which there was no record.
            if each < _KINDS:
                counts[name][each] += 1
    return {name: QualityMinutes(*each) for name, each in counts.items()}
