"""Pure: entries of history to rows, in the columns that gateway/delivery/postgresql/sql makes.

SI always, at full precision. A Bad figure has the value NULL, whatever the record says.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any

import orjson

from gateway.errors import DeliveryError
from gateway.figures import BESIDE, FIGURE_DEFINITIONS
from gateway.history import KeptEvent, KeptRecord
from gateway.payload.plain import iso_time
from gateway.records import Figures, Inventory, LastGood, Quality, Reason, ReasonCode
from gateway.tank_state import AlarmStanding

__all__ = ["EVENT_COLUMNS", "FIGURE_COLUMNS", "RECORD_COLUMNS", "event_row", "record_row"]

_SUFFIXES = {"m": "m", "degC": "degc", "Pa": "pa", "m3": "m3", "1": "ratio", "kg/m3": "kg_m3", "kg": "kg"}

FIGURE_COLUMNS: Mapping[str, str] = {each.name: f"{each.name}_{_SUFFIXES[each.unit]}" for each in FIGURE_DEFINITIONS}
"""By the name of the figure. The quality stands in the column NAME_quality."""

RECORD_COLUMNS: tuple[str, ...] = (
    "site",
    "tank",
    "boot",
    "sequence",
    "instant",
    "previous_boot",
    "previous_sequence",
    "product",
    "quality",
    "reason_code",
    "reason_text",
    "simulated",
    "level_source",
    "temperature_source",
    "water_source",
    "density_source",
    "limit_state",
    "roof_zone",
    "limit_quality",
    "minimum_level_m",
    "maximum_working_level_m",
    "high_high_level_m",
    "critical_high_level_m",
    "reference_temperature_degc",
    "plan",
    "oldest_input",
    "reasons",
    "last_good",
    "manual_figures",
    "none_detected",
    "element_height_m",
    "element_temperature_degc",
    "element_quality",
    "element_used",
    *(column for name, column in FIGURE_COLUMNS.items() for column in (column, f"{name}_quality")),
)

EVENT_COLUMNS: tuple[str, ...] = (
    "site",
    "tank",
    "boot",
    "sequence",
    "number",
    "instant",
    "kind",
    "subject",
    "reason_code",
    "reason_text",
    "done_by",
    "alarm_kind",
    "alarm_priority",
    "alarm_phase",
    "alarm_active",
    "alarm_raised",
    "alarm_value",
    "alarm_by",
    "alarm_until",
    "alarm_why",
    "document",
)

_FIRST_YEAR, _LAST_YEAR = 2, 9998
"""The first and the last instant that Python knows are infinite in a database, where no month has them."""
_NUL_IN_JSON, _MISSING_IN_JSON = r"\u0000", r"\ufffd"
_WORDS = tuple(quality.word for quality in Quality)


def record_row(kept: KeptRecord) -> tuple[Any, ...]:
    """Raises DeliveryError when a number is not finite or the instant cannot be."""
    record = kept.record
    inventory = record.inventory
    site, tank, boot, sequence = record.identity
    previous_boot, previous_sequence = (None, None) if kept.previous is None else kept.previous
    instant = _utc(inventory.instant)
    worst = _worst_reason(inventory.figures)
    state = inventory.level_state
    cells: list[Any] = []
    reasons: dict[str, Any] = {}
    manual: list[str] = []
    none_detected: list[str] = []
    oldest_s = -1.0
    for name, figure in zip(Figures._fields, inventory.figures, strict=True):
        value, quality, because, age_s, by_hand = figure
        if quality == 2:
            value = None
        # The difference of two infinities, and of anything with NaN, is NaN.
        elif value is not None and value - value != 0.0:
            raise _not_finite(tank, name, value)
        if value is not None and age_s > oldest_s:
            oldest_s = age_s
        if because:
            if quality:
                reasons[name] = {"code": because[0].code, "text": _text(because[0].text)}
            elif because[0].code is ReasonCode.NONE_DETECTED:
                none_detected.append(name)
        if by_hand:
            manual.append(name)
        cells += value, _WORDS[quality]
    elements = inventory.elements
    temperatures = [_temperature(tank, each.height_m, each.value, each.quality) for each in elements]
    return (
        _text(site),
        _text(tank),
        _text(boot),
        sequence,
        instant,
        None if previous_boot is None else _text(previous_boot),
        previous_sequence,
        _text(inventory.product),
        _WORDS[inventory.quality],
        *_told(worst),
        inventory.simulated,
        *inventory.sources,
        state.limit,
        state.roof,
        _WORDS[state.quality],
        *(
            _finite(tank, "a limit", limit)
            for limit in (state.minimum_m, state.maximum_working_m, state.high_high_m, state.critical_high_m)
        ),
        _finite(tank, "reference temperature", inventory.reference_temperature_c),
        record.plan,
        _time_of_age(instant, oldest_s),
        _json(reasons),
        _json(_last_good(inventory)),
        manual or None,
        none_detected or None,
        [_finite(tank, "height of an element", each.height_m) for each in elements] or None,
        temperatures or None,
        [_WORDS[each.quality] for each in elements] or None,
        [each.used for each in elements] or None,
        *cells,
    )


def event_row(kept: KeptEvent) -> tuple[Any, ...]:
    """Raises DeliveryError when the instant cannot be."""
    site, tank, boot, sequence = kept.identity
    event = kept.event
    return (
        _text(site),
        _text(tank),
        _text(boot),
        sequence,
        kept.number,
        _utc(event.instant),
        event.kind,
        _text(event.subject),
        *_told(event.reason),
        None if event.by is None else _text(event.by),
        *_alarm(tank, event.standing),
        _text(event.document).replace(_NUL_IN_JSON, _MISSING_IN_JSON) or None,
    )


def _alarm(tank: str, standing: AlarmStanding | None) -> tuple[Any, ...]:
    """Raises DeliveryError."""
    if standing is None:
        return (None,) * 9
    return (
        standing.kind,
        standing.priority,
        standing.phase,
        standing.is_active,
        None if standing.raised is None else _utc(standing.raised),
        _finite(tank, f"value of alarm {standing.name}", standing.value),
        None if standing.by is None else _text(standing.by),
        None if standing.until is None else _utc(standing.until),
        _text(standing.why) or None,
    )


def _worst_reason(figures: Figures) -> Reason | None:
    """The first of the first of the worst figures that count; None where all that count are Good."""
    worst = max((figure.quality for name, figure in _counting(figures)), default=Quality.GOOD)
    if worst is Quality.GOOD:
        return None
    return next((each.reasons[0] for _, each in _counting(figures) if each.quality is worst and each.reasons), None)


def _counting(figures: Figures) -> Sequence[tuple[str, Any]]:
    return [pair for pair in zip(Figures._fields, figures, strict=True) if pair[0] not in BESIDE]


def _told(reason: Reason | None) -> tuple[str | None, str | None]:
    return (None, None) if reason is None else (reason.code, _text(reason.text))


def _last_good(inventory: Inventory) -> dict[str, Any]:
    """Of figures that are Bad now."""
    return {
        name: _last(inventory.tank, name, inventory.last_good[name])
        for name, figure in zip(Figures._fields, inventory.figures, strict=True)
        if figure.quality is Quality.BAD and name in inventory.last_good
    }


def _last(tank: str, name: str, last_good: LastGood) -> dict[str, Any]:
    value = _finite(tank, f"{name}, last good", last_good.value)
    return {"value": value, "time": iso_time(datetime.fromtimestamp(last_good.time_s, UTC))}


def _temperature(tank: str, height_m: float, value: float | None, quality: Quality) -> float | None:
    return None if quality is Quality.BAD else _finite(tank, f"element at {height_m} m", value)


def _time_of_age(instant: datetime, age_s: float) -> datetime | None:
    """When the oldest input was read; None when there never was one, which an infinite age says."""
    if age_s < 0.0:
        return None
    try:
        return instant - timedelta(0, age_s)
    except (OverflowError, ValueError):
        return None


def _utc(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise DeliveryError(f"time {instant.isoformat()} has no zone: a record must carry UTC")
    utc = instant.astimezone(UTC)
    if not _FIRST_YEAR <= utc.year <= _LAST_YEAR:
        raise DeliveryError(f"time {instant.isoformat()} is no time of a record")
    return utc


def _finite(tank: str, what: str, value: float | None) -> float | None:
    if value is not None and not isfinite(value):
        raise _not_finite(tank, what, value)
    return value


def _not_finite(tank: str, what: str, value: float) -> DeliveryError:
    return DeliveryError(f"tank {tank}: {what} is {value}, not a finite number; the record is not delivered")


def _json(content: dict[str, Any]) -> str | None:
    return orjson.dumps(content).decode() if content else None


def _text(text: str) -> str:
    """PostgreSQL has no NUL in a text, and UTF-8 no half of a pair: what cannot stand there is seen to be missing."""
    if text.isascii() and "\0" not in text:
        return text
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode()
