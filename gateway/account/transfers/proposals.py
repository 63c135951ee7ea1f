"""A movement that nobody announced: proposed as a transfer, until somebody says what it was. Without that no ticket."""

from datetime import datetime

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Direction, MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import TransferBook, dismissed_after, spoken_for
from gateway.account.transfers.doubts import standing
from gateway.account.transfers.draft import Draft, marked
from gateway.account.transfers.openings import opening_at, opening_of
from gateway.account.transfers.seen import is_doubted
from gateway.account.transfers.words import minute
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion

__all__ = ["proposal_ends", "propose_movement", "propose_unseen"]

_MOVES = (Motion.FILLING, Motion.EMPTYING)
_NO_FLOW = frozenset({"thermal"})
_WATER_DRAW = "water_draw"
_NOTICED_M = 0.010
"""By less a level may be off without having moved: steps of the gauge, a roof that sticks."""
_MOVED_PART = 0.5
"""Of what the observed volume changed by: where the standard volume changed by less, it was the temperature."""


def propose_movement(draft: Draft, plan: AccountPlan, record: TankRecord) -> None:
    """Of a tank that moves now: unless it is somebody's, announced, dismissed, thermal, or no level to be believed."""
    book, tank, state = draft.book, record.identity.tank, record.state
    if state is None or state.activity in _NO_FLOW or tank in book.open_at or is_doubted(record):
        return
    direction = Direction.INTO if state.motion is Motion.FILLING else Direction.OUT_OF
    if _is_planned(book, tank, direction):
        return
    opening, boot = opening_of(book, plan, tank, record), record.identity.boot
    dismissed = dismissed_after(book, opening.gauging, boot)
    if dismissed is not None and dismissed.motion is state.motion:
        return
    if dismissed is not None and dismissed.motion in _MOVES:
        # It has turned: what is cancelled of it ends there.
        opening = opening_at(dismissed)
    end = opening.gauging
    if (
        _is_end(book, end)
        and (state.since is None or state.since <= end.instant)
        and _apart_m(record, end) < _NOTICED_M
    ):
        # Its transfer was closed a moment ago, and the watch has not noticed yet that nothing flows any more.
        return
    kind = TransferKind.RECEIPT if direction is Direction.INTO else TransferKind.DISPATCH
    if state.activity == _WATER_DRAW:
        kind = TransferKind.WATER_DRAW
    transfer = _proposed(draft, plan, kind, Side(tank, direction, opening.gauging), opening.gauging.instant)
    if opening.doubt:
        transfer = marked(transfer, MarkKind.QUALITY, draft.now, opening.doubt)
    draft.put(transfer, EventKind.TRANSFER_PROPOSED)


def propose_unseen(draft: Draft, plan: AccountPlan, record: TankRecord, rested: TankRecord | None) -> None:
    """Of a tank that rests now, and not where it rested before: what it did meanwhile is nobody's.

    `rested`: its last sheet at rest that was kept.
    """
    book, tank = draft.book, record.identity.tank
    if tank in book.open_at:
        return
    if rested is None:
        return
    base, boot = gauging_of(rested), record.identity.boot
    base = spoken_for(book, base, boot) or base
    dismissed = dismissed_after(book, base, boot)
    if dismissed is not None:
        if dismissed.motion in _MOVES:
            return
        base = dismissed
    if base.product != record.inventory.product or not _has_moved(base, record):
        return
    is_up = _level_m(record) > (base.value("level") or 0.0)
    kind = TransferKind.RECEIPT if is_up else TransferKind.DISPATCH
    side = Side(tank, Direction.INTO if is_up else Direction.OUT_OF, base)
    transfer = _proposed(draft, plan, kind, side, base.instant)
    text = f"nobody was told of a movement: {tank} was last known at rest at {minute(base.instant)}"
    draft.put(marked(transfer, MarkKind.GAP, draft.now, text), EventKind.TRANSFER_PROPOSED)


def _proposed(draft: Draft, plan: AccountPlan, kind: TransferKind, side: Side, began: datetime) -> Transfer:
    return Transfer(
        number=draft.book.last_transfer + 1,
        kind=kind,
        phase=TransferPhase.PROPOSED,
        since=draft.now,
        sides=(side,),
        product="" if side.opening is None else side.opening.product,
        owner=plan.owners.get(side.tank, ""),
        began=began,
    )


def _is_end(book: TransferBook, gauging: Gauging) -> bool:
    return book.ends.get((gauging.tank, gauging.boot)) == gauging


def _is_planned(book: TransferBook, tank: str, direction: Direction) -> bool:
    return any(
        transfer.phase is TransferPhase.PLANNED
        and any(side.tank == tank and side.direction is direction for side in transfer.sides)
        for transfer in book.transfers.values()
    )


def _has_moved(base: Gauging, record: TankRecord) -> bool:
    if base.value("level") is None or _apart_m(record, base) < _NOTICED_M:
        return False
    figures = record.inventory.figures
    gov, gsv, before, standard = figures.gov.value, figures.gsv.value, base.value("gov"), base.value("gsv")
    if gov is None or gsv is None or before is None or standard is None:
        return True
    return abs(gsv - standard) >= _MOVED_PART * abs(gov - before)


def _apart_m(record: TankRecord, gauging: Gauging) -> float:
    return abs(_level_m(record) - (gauging.value("level") or 0.0))


def _level_m(record: TankRecord) -> float:
    return record.inventory.figures.level.value or 0.0


def proposal_ends(draft: Draft, plan: AccountPlan, transfer: Transfer, record: TankRecord) -> None:
    """Its closing is taken when the tank has settled; it waits on for somebody to say what it was."""
    side = transfer.sides[0]
    stands = standing(plan, side, record)
    if stands.closing is None or stands.doubts or stands.rest_wanted_s > 0.0 or stands.is_simulated:
        return
    closed = side._replace(closing=stands.closing)
    after = transfer._replace(sides=(closed,), ended=draft.now)
    draft.put(after, EventKind.TRANSFER_CHANGED)
