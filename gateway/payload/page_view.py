"""Pure: the live view that the page draws: a row for each tank, and what stands beside them. JSON Schema: view.json.

A figure is short, since hundreds of them go out each second: `v` value (null where there is none), `u` unit, `q`
quality, `r` the first reason, `last` the last good value of a Bad one. `t`: when its oldest input was read, where that
is not the time of the row to the second; null: there never was one. What is not Bad and has no value says in `none`
why. Absent: it does not apply to this tank. Whether a row is still the present is judged by who looks at it, from
`valid_until`.
"""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from math import isfinite
from typing import Any, NamedTuple

from gateway.figures import reasons_behind
from gateway.payload.plain import iso_time, reason_document, time_of_age
from gateway.payload.tank_state import stillness_document
from gateway.payload.told import sentence_documents
from gateway.records import Figure, LastGood, Quality, ReasonCode, because
from gateway.status import DestinationStatus, EnteredStatus, LineStatus
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmNow, AlarmStanding
from gateway.totals import Holding, holding_of, site_totals
from gateway.validity import valid_until

__all__ = [
    "VIEW_SCHEMA",
    "AtWork",
    "destination_documents",
    "entered_documents",
    "figure_document",
    "line_documents",
    "row_document",
    "total_documents",
]

VIEW_SCHEMA = "tank-gateway/view/1"

_FIGURES: tuple[tuple[str, str, str], ...] = (
    ("level", "level", "m"),
    ("temperature", "liquid_temperature", "degC"),
    ("tov", "tov", "m3"),
    ("gsv", "gsv", "m3"),
    ("mass", "mass", "kg"),
    ("water", "water_level", "m"),
    ("room", "room", "m3"),
    ("pumpable", "pumpable", "m3"),
)
"""Member, field of `Figures`, unit."""
_MEASURED = ("level", "liquid_temperature", "water_level")
"""By hand is said of what stands in for an instrument; a density is entered as a rule."""
_WORDS = tuple(quality.word for quality in Quality)
_SAME_TIME_S = 1.0
_NOT_FINITE = because(ReasonCode.CALCULATION_FAILED, "the result is not a finite number")
_UNITS = {"gsv": "m3", "mass": "kg"}


class AtWork(NamedTuple):
    """Somebody works on an instrument that feeds the tank."""

    instrument: str
    until: datetime
    """UTC."""
    by: str


def row_document(
    record: TankRecord, maintenance: Sequence[AtWork] = (), holding: Holding | None = None
) -> dict[str, Any]:
    """One tank. `holding`: of its inventory, where that is made already.

    A number that JSON cannot carry is Bad. Raises DeliveryError for a time without a zone.
    """
    inventory, state = record.inventory, record.state
    instant, last_good = inventory.instant, inventory.last_good
    figures, limits = inventory.figures, inventory.level_state
    until = valid_until(instant, record.valid_for_s)
    behind = reasons_behind(figures, inventory.quality)
    shown = [getattr(figures, name) for _, name, _ in _FIGURES]
    row: dict[str, Any] = {
        "product": inventory.product,
        "time": iso_time(instant),
        "valid_until": None if until is None else iso_time(until),
        "quality": _WORDS[inventory.quality],
        "reasons": [reason_document(reason) for reason in behind],
        "limit_state": limits.limit,
        "motion": "unknown" if state is None else state.motion,
        "activity": None if state is None else state.activity or None,
    }
    if limits.roof is not None:
        row["roof"] = limits.roof
    if inventory.simulated:
        row["simulated"] = True
    with_vapour = (holding or holding_of(inventory)).with_vapour
    for member, name, unit in _FIGURES:
        if member == "mass" and with_vapour:
            # What evaporates is not lost: as in every list and total.
            name = "total_mass"
            row["with_vapour"] = True
        told = figure_document(getattr(figures, name), unit, instant, last_good.get(name))
        if told is not None:
            row[member] = told
    if state is not None:
        rate = figure_document(state.rate, "m3/s", instant)
        if rate is not None:
            row["rate"] = rate
        if state.still is not None:
            row["still"] = stillness_document(state.still)
        row["times"] = [
            {"limit": limit, "level": level_m, "in_s": round(in_s), "at": iso_time(at)}
            for limit, level_m, in_s, at in state.times
            if isfinite(level_m) and isfinite(in_s)
        ]
    else:
        row["times"] = []
    row["maintenance"] = [
        {"instrument": instrument, "until": iso_time(end), "by": by} for instrument, end, by in maintenance
    ] or None
    first = [figure.reasons[0] for figure in shown if figure.reasons]
    if state is not None and state.rate.reasons:
        first.append(state.rate.reasons[0])
    sentences = sentence_documents((*behind, *first))
    if sentences:
        row["sentences"] = sentences
    row["by_hand"] = any(getattr(figures, name).manual for name in _MEASURED)
    return row


def figure_document(
    figure: Figure, unit: str, instant: datetime, last: LastGood | None = None
) -> dict[str, Any] | None:
    """`instant`: of what it stands in. None: it does not apply. Raises DeliveryError likewise."""
    value, quality, reasons, age_s, manual = figure
    told: dict[str, Any] = {"v": value, "u": unit, "q": _WORDS[quality]}
    if quality == 2:
        told["v"] = None
    elif value is None:
        codes = {reason.code for reason in reasons}
        if ReasonCode.NOT_APPLICABLE in codes:
            return None
        if ReasonCode.NONE_DETECTED in codes:
            told["none"] = "none_detected"
        else:
            told["q"] = "Bad"
    elif value - value != 0.0:
        # The difference of two infinities, and of anything with NaN, is NaN.
        told["v"], told["q"], reasons = None, "Bad", (_NOT_FINITE,)
    if reasons:
        told["r"] = reason_document(reasons[0])
    if manual:
        told["manual"] = True
    if not age_s < _SAME_TIME_S:
        told["t"] = time_of_age(instant, age_s)
    if told["q"] == "Bad" and last is not None and isfinite(last.value):
        told["last"] = {"v": last.value, "t": iso_time(datetime.fromtimestamp(last.time_s, UTC))}
    return told


def total_documents(holdings: Iterable[Holding]) -> list[dict[str, Any]]:
    """Totals by product and of all, as `tank-gateway show` has them: Bad is left out and counted."""
    found = []
    for product, figure, with_vapour, holding, total, reference_c, simulated in site_totals(holdings):
        value = total.value
        document = {
            "product": product,
            "figure": figure,
            "with_vapour": with_vapour,
            "value": value if value is None or isfinite(value) else None,
            "unit": _UNITS[figure],
            "included": total.included,
            "of": total.tanks,
            "holding": holding,
            "estimated": total.estimated,
            "reference_temperature": None if reference_c is None else {"value": reference_c, "unit": "degC"},
            "simulated": simulated,
        }
        found.append(document)
    return found


def line_documents(lines: Iterable[LineStatus], alarms: Iterable[AlarmNow]) -> list[dict[str, Any]]:
    """`since`: when the loss of a line that is lost was found; null where it is connected, or nobody was alarmed."""
    lost = {
        alarm.standing.name.partition(".")[2]: alarm.standing
        for alarm in alarms
        if not alarm.tank and alarm.standing.kind is AlarmKind.LINE_LOST and alarm.standing.is_active
    }
    return [
        {
            "name": status.line,
            "connected": status.connected,
            "on_standby": status.on_standby,
            "since": _raised(None if status.connected else lost.get(status.line)),
        }
        for status in lines
    ]


def _raised(standing: AlarmStanding | None) -> str | None:
    return None if standing is None or standing.raised is None else iso_time(standing.raised)


def destination_documents(destinations: Iterable[DestinationStatus]) -> list[dict[str, Any]]:
    """Seconds are whole: more would be news each time."""
    return [
        {
            "destination": status.destination,
            "connected": status.connected,
            "lost": status.lost + (0 if status.history is None else status.history.lost),
            "waiting": status.waiting if status.history is None else status.history.waiting,
            "oldest_s": _whole(status.oldest_waiting_s if status.history is None else status.history.oldest_s),
            "buffer_left_s": _whole(None if status.history is None else status.history.buffer_left_s),
            "troubles": [trouble._asdict() for trouble in status.troubles],
        }
        for status in destinations
    ]


def entered_documents(entered: Iterable[EnteredStatus]) -> list[dict[str, Any]]:
    return [
        {
            "about": each.about,
            "quantity": each.quantity,
            "used": each.is_used,
            "text": each.text,
            "value": each.value or None,
            "by": each.by or None,
            "ends": None if each.ends is None else iso_time(each.ends),
            "stands_in": each.stands_in,
        }
        for each in entered
    ]


def _whole(seconds: float | None) -> int | None:
    return None if seconds is None or not isfinite(seconds) else round(seconds)
