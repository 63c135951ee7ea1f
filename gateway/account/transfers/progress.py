"""How far an open transfer has come: moved so far, how fast, of how much, and when by the clock it will be done."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.account.gauging import gauging_of
from gateway.account.transfer import Direction, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.fits import observed_m3
from gateway.account.transfers.moved import ticket_moved, ticket_side, told_measure
from gateway.records import Figure, Quality, ReasonCode, because
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = ["Progress", "progress"]

_LONGEST_S = 31 * 86400.0
"""A finish that is further away is none that anybody plans by."""


class Progress(NamedTuple):
    """Figures are SI. What is not known is Bad, with why: never a zero, never infinity."""

    moved: Mapping[str, Figure]
    """By measure: since the opening, in the direction of the transfer; empty where it has not begun."""
    measure: str
    """By which it is told: that of the plan, else the one that counts for the product."""
    rate: Figure
    """m3/s of observed volume in the direction of the transfer, as the watch has it now."""
    mean_rate: Figure
    """m3/s of observed volume since the opening, pauses and all."""
    planned: float | None
    """Of `measure`."""
    missing: Figure
    """Of `measure`: planned less moved; below zero: too much has moved."""
    finish: datetime | None
    """UTC, at the rate of now; None: not known, or nothing flows."""
    room_left_m3: float | None
    """In the tank that takes it in: to its maximum working level; None: not known, or none does."""
    pumpable_left_m3: float | None
    settled: datetime | None = None
    """UTC, when its tanks will have settled if nothing moves; None: not known, or it does not settle."""
    opening_rest_s: float | None = None
    """Of one that is planned: how much longer its tanks have to rest for a settled opening; 0: they have. None: one of
    them moves or is not known to rest, or it has begun."""


def progress(transfer: Transfer, sheets: Mapping[str, TankRecord], now: datetime) -> Progress:
    """By the newest sheet of each tank. Never raises for bad field data."""
    sides = [
        ticket_side(side, side.opening, side.closing or gauging_of(sheets[side.tank]))
        for side in transfer.sides
        if side.opening is not None and (side.closing is not None or side.tank in sheets)
    ]
    planned = transfer.planned
    if len(sides) < len(transfer.sides):
        unknown = _unknown("it has not begun, or a tank of it has no sheet")
        left = (_left(transfer, sheets, Direction.INTO, "room"), _left(transfer, sheets, Direction.OUT_OF, "pumpable"))
        return Progress({}, planned.measure, unknown, unknown, planned.amount, unknown, None, *left)
    moved = ticket_moved(transfer.kind, sides)
    measure = planned.measure if planned.amount is not None else told_measure(moved, transfer.kind)
    rate = _rate(transfer, sheets)
    missing = _missing(moved[measure], planned.amount)
    began = min(side.opening.instant for side in sides)
    return Progress(
        moved,
        measure,
        rate,
        _mean(moved["tov"], (now - began).total_seconds()),
        planned.amount,
        missing,
        _finish(transfer, rate, missing, sheets, now),
        _left(transfer, sheets, Direction.INTO, "room"),
        _left(transfer, sheets, Direction.OUT_OF, "pumpable"),
    )


def _counted(transfer: Transfer) -> Side:
    """The tank by which the amount is told."""
    into = [side for side in transfer.sides if side.direction is Direction.INTO]
    return into[0] if transfer.kind is TransferKind.TANK_TO_TANK and into else transfer.sides[0]


def _rate(transfer: Transfer, sheets: Mapping[str, TankRecord]) -> Figure:
    side = _counted(transfer)
    record = sheets.get(side.tank)
    state = None if record is None else record.state
    if state is None:
        return _unknown(f"how {side.tank} moves is not known")
    if side.direction is Direction.INTO or state.rate.value is None:
        return state.rate
    return state.rate._replace(value=-state.rate.value)


def _mean(tov: Figure, passed_s: float) -> Figure:
    if tov.value is None:
        return tov
    if passed_s <= 0.0:
        return _unknown("no time has passed since the opening, by this clock")
    return tov._replace(value=tov.value / passed_s)


def _missing(moved: Figure, planned: float | None) -> Figure:
    if planned is None:
        return _unknown("no amount was planned")
    return moved if moved.value is None else moved._replace(value=planned - moved.value)


def _finish(
    transfer: Transfer, rate: Figure, missing: Figure, sheets: Mapping[str, TankRecord], now: datetime
) -> datetime | None:
    """The observed volume that is missing, at the rate of now."""
    side = _counted(transfer)
    record = sheets.get(side.tank)
    if transfer.phase is not TransferPhase.RUNNING or record is None or record.state is None:
        return None
    if rate.value is None or rate.value <= 0.0 or missing.value is None or missing.value <= 0.0:
        return None
    moves = Motion.FILLING if side.direction is Direction.INTO else Motion.EMPTYING
    if record.state.motion is not moves:
        return None
    missing_m3 = observed_m3(transfer.planned._replace(amount=missing.value), gauging_of(record))
    if missing_m3 is None or missing_m3 / rate.value > _LONGEST_S:
        return None
    try:
        return now + timedelta(seconds=missing_m3 / rate.value)
    except OverflowError:
        # By a clock at the end of time.
        return None


def _left(transfer: Transfer, sheets: Mapping[str, TankRecord], direction: Direction, name: str) -> float | None:
    if transfer.kind in (TransferKind.CIRCULATION, TransferKind.WATER_DRAW):
        return None
    found = [
        gauging_of(sheets[side.tank]).value(name) if side.tank in sheets else None
        for side in transfer.sides
        if side.direction is direction
    ]
    return None if not found or None in found else sum(value for value in found if value is not None)


def _unknown(why: str) -> Figure:
    return Figure(None, Quality.BAD, (because(ReasonCode.NOT_APPLICABLE, "{why}", why=why),), 0.0)
