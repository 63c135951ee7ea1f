"""Levels that people have dipped, over HTTP, newest first, each beside what the gauge of its tank said then.

The gauge's word is that of a record of the ledger, of the minute of the dip or the one before: never of a sheet whose
level was the dip itself. Where no such record is kept any more nothing is compared.
"""

import sqlite3
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from gateway.actions.entry import Entry, What, entry_from
from gateway.commissioning.dip_record import TOLERANCES_M
from gateway.errors import QuantityError
from gateway.history import KeptRecord
from gateway.ledger.blocks import RECORD
from gateway.ledger.papers import ENTRY
from gateway.ledger.span import entries_of_span
from gateway.page_answers.parts import Parts, made, ns_of
from gateway.payload.plain import iso_time
from gateway.records import Quality
from gateway.sources import LevelSource
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion
from gateway.units.quantity import Dimension, parse_quantity
from gateway.web.interface.contract import Call, Made

__all__ = ["Dips"]

_MOST = 50
_NEAR = timedelta(seconds=90)
"""A dip is dated by the minute."""
_LEVEL = "level"
_SLACK_M = 1e-9


class _Gauged(NamedTuple):
    level_m: float | None
    trouble: str = ""
    """Why nothing is compared: a code."""


class Dips:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def dips(self, _: Call) -> Made:
        parts = self._parts
        entries, is_whole = await parts.read(_entries)
        rows = []
        for entry in entries:
            # One look at history each, so that others who look come between.
            instant = _instant(entry)
            gauged = await parts.read(
                lambda connection, entry=entry, instant=instant: _gauged(connection, entry.about, instant),  # type: ignore[misc]
                is_fresh=False,
            )
            rows.append(_told(entry, instant, gauged))
        return made(
            {
                "schema": "tank-gateway/page-dips/1",
                "time": iso_time(parts.now()),
                "simulated": parts.site().simulated,
                "complete": is_whole,
                "tolerances": dict(TOLERANCES_M),
                "dips": rows,
            }
        )


def _entries(connection: sqlite3.Connection) -> tuple[list[Entry], bool]:
    """Newest first; what is damaged is left out, and then they are not all."""
    found: list[Entry] = []
    is_whole = True
    rows = connection.execute("SELECT body FROM papers WHERE kind = ? ORDER BY number DESC", (ENTRY,))
    for (body,) in rows:
        try:
            entry = entry_from(body)
        except ValueError:
            is_whole = False
            continue
        if entry.quantity == _LEVEL and entry.what is What.ENTERED:
            if len(found) == _MOST:
                return found, False
            found.append(entry)
    return found, is_whole


def _instant(entry: Entry) -> datetime:
    """When it was dipped."""
    try:
        instant = datetime.fromisoformat(entry.block["entered"])
    except (KeyError, ValueError):
        return entry.at
    return instant if instant.tzinfo is not None else instant.replace(tzinfo=UTC)


def _gauged(connection: sqlite3.Connection, tank: str, instant: datetime) -> _Gauged:
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()
    if number is None:
        return _Gauged(None, "not_kept")
    begin, until = ns_of(instant - _NEAR), ns_of(instant + _NEAR)
    near = [
        entry.record
        for entry in entries_of_span(connection, RECORD, begin, until, {number[0]})
        if isinstance(entry, KeptRecord)
    ]
    if not near:
        return _Gauged(None, "not_kept")
    # Of those before the dip the newest; a dip that is dated by the minute may lie before its first.
    before = [record for record in near if record.inventory.instant <= instant]
    return _word_of(before[-1] if before else near[0])


def _word_of(record: TankRecord) -> _Gauged:
    level = record.inventory.figures.level
    if record.inventory.sources.level not in (LevelSource.GAUGE, LevelSource.SECOND_GAUGE, LevelSource.PRESSURE):
        return _Gauged(None, "no_gauge")
    if level.value is None or level.quality is not Quality.GOOD:
        return _Gauged(None, "not_good")
    if record.state is not None and record.state.motion in (Motion.FILLING, Motion.EMPTYING):
        return _Gauged(None, "moving")
    return _Gauged(level.value)


def _told(entry: Entry, instant: datetime, gauged: _Gauged) -> Mapping[str, Any]:
    text = entry.block.get("value", "")
    try:
        dip: float | None = parse_quantity(text, Dimension.LENGTH)
    except QuantityError:
        dip = None
    difference = None if dip is None or gauged.level_m is None else gauged.level_m - dip
    within = None
    if difference is not None:
        fit = [name for name, most in TOLERANCES_M.items() if abs(difference) <= most + _SLACK_M]
        within = fit[0] if fit else "neither"
    return {
        "tank": entry.about,
        "time": iso_time(instant),
        "by": entry.by,
        "why": entry.why,
        "as_typed": text,
        "level": dip,
        "gauge": gauged.level_m,
        "difference": difference,
        "within": within,
        "not_compared": gauged.trouble or None,
    }
