"""Does the gauge agree with the dip? The last dips of a tank over HTTP, each beside what its gauge said then."""

import sqlite3
from datetime import datetime
from typing import Any, NamedTuple

from gateway.actions.entry import Entry, What, entry_from
from gateway.commissioning.dip_record import TOLERANCES_M
from gateway.errors import QuantityError
from gateway.ledger.hand_dips import papers_of_key, record_before
from gateway.page_answers.parts import Parts, made, ns_of
from gateway.page_answers.times import count_asked
from gateway.payload.plain import iso_time, reason_document, time_of_age
from gateway.payload.told import reasons_in, sentence_documents
from gateway.sources import LevelSource
from gateway.tank_record import TankRecord
from gateway.units.quantity import Dimension, parse_quantity
from gateway.web.interface.contract import Call, Made

__all__ = ["Dips"]

_USUAL, _MOST = 3, 50
_WITHIN_NS = 600 * 10**9
"""A record is kept each minute or so of a tank at rest: an older one is no longer that of the dip."""
_SLACK_M = 1e-9
_MEASURED = (LevelSource.GAUGE, LevelSource.SECOND_GAUGE, LevelSource.PRESSURE)


class _Dip(NamedTuple):
    entry: Entry
    measured: datetime
    tape_m: float
    is_withdrawn: bool
    record: TankRecord | None


class Dips:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def dips(self, call: Call) -> Made:
        """Raises UnknownError, UsageError, NotKeptError, BusyError."""
        parts = self._parts
        tank = parts.setup(call).plan.tank
        at_most = count_asked(call.query, "at_most", _USUAL, 1, _MOST)
        found = await parts.read(lambda connection: _newest(connection, tank, at_most))
        return made(
            {
                "schema": "tank-gateway/page-dips/1",
                "tank": tank,
                "time": iso_time(parts.now()),
                "simulated": parts.site().simulated,
                "tolerances": dict(TOLERANCES_M),
                "dips": [_told(each) for each in found],
                "sentences": sentence_documents(reasons_in([_level(each.record) for each in found])),
            }
        )


def _newest(connection: sqlite3.Connection, tank: str, at_most: int) -> list[_Dip]:
    found: list[_Dip] = []
    withdrawn: Entry | None = None
    for body in papers_of_key(connection, f"level {tank}"):
        try:
            entry = entry_from(body)
            measured = datetime.fromisoformat(entry.block.get("entered") or entry.at.isoformat())
            tape_m = parse_quantity(entry.block["value"], Dimension.LENGTH)
        except (ValueError, KeyError, QuantityError):
            continue
        if entry.what is What.WITHDRAWN:
            withdrawn = entry
        if entry.what is not What.ENTERED:
            continue
        is_withdrawn = withdrawn is not None and withdrawn.block == entry.block
        withdrawn = None
        measured = measured if measured.tzinfo is not None else entry.at
        record = record_before(connection, tank, ns_of(measured), _WITHIN_NS)
        found.append(_Dip(entry, measured, tape_m, is_withdrawn, record))
        if len(found) == at_most:
            break
    return found


def _level(record: TankRecord | None) -> Any:
    return None if record is None else record.inventory.figures.level


def _told(dip: _Dip) -> dict[str, Any]:
    entry, record = dip.entry, dip.record
    gauge = None if record is None else _gauge(record)
    value = None if gauge is None else gauge["value"]
    difference = None if value is None else value - dip.tape_m
    return {
        "measured": iso_time(dip.measured),
        "entered": iso_time(entry.at),
        "by": entry.by,
        "why": entry.why,
        "typed": entry.block["value"],
        "tape": dip.tape_m,
        "withdrawn": dip.is_withdrawn,
        "gauge": gauge,
        "difference": difference,
        "within": None if difference is None else _within(difference),
        "motion": None if record is None or record.state is None else record.state.motion.value,
    }


def _gauge(record: TankRecord) -> dict[str, Any]:
    """What it said at the last record before; without a value where the level was not by a gauge."""
    inventory = record.inventory
    level = inventory.figures.level
    source = inventory.sources.level
    is_measured = source in _MEASURED
    return {
        "value": level.value if is_measured else None,
        "quality": level.quality.word if is_measured else "Bad",
        "reason": reason_document(level.reasons[0]) if level.reasons else None,
        "source": source.value,
        "time": time_of_age(inventory.instant, level.age_s),
    }


def _within(difference_m: float) -> str:
    """The narrowest tolerance that it is within, by name; `none` where it is beyond all."""
    for name, tolerance_m in sorted(TOLERANCES_M.items(), key=lambda each: each[1]):
        if abs(difference_m) <= tolerance_m + _SLACK_M:
            return name
    return "none"
