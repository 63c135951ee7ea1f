"""The opening of a tank: its last sheet at rest before the flow began, and never older than what is spoken for."""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Transfer, TransferPhase
from gateway.account.transfers.book import TransferBook, spoken_for
from gateway.account.transfers.seen import is_doubted, motion_of, steady_s
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = [
    "FLOWS_M",
    "Opening",
    "apart_m",
    "has_gone",
    "opening_at",
    "opening_of",
    "rest_before_s",
    "rest_wanted_s",
]

FLOWS_M = 0.003
"""A level at rest that is off by more from where it was has begun to move, and the watch has not noticed yet."""

_MOVED_PART = 0.5
"""Of what TOV changed by: where GSV changed by less, it was the temperature, or water."""


class Opening(NamedTuple):
    gauging: Gauging
    doubt: str = ""
    """What is to be marked, as a sentence."""


def opening_of(book: TransferBook, plan: AccountPlan, tank: str, record: TankRecord) -> Opening:
    """`record`: the newest sheet of the tank."""
    seen = book.seen.get(tank)
    kept = None if seen is None else seen.before_flow(steady_s(record), plan.flow_seen_after_s)
    if motion_of(record) is Motion.AT_REST and not is_doubted(record):
        is_still = kept is None or abs(_level_m(record) - _level_m(kept)) <= FLOWS_M
        found = Opening(gauging_of(record if kept is None or is_still else kept))
    elif kept is not None:
        found = Opening(gauging_of(kept))
    else:
        found = Opening(gauging_of(record), _not_at_rest(tank))
    end = spoken_for(book, found.gauging, record.identity.boot)
    return found if end is None else opening_at(end)


def opening_at(gauging: Gauging) -> Opening:
    """What lies before it is spoken for."""
    doubt = "" if gauging.motion is Motion.AT_REST else _not_at_rest(gauging.tank)
    return Opening(gauging, doubt)


def _not_at_rest(tank: str) -> str:
    return f"{tank} was not known to be at rest at the opening"


def rest_wanted_s(plan: AccountPlan, record: TankRecord) -> float:
    """How much longer a tank at rest has to do so until it has settled, as far as is known; 0: it has, or moves."""
    state = record.state
    if state is None or state.motion is not Motion.AT_REST or state.since is None:
        return 0.0
    return max(0.0, plan.settling_s - (record.inventory.instant - state.since).total_seconds())


def rest_before_s(plan: AccountPlan, transfer: Transfer, sheets: Mapping[str, TankRecord]) -> float | None:
    """How much longer the tanks of a planned one have to rest until their sheets are a settled opening; 0: they have.
    None: one of them moves or is not known to rest, or it has begun already."""
    if transfer.phase is not TransferPhase.PLANNED:
        return None
    records = [sheets.get(side.tank) for side in transfer.sides]
    wanted_s = [0.0]
    for record in records:
        if record is None or record.state is None or record.state.motion is not Motion.AT_REST:
            return None
        wanted_s.append(rest_wanted_s(plan, record))
    return max(wanted_s)


def has_gone(base: Gauging, record: TankRecord, least_m: float) -> bool:
    """Whether product has come or gone by as much at least: neither temperature nor water alone moves the level."""
    if base.value("level") is None or abs(apart_m(base, record)) < least_m:
        return False
    figures = record.inventory.figures
    tov, gsv, before, standard = figures.tov.value, figures.gsv.value, base.value("tov"), base.value("gsv")
    if tov is None or gsv is None or before is None or standard is None:
        return True
    return abs(gsv - standard) >= _MOVED_PART * abs(tov - before)


def apart_m(base: Gauging, record: TankRecord) -> float:
    """How far the level has gone, upwards."""
    return _level_m(record) - (base.value("level") or 0.0)


def _level_m(record: TankRecord) -> float:
    level = record.inventory.figures.level.value
    return 0.0 if level is None else level
