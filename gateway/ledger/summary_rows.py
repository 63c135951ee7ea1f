"""Summaries of minutes and hours as rows: written with the records that they are of, packed as hours end.

The minute that is going on is in memory. When it has ended, and a little later for tanks that come late, all tanks of
it are one run of rows. `about` says up to which position all is in rows: after a crash what came behind is read again,
which changes nothing of what was in rows already.
"""

import sqlite3
import zlib
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, NamedTuple

import structlog

from gateway.ledger.blocks import RECORD, ends
from gateway.ledger.codec import FormOf
from gateway.ledger.contract import Row
from gateway.ledger.entries import rows_between
from gateway.ledger.forms import form_in
from gateway.ledger.summaries import (
    HOUR_S,
    MINUTE_S,
    Summary,
    folded,
    merged,
    packed,
    packed_block,
    summary_from,
    summary_of_plain,
    unpacked,
    unpacked_block,
)

__all__ = ["DAY_S", "SummaryRows", "block_of"]

DAY_S = 86_400
_MARK = "summarised"
_LATE_S = 15
"""After the end of a minute, by when all its tanks have come."""
_TANKS_AT_ONCE = 20
"""That are packed within one commit."""
_AGAIN_AT_MOST = 20_000
"""Rows that are read again at a start: several minutes of a large site. Of what was before there is no trend."""
_SLICE = 500
_KEPT_S = {MINUTE_S: 31 * DAY_S, HOUR_S: 3653 * DAY_S}
_FORGOTTEN_AT_ONCE = 2
"""Rows of a tank in an hour, in which one is added: a clock that jumps ahead costs few."""
UNREADABLE = "ledger.summary_without_record"

_LOGGER = structlog.get_logger("gateway.ledger")


class _Open(NamedTuple):
    summary: Summary
    first: int
    """Position of the first record in it."""


class SummaryRows:
    """For the writer's thread. `plain_of` gives the plain values of a body by the number of its dictionary, with the
    forms of its file."""

    def __init__(self, plain_of: Callable[[int, bytes, FormOf], Any]) -> None:
        self._plain_of = plain_of
        self._open: dict[tuple[int, int], _Open] = {}
        """By (minute, tank)."""
        self._written: dict[tuple[int, int], _Open] = {}
        """By the last transaction, which may yet be undone."""
        self._last = 0
        self._packing: tuple[int, int] | None = None
        """(hour, last tank) of the hour that is being packed."""

    def begin(self, connection: sqlite3.Connection) -> None:
        """Read again what is not in rows yet: each time that a file was opened, before the first record comes."""
        self._open, self._written, self._packing, self._last = {}, {}, None, 0
        first, last = ends(connection)
        after = max(_mark(connection), first - 1, last - _AGAIN_AT_MOST)
        while after < last:
            rows = rows_between(connection, after, last, _SLICE)
            if not rows:
                break
            self._fold(connection, rows)
            after = self._last

    def add(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
        """In each transaction with the rows that it adds."""
        if not rows:
            return
        if rows[0].position <= self._last:
            # The transaction before was undone.
            self._take_back()
        self._written = {}
        try:
            self._add(connection, rows)
        except BaseException:
            # The records are kept without this.
            self._take_back()
            raise

    def finish(self, connection: sqlite3.Connection) -> None:
        """Write what there is, at an orderly end: the next start has nothing to read again."""
        self._write(connection, list(self._open))

    def _take_back(self) -> None:
        """What was written is not."""
        self._packing = None
        for key, each in self._written.items():
            now = self._open.get(key)
            self._open[key] = each if now is None else _Open(merged(each.summary, now.summary), each.first)
        self._written = {}

    def _add(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
        self._fold(connection, rows)
        now_s = rows[-1].instant_ns // 1_000_000_000
        over = [key for key in self._open if _is_over(key[0], MINUTE_S, now_s)]
        if over:
            self._write(connection, over)
        self._pack(connection, now_s)

    def _fold(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
        forms = partial(form_in, connection)
        for row in rows:
            if row.kind != RECORD:
                continue
            try:
                summary = (
                    summary_of_plain(self._plain_of(row.dictionary, row.body, forms))
                    if row.glance is None
                    else summary_from(row.glance)
                )
            except Exception as error:  # noqa: BLE001 - a record must not be lost because it cannot be summed up
                _LOGGER.error(UNREADABLE, position=row.position, trouble=f"{type(error).__name__}: {error}")
                continue
            key = row.instant_ns // (MINUTE_S * 1_000_000_000) * MINUTE_S, row.tank
            before = self._open.get(key)
            if before is None:
                self._open[key] = _Open(summary, row.position)
            else:
                self._open[key] = _Open(merged(before.summary, summary), before.first)
        self._last = rows[-1].position

    def _write(self, connection: sqlite3.Connection, keys: list[tuple[int, int]]) -> None:
        for key in sorted(keys):
            each = self._written[key] = self._open.pop(key)
            known = connection.execute("SELECT body FROM minutes WHERE start = ? AND tank = ?", key).fetchone()
            summary = each.summary if known is None else merged(unpacked(known[0]), each.summary)
            connection.execute("INSERT OR REPLACE INTO minutes VALUES (?, ?, ?)", (*key, packed(summary)))
        mark = min((each.first for each in self._open.values()), default=self._last + 1) - 1
        connection.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (_MARK, str(mark)))

    def _pack(self, connection: sqlite3.Connection, now_s: int) -> None:
        """Some tanks of the oldest hour that is over; its minutes go when all its tanks are packed."""
        (oldest,) = connection.execute("SELECT min(start) FROM minutes").fetchone()
        if oldest is None:
            return
        hour = oldest // HOUR_S * HOUR_S
        if not _is_over(hour, HOUR_S, now_s) or any(hour <= minute < hour + HOUR_S for minute, _ in self._open):
            return
        done = self._packing[1] if self._packing is not None and self._packing[0] == hour else -1
        minutes: dict[int, dict[int, Summary]] = {}
        for tank in _tanks_of(connection, hour, done):
            minutes[tank] = {}
        if not minutes:
            connection.execute("DELETE FROM minutes WHERE start >= ? AND start < ?", (hour, hour + HOUR_S))
            self._packing = None
            return
        last = max(minutes)
        for start, tank, body in connection.execute(
            "SELECT start, tank, body FROM minutes WHERE start >= ? AND start < ? AND tank > ? AND tank <= ?",
            (hour, hour + HOUR_S, done, last),
        ):
            minutes[tank][(start - hour) // MINUTE_S] = unpacked(body)
        for tank, of_tank in minutes.items():
            whole = _merge_block(connection, MINUTE_S, tank, hour, of_tank)
            day = hour // DAY_S * DAY_S
            at = (hour - day) // HOUR_S
            _merge_block(connection, HOUR_S, tank, day, {at: folded(whole[each] for each in sorted(whole))})
            _forget(connection, tank, now_s)
        self._packing = hour, last


def block_of(span_s: int) -> int:
    """Seconds that a row of `trends` covers."""
    return HOUR_S if span_s == MINUTE_S else DAY_S


def _is_over(start: int, span_s: int, now_s: int) -> bool:
    """Also where the clock was set back to before it: who knows when it will come there again."""
    return now_s >= start + span_s + _LATE_S or now_s < start


def _mark(connection: sqlite3.Connection) -> int:
    found = connection.execute("SELECT value FROM about WHERE key = ?", (_MARK,)).fetchone()
    return int(found[0]) if found else 0


def _tanks_of(connection: sqlite3.Connection, hour: int, after: int) -> list[int]:
    found = connection.execute(
        "SELECT DISTINCT tank FROM minutes WHERE start >= ? AND start < ? AND tank > ? ORDER BY tank LIMIT ?",
        (hour, hour + HOUR_S, after, _TANKS_AT_ONCE),
    )
    return [tank for (tank,) in found.fetchall()]


def _merge_block(
    connection: sqlite3.Connection, span_s: int, tank: int, start: int, summaries: dict[int, Summary]
) -> dict[int, Summary]:
    """Into what there is; the whole."""
    known = connection.execute(
        "SELECT body FROM trends WHERE span = ? AND tank = ? AND start = ?", (span_s, tank, start)
    ).fetchone()
    whole = {} if known is None else unpacked_block(zlib.decompress(known[0]))
    for place, summary in summaries.items():
        # An hour is made from all its minutes, be it again; a minute may have come in parts.
        before = whole.get(place) if span_s == MINUTE_S else None
        whole[place] = summary if before is None else merged(before, summary)
    body = zlib.compress(packed_block(whole))
    connection.execute("INSERT OR REPLACE INTO trends VALUES (?, ?, ?, ?)", (span_s, tank, start, body))
    return whole


def _forget(connection: sqlite3.Connection, tank: int, now_s: int) -> None:
    for span_s, kept_s in _KEPT_S.items():
        connection.execute(
            "DELETE FROM trends WHERE span = ?1 AND tank = ?2 AND start IN "
            "(SELECT start FROM trends WHERE span = ?1 AND tank = ?2 AND start < ?3 ORDER BY start LIMIT ?4)",
            (span_s, tank, now_s - kept_s - block_of(span_s), _FORGOTTEN_AT_ONCE),
        )
