"""The transfers of a site as lines: each with the ruled line of its tanks, what has moved, how fast, until when."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple

from gateway.account.transfer import Direction, Mark, Planned, TransferKind, TransferPhase
from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.ruler import Ruled, ruler
from gateway.display import NO_VALUE, printable, show_value
from gateway.records import Inventory, Quality
from gateway.sentences import duration_words
from gateway.tank_state import Motion, TankState

__all__ = ["Amount", "SheetNow", "Told", "measure_words", "transfer_lines"]

_PER_HOUR = 3600.0
_SMALL_M3_H = 9.95
_RULER = 40
_NEXT_DAY_S = 43_200.0
_ORDER = (
    TransferPhase.RUNNING,
    TransferPhase.PROPOSED,
    TransferPhase.SETTLING,
    TransferPhase.PAUSED,
    TransferPhase.PLANNED,
    TransferPhase.CLOSED,
    TransferPhase.CANCELLED,
)
_MEASURES = {"tov": "TOV", "gov": "GOV", "gsv": "GSV", "nsv": "NSV"}


class SheetNow(NamedTuple):
    """A tank as it stands."""

    inventory: Inventory
    state: TankState | None


class Amount(NamedTuple):
    """SI. None: it is not known, and why."""

    value: float | None
    quality: str
    why: str = ""


class Told(NamedTuple):
    """One transfer and how far it has come, as the gateway tells it."""

    number: int
    kind: TransferKind
    phase: TransferPhase
    since: datetime
    sides: Sequence[tuple[str, Direction]]
    product: str
    planned: Planned
    partner: str
    reference: str
    owner: str
    by: str
    marks: Sequence[Mark]
    ticket: int | None
    waits_for: str
    moved: Amount | None
    """By `measure`; None: it has not begun, or is over."""
    measure: str
    rate: Amount | None
    finish: datetime | None
    settled: datetime | None = None
    """UTC: when it will have settled if nothing moves; None: not known."""
    taken_back: str = ""
    """What became of its ticket since; empty: it stands."""


def transfer_lines(transfers: Iterable[Told], tanks: Mapping[str, SheetNow], now: datetime, zone: tzinfo) -> list[str]:
    """What moves first, then what somebody has to say, then what waits."""
    ordered = sorted(transfers, key=_place)
    lines: list[str] = []
    for each in ordered:
        lines += ["", *_one(each, tanks, now, zone)]
    return lines


def _place(told: Told) -> tuple[int, int]:
    """Of those that are over the newest first."""
    return _ORDER.index(told.phase), -told.number if told.phase.is_over else told.number


def measure_words(measure: str) -> str:
    """`GSV`, `weight in air`."""
    return _MEASURES.get(measure, measure.replace("_", " "))


def _one(told: Told, tanks: Mapping[str, SheetNow], now: datetime, zone: tzinfo) -> list[str]:
    lines = [_head(told)]
    if not told.phase.is_over:
        lines += [_tank_line(tank, tanks.get(tank), zone) for tank, _ in told.sides]
    lines += [f"     {line}" for line in _course(told, tanks, now, zone)]
    lines += [f"     {_time(mark.instant, now, zone)}  {mark.text}{_by(mark.by)}" for mark in told.marks]
    return [printable(line) for line in lines]


def _head(told: Told) -> str:
    ways = " ".join(f"{'into' if way is Direction.INTO else 'out of'} {tank}" for tank, way in told.sides)
    who = ", ".join(text for text in (told.partner, told.reference, told.owner and f"of {told.owner}") if text)
    return f"{told.number:>3}  {told.phase.upper()}  {told.kind.replace('_', ' ')} {ways}, {told.product}" + (
        f"; {who}" if who else ""
    )


def _tank_line(tank: str, sheet: SheetNow | None, zone: tzinfo) -> str:
    if sheet is None:
        return f"     {tank}: no sheet"
    level, water = sheet.inventory.figures.level, sheet.inventory.figures.water_level
    state = sheet.inventory.level_state
    limits = [
        limit
        for limit in (state.minimum_m, state.maximum_working_m, state.high_high_m, state.critical_high_m)
        if limit is not None
    ]
    motion = Motion.UNKNOWN if sheet.state is None else sheet.state.motion
    last = sheet.inventory.last_good.get("level")
    line = ruler(Ruled(level.value, level.quality, motion, limits, last and last.value, water.value), _RULER)
    doubt = "?" if level.quality is Quality.UNCERTAIN else ""
    text = "no level" if level.value is None else f"{show_value('level', level.value).number}{doubt} m"
    ahead = ""
    if sheet.state is not None and sheet.state.times:
        limit, _, in_s, at = sheet.state.times[0]
        form = "%H:%M" if in_s < _NEXT_DAY_S else "%Y-%m-%d %H:%M"
        ahead = f", {limit.replace('_', ' ')} at {at.astimezone(zone):{form}}"
    return f"     {line}{'  ' if line else ''}{tank} {text}{ahead}"


def _course(told: Told, tanks: Mapping[str, SheetNow], now: datetime, zone: tzinfo) -> list[str]:
    planned = told.planned
    of = "" if planned.amount is None else f" of {_amount(planned.amount, planned.measure)} planned"
    match told.phase:
        case TransferPhase.PLANNED:
            begins = "" if planned.begins is None else f", to begin at {_time(planned.begins, now, zone)}"
            amount = "no amount given" if planned.amount is None else _amount(planned.amount, planned.measure)
            return [f"planned: {amount} {measure_words(planned.measure)}{begins}{_by(told.by)}"]
        case TransferPhase.CLOSED:
            since = f"; {told.taken_back}" if told.taken_back else ""
            return [f"ticket {told.ticket}, closed at {_time(told.since, now, zone)}{since}"]
        case TransferPhase.CANCELLED:
            return [f"cancelled at {_time(told.since, now, zone)}"]
        case _:
            pass
    lines = [f"moved {_figure(told.moved, told.measure)}{of}{_rate(told, tanks)}{_finish(told, now, zone)}"]
    if told.phase is TransferPhase.PROPOSED:
        lines.append(f"nobody said what it is: tank-gateway transfers confirm {told.number} | cancel {told.number}")
    elif told.phase is TransferPhase.SETTLING:
        lines.append(_settles(told, now, zone))
    elif told.phase is TransferPhase.PAUSED:
        lines.append(f"paused since {_time(told.since, now, zone)}")
    return lines


def _settles(told: Told, now: datetime, zone: tzinfo) -> str:
    if told.settled is None or told.waits_for:
        return f"waits for: {told.waits_for or 'its tanks to come to rest'}, since {_time(told.since, now, zone)}"
    still = duration_words(max(0.0, (told.settled - now).total_seconds()))
    return f"settles until {_time(told.settled, now, zone)} if nothing moves: still {still}"


def _figure(figure: Amount | None, measure: str) -> str:
    if figure is None:
        return "nothing yet"
    if figure.value is None:
        return f"{NO_VALUE} ({figure.why or 'not known'})"
    estimated = "" if figure.quality == Quality.GOOD.word else f" (estimated: {figure.why})"
    return f"{_amount(figure.value, measure)} {measure_words(measure)}{estimated}"


def _amount(value: float, measure: str) -> str:
    return show_value(measure, value).text


def _rate(told: Told, tanks: Mapping[str, SheetNow]) -> str:
    """At rest the rate is that of noise: none that anybody compares with the ship's."""
    rate = told.rate
    if told.phase not in (TransferPhase.RUNNING, TransferPhase.PROPOSED) or rate is None:
        return ""
    if rate.value is None:
        return ", rate unknown"
    states = [None if tank not in tanks else tanks[tank].state for tank, _ in told.sides]
    if all(state is not None and state.motion is Motion.AT_REST for state in states):
        return ", nothing flows"
    per_hour = rate.value * _PER_HOUR
    words = f"{per_hour:,.0f}" if abs(per_hour) >= _SMALL_M3_H else f"{round(per_hour, 1) + 0.0:.1f}"
    return f", at {words}{'' if rate.quality == Quality.GOOD.word else '?'} m³/h"


def _finish(told: Told, now: datetime, zone: tzinfo) -> str:
    if told.phase is not TransferPhase.RUNNING or told.planned.amount is None:
        return ""
    if told.finish is None:
        return ", finish unknown"
    in_s = (told.finish - now).total_seconds()
    return f", done at {_time(told.finish, now, zone)}, in {duration_words(in_s)}"


def _time(instant: datetime, now: datetime, zone: tzinfo) -> str:
    near = abs((instant - now).total_seconds()) < _NEXT_DAY_S
    return site_time(instant, zone, "%H:%M" if near else "%Y-%m-%d %H:%M")


def _by(who: str) -> str:
    return f", by {who}" if who else ""
