"""Every sheet of every tank: movements are proposed, what happens to an open transfer is marked, rest closes it."""

from collections.abc import Mapping
from datetime import datetime

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.paper import Outcome
from gateway.account.plan import AccountPlan
from gateway.account.transfer import MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.closing import close_if_settled
from gateway.account.transfers.draft import Draft, into_phase, marked
from gateway.account.transfers.gaps import GAP_S
from gateway.account.transfers.happenings import happened
from gateway.account.transfers.moved import AmountUncertainty, no_uncertainty
from gateway.account.transfers.openings import apart_m, has_gone
from gateway.account.transfers.proposals import proposal_ends, propose_movement, propose_unseen
from gateway.account.transfers.seen import Seen, is_doubted, motion_of, steady_s
from gateway.records import Quality
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion, TankState

__all__ = ["follow", "tick"]

_REST = Motion.AT_REST
_MOVES = (Motion.FILLING, Motion.EMPTYING)
_GOOD = Quality.GOOD
_NOTICED_M = 0.005
"""By less the level of a tank that was to move may wander by itself."""
_LATE_S = 15 * 60.0
"""So long one level may go before that of the other tank is missed: a slow flow is noticed late."""
_PLANNED_PART = 0.9
"""A transfer that has moved less of what was planned is not over because the tank rests."""


def follow(
    book: TransferBook, plan: AccountPlan, record: TankRecord, uncertainty: AmountUncertainty = no_uncertainty
) -> tuple[TransferBook, Outcome] | None:
    """One sheet more. None: nothing is to be kept, the book stays as it is; so it is nearly always.

    Never raises for bad field data.
    """
    tank = record.identity.tank
    seen = book.seen.get(tank)
    if seen is None:
        seen = book.seen[tank] = Seen()
    before, seen.last = seen.last, record
    state = record.state
    if seen.is_calm and state is not None and state.motion is _REST and tank not in book.open_at:
        level = record.inventory.figures.level
        if level.quality is _GOOD or not is_doubted(record):
            seen.rests(record, steady_s(record), plan.flow_seen_after_s)
            return None
    return _followed(book, plan, record, before, seen, uncertainty)


def tick(
    book: TransferBook,
    plan: AccountPlan,
    sheets: Mapping[str, TankRecord],
    now: datetime,
    uncertainty: AmountUncertainty = no_uncertainty,
) -> tuple[TransferBook, Outcome] | None:
    """Time has passed: what waits is looked at again, as a tank that says nothing more has no sheet to do it."""
    draft = Draft(book, now)
    for transfer in book.transfers.values():
        if transfer.phase is TransferPhase.SETTLING:
            close_if_settled(draft, plan, transfer, sheets, uncertainty)
    return None if draft.is_empty else draft.result()


def _followed(
    book: TransferBook,
    plan: AccountPlan,
    record: TankRecord,
    before: TankRecord | None,
    seen: Seen,
    uncertainty: AmountUncertainty,
) -> tuple[TransferBook, Outcome] | None:
    tank = record.identity.tank
    _look_for_loss(book, seen, record, before)
    draft = Draft(book, record.inventory.instant)
    for number in book.open_at.get(tank, ()):
        transfer = happened(draft, draft.book.transfers[number], record, before, seen)
        if transfer.phase is TransferPhase.PROPOSED:
            proposal_ends(draft, plan, transfer, record)
        else:
            _goes_on(draft, plan, transfer, record, uncertainty)
    motion, now_s = motion_of(record), steady_s(record)
    if motion is not _REST:
        seen.moves(now_s)
        if motion in _MOVES and plan.proposes:
            propose_movement(draft, plan, record)
    elif not is_doubted(record):
        if plan.proposes:
            propose_unseen(draft, plan, record, seen.before_flow(now_s, plan.flow_seen_after_s))
        if draft.is_empty:
            seen.rests(record, now_s, plan.flow_seen_after_s)
    return None if draft.is_empty else draft.result()


def _look_for_loss(book: TransferBook, seen: Seen, record: TankRecord, before: TankRecord | None) -> None:
    """What was last seen before the level was lost is remembered until every transfer of the tank has its gap."""
    seen.is_calm = False
    lost = seen.lost
    if record.inventory.figures.level.quality is Quality.BAD:
        if lost is None:
            seen.lost = before
    elif lost is not None:
        begun, since = book.begun_at(record.identity.tank), lost.inventory.instant
        is_short = (record.inventory.instant - since).total_seconds() <= GAP_S
        if is_short or begun is None or any(gap.begins == since for gap in begun.gaps):
            seen.lost = None


# A transfer that has begun


def _goes_on(
    draft: Draft, plan: AccountPlan, transfer: Transfer, record: TankRecord, uncertainty: AmountUncertainty
) -> None:
    sheets = {
        side.tank: seen.last
        for side in transfer.sides
        if (seen := draft.book.seen.get(side.tank)) is not None
        and seen.last is not None
        # Of the tank beside it nothing is known yet after a restart.
        and seen.last.identity.boot == record.identity.boot
    }
    still = _stands_still(transfer, sheets)
    if still and not any(mark.kind is MarkKind.FROZEN and mark.text == still for mark in transfer.marks):
        transfer = marked(transfer, MarkKind.FROZEN, draft.now, still)
        draft.put(transfer, EventKind.TRANSFER_CHANGED)
    if transfer.phase is TransferPhase.RUNNING and _is_over(transfer, sheets, draft.book.seen):
        transfer = into_phase(transfer, TransferPhase.SETTLING, draft.now)._replace(ended=draft.now)
        draft.put(transfer, EventKind.TRANSFER_SETTLING)
    elif transfer.phase is TransferPhase.SETTLING and _flows_again(transfer, record):
        transfer = into_phase(transfer, TransferPhase.RUNNING, draft.now)._replace(ended=None)
        text = f"{record.identity.tank} moves again"
        transfer = marked(transfer, MarkKind.RESUMED, draft.now, text)
        draft.put(transfer, EventKind.TRANSFER_RESUMED)
    if transfer.phase is TransferPhase.SETTLING:
        close_if_settled(draft, plan, transfer, sheets, uncertainty)


def _stands_still(transfer: Transfer, sheets: Mapping[str, TankRecord]) -> str:
    """Of a transfer from tank to tank: which level stands while that of the other goes; empty: none."""
    if transfer.kind is not TransferKind.TANK_TO_TANK or transfer.phase is not TransferPhase.RUNNING:
        return ""
    states = {tank: record.state for tank, record in sheets.items() if record.state is not None}
    moving = [
        tank for tank, state in states.items() if state.motion in _MOVES and _for_s(state, sheets[tank]) > _LATE_S
    ]
    resting = [tank for tank, state in states.items() if state.motion is _REST]
    if not moving or not resting:
        return ""
    return f"the level of {resting[0]} stood still while that of {moving[0]} moved"


def _for_s(state: TankState, record: TankRecord) -> float:
    """How long it has moved."""
    return 0.0 if state.since is None else (record.inventory.instant - state.since).total_seconds()


def _is_over(transfer: Transfer, sheets: Mapping[str, TankRecord], seen: Mapping[str, Seen]) -> bool:
    """Whether all its tanks have moved and rest again, and as much has moved as was planned."""
    moved = False
    for side in transfer.sides:
        record = sheets.get(side.tank)
        if record is None or motion_of(record) is not _REST:
            return False
        moved = moved or _has_moved(transfer, side, record, seen[side.tank])
    return moved and _enough(transfer, sheets)


def _has_moved(transfer: Transfer, side: Side, record: TankRecord, seen: Seen) -> bool:
    """A flow that has just begun is not noticed yet: of that the level tells, while the tank rests as it did before."""
    if side.opening is None or record.state is None or record.state.since is None:
        return False
    if seen.moved_s is None and transfer.began is not None and record.state.since <= transfer.began:
        return False
    if transfer.kind is TransferKind.WATER_DRAW:
        return abs(apart_m(side.opening, record)) >= _NOTICED_M
    return has_gone(side.opening, record, _NOTICED_M)


def _enough(transfer: Transfer, sheets: Mapping[str, TankRecord]) -> bool:
    planned = transfer.planned
    if planned.amount is None:
        return True
    side = transfer.sides[-1]
    opening = side.opening
    first = None if opening is None else opening.value(planned.measure)
    last: Gauging | None = gauging_of(sheets[side.tank])
    now = None if last is None else last.value(planned.measure)
    return first is not None and now is not None and abs(now - first) >= _PLANNED_PART * planned.amount


def _flows_again(transfer: Transfer, record: TankRecord) -> bool:
    """A movement that began after it was said to be over."""
    state = record.state
    return (
        state is not None
        and state.motion in _MOVES
        and state.since is not None
        and state.since > transfer.since
        and not is_doubted(record)
    )
