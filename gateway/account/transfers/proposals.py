"""A movement that nobody announced: proposed as a transfer, until somebody says what it was. Without that no ticket."""

from datetime import datetime, timedelta

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Direction, MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import TransferBook, dismissed_after, spoken_for
from gateway.account.transfers.doubts import standing
from gateway.account.transfers.draft import Draft, into_phase, marked
from gateway.account.transfers.openings import apart_m, has_gone, opening_at, opening_of
from gateway.account.transfers.seen import is_doubted
from gateway.account.transfers.words import minute
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion

__all__ = ["proposal_ends", "propose_movement", "propose_unseen"]

_NO_FLOW = frozenset({"thermal"})
_WATER_DRAW = "water_draw"
_NOTICED_M = 0.010
"""By less a level may be off without having moved: steps of the gauge, a roof that sticks."""

_NOTHING_M = 0.003
"""By less a level is where it was: noise at both ends."""
_WATER_PART = 0.5
"""Of what TOV fell by: the rest is what the water took along."""
_AHEAD = timedelta(hours=12)
"""A plan for later than that has nothing to do with what moves now (common practice: a shift)."""


def propose_movement(draft: Draft, plan: AccountPlan, record: TankRecord) -> None:
    """Of a tank that moves now: unless it is somebody's, announced, dismissed, thermal, or no level to be believed."""
    book, tank, state = draft.book, record.identity.tank, record.state
    if state is None or state.activity in _NO_FLOW or tank in book.open_at or is_doubted(record):
        return
    direction = Direction.INTO if state.motion is Motion.FILLING else Direction.OUT_OF
    if _is_planned(draft, tank, direction):
        return
    opening, boot = opening_of(book, plan, tank, record), record.identity.boot
    dismissed = dismissed_after(book, opening.gauging, boot)
    if dismissed is not None and dismissed.motion is state.motion:
        return
    if dismissed is not None and dismissed.value("level") is not None:
        # It has turned: what is cancelled of it ends there.
        opening = opening_at(dismissed)
    end = opening.gauging
    if (
        _is_end(book, end)
        and (state.since is None or state.since <= end.instant)
        and abs(apart_m(end, record)) < _NOTICED_M
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
    if dismissed_after(book, base, boot) is not None:
        return
    if base.product != record.inventory.product or not has_gone(base, record, _NOTICED_M):
        return
    is_up = apart_m(base, record) > 0.0
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


def _is_planned(draft: Draft, tank: str, direction: Direction) -> bool:
    """Whether somebody has announced what moves, and has not started it yet."""
    return any(
        transfer.phase is TransferPhase.PLANNED
        and (transfer.planned.begins is None or transfer.planned.begins - draft.now <= _AHEAD)
        and any(side.tank == tank and side.direction is direction for side in transfer.sides)
        for transfer in draft.book.transfers.values()
    )


def proposal_ends(draft: Draft, plan: AccountPlan, transfer: Transfer, record: TankRecord) -> None:
    """Its closing is taken when the tank has settled; it waits on for somebody to say what it was. Where nothing has
    moved after all, as a mixer or the sun does it, it ends by itself."""
    (side,) = transfer.sides
    if side.closing is not None or side.opening is None:
        return
    stands = standing(plan, transfer, side, record, draft.book.seen.get(side.tank))
    if stands.closing is None or stands.doubts or stands.rest_wanted_s > 0.0 or stands.is_simulated:
        return
    after = transfer._replace(sides=(side._replace(closing=stands.closing),), ended=draft.now)
    if has_gone(side.opening, record, _NOTHING_M):
        draft.put(after, EventKind.TRANSFER_CHANGED)
    elif _is_water(side.opening, stands.closing):
        draft.put(after._replace(kind=TransferKind.WATER_DRAW), EventKind.TRANSFER_CHANGED)
    else:
        after = marked(after, MarkKind.CORRECTED, draft.now, "no product has moved after all")
        draft.put(into_phase(after, TransferPhase.CANCELLED, draft.now), EventKind.TRANSFER_CANCELLED)


def _is_water(opening: Gauging, closing: Gauging) -> bool:
    """Whether it is free water that is gone."""
    tov, water = ((opening.value(name), closing.value(name)) for name in ("tov", "free_water"))
    if tov[0] is None or tov[1] is None or water[0] is None or water[1] is None:
        return False
    gone_m3 = tov[0] - tov[1]
    return gone_m3 > 0.0 and water[0] - water[1] >= _WATER_PART * gone_m3
