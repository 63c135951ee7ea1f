"""What happens to a tank of an open transfer that whoever reads the ticket has to know: marks, once each."""

from datetime import datetime

from gateway.account.gauging import gauging_of
from gateway.account.transfer import Direction, MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import side_of
from gateway.account.transfers.draft import Draft, into_phase, marked
from gateway.account.transfers.gaps import GAP_S, gap_after, gap_begun, gap_ended
from gateway.account.transfers.openings import apart_m
from gateway.account.transfers.seen import Seen, steady_s
from gateway.records import Quality
from gateway.sentences import duration_words
from gateway.states import RoofZone
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import AlarmKind, Motion, TankState

__all__ = ["happened"]

_MOVES = (Motion.FILLING, Motion.EMPTYING)
_CLOCK_S = 2.0
_AGAINST_M = 0.010


def happened(draft: Draft, transfer: Transfer, record: TankRecord, before: TankRecord | None, seen: Seen) -> Transfer:
    """The transfer with what this sheet has brought; put into the draft where that is anything."""
    after = _another_product(draft, transfer, record, before)
    after = gap_ended(_after_a_gap(after, record, seen), record)
    for kind, text in _found(after, record, before):
        after = _once(draft, after, kind, text)
    if after is not transfer:
        draft.put(after, EventKind.TRANSFER_CHANGED)
    return after


def _after_a_gap(transfer: Transfer, record: TankRecord, seen: Seen) -> Transfer:
    """The level is there again."""
    lost = seen.lost
    if lost is None or record.inventory.figures.level.quality is Quality.BAD or not transfer.phase.has_begun:
        return transfer
    since, now = lost.inventory.instant, record.inventory.instant
    if (now - since).total_seconds() <= GAP_S:
        return transfer
    text = f"the level of {record.identity.tank} was lost from {since:%Y-%m-%d %H:%M:%S} to {now:%H:%M:%S} UTC"
    return gap_begun(transfer, gap_after(lost)._replace(ends=now), now, text)


def _once(draft: Draft, transfer: Transfer, kind: MarkKind, text: str) -> Transfer:
    if any(mark.kind is kind and mark.text == text for mark in transfer.marks):
        return transfer
    return marked(transfer, kind, draft.now, text)


def _found(transfer: Transfer, record: TankRecord, before: TankRecord | None) -> list[tuple[MarkKind, str]]:
    found: list[tuple[MarkKind, str]] = []
    tank, state, inventory = record.identity.tank, record.state, record.inventory
    if record.tank_input.clock_doubt is not None:
        found.append((MarkKind.CLOCK, "the clock was not trusted"))
    elif before is not None and before.identity.boot == record.identity.boot:
        passed_s = steady_s(record) - steady_s(before)
        told_s = (inventory.instant - before.inventory.instant).total_seconds()
        if record.tank_input.steady_s is not None and abs(told_s - passed_s) > _CLOCK_S:
            found.append((MarkKind.CLOCK, f"the clock was set by {_signed(told_s - passed_s)}"))
    if inventory.level_state.roof is RoofZone.CRITICAL:
        found.append((MarkKind.ROOF, f"the roof of {tank} was in its critical zone"))
    if state is None:
        return found
    active = {alarm.kind for alarm in state.alarms if alarm.is_active}
    if AlarmKind.LEVEL_FROZEN in active:
        found.append((MarkKind.FROZEN, f"the level of {tank} stood still while liquid flowed"))
    side = side_of(transfer, tank)
    if side is None or not transfer.phase.has_begun:
        return found
    if transfer.phase is TransferPhase.PAUSED and state.motion in _MOVES and _began_after(state, transfer.since):
        found.append((MarkKind.RESUMED, f"{tank} moved while the transfer was paused"))
    if AlarmKind.WRONG_WAY in active or _moves_against(transfer, side, record, state):
        words = "fell" if side.direction is Direction.INTO else "rose"
        found.append((MarkKind.WRONG_WAY, f"the level of {tank} {words} against the direction of the transfer"))
    return found


def _began_after(state: TankState, instant: datetime) -> bool:
    return state.since is not None and state.since > instant


def _moves_against(transfer: Transfer, side: Side, record: TankRecord, state: TankState) -> bool:
    """A movement that was going on at the opening already may be that of another transfer, which has just ended: of it
    the level tells."""
    if transfer.kind is TransferKind.CIRCULATION or transfer.phase is TransferPhase.SETTLING:
        return False
    against, sign = (Motion.EMPTYING, -1.0) if side.direction is Direction.INTO else (Motion.FILLING, 1.0)
    if state.motion is not against:
        return False
    is_new = state.since is None or transfer.began is None or _began_after(state, transfer.began)
    return is_new or (side.opening is not None and sign * apart_m(side.opening, record) >= _AGAINST_M)


def _another_product(draft: Draft, transfer: Transfer, record: TankRecord, before: TankRecord | None) -> Transfer:
    """Another product in the tank ends what moved the one before: its last sheet is the closing."""
    tank = record.identity.tank
    side = side_of(transfer, tank)
    if side is None or side.opening is None or record.inventory.product == side.opening.product:
        return transfer
    text = f"the product of {tank} was changed from {side.opening.product} to {record.inventory.product}"
    if any(mark.text == text for mark in transfer.marks):
        return transfer
    after = marked(transfer, MarkKind.PRODUCT, draft.now, text)
    if before is not None and before.inventory.product == side.opening.product:
        closing = gauging_of(before)
        after = after._replace(
            sides=tuple(each._replace(closing=closing) if each.tank == tank else each for each in after.sides)
        )
    if after.phase in (TransferPhase.RUNNING, TransferPhase.PAUSED):
        after = into_phase(after, TransferPhase.SETTLING, draft.now)
    return after._replace(ended=draft.now)


def _signed(seconds: float) -> str:
    return f"{'+' if seconds > 0.0 else '-'}{duration_words(abs(seconds))}"
