"""What people ask of transfers and tickets: done, or refused with a sentence that says what would do."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from gateway.account.commands import (
    AccountRefusedError,
    ChangeTransfer,
    PlanTransfer,
    ReverseTicket,
    StartTransfer,
    TransferDeed,
    TransferVerb,
)
from gateway.account.gauging import gauging_of
from gateway.account.paper import Outcome
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket
from gateway.account.transfer import MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.closing import close, close_if_settled
from gateway.account.transfers.described import changed, described, new_transfer
from gateway.account.transfers.draft import Draft, into_phase, marked
from gateway.account.transfers.fits import fit_lines
from gateway.account.transfers.moved import AmountUncertainty, no_uncertainty
from gateway.account.transfers.openings import FLOWS_M, has_gone, rest_wanted_s
from gateway.account.transfers.phases import Deed, phase_after
from gateway.account.transfers.progress import progress
from gateway.account.transfers.starts import open_transfer, start
from gateway.account.transfers.tickets import reversed_by
from gateway.account.transfers.words import duration, moved_words
from gateway.tank_record import EventKind, TankRecord

__all__ = ["TransferCommand", "act"]

TransferCommand = PlanTransfer | StartTransfer | ChangeTransfer | TransferDeed | ReverseTicket
_DEEDS = {
    TransferVerb.PAUSE: Deed.PAUSE,
    TransferVerb.RESUME: Deed.RESUME,
    TransferVerb.FINISH: Deed.FINISH,
    TransferVerb.CLOSE: Deed.CLOSE,
    TransferVerb.CANCEL: Deed.CANCEL,
}


def act(
    book: TransferBook,
    plan: AccountPlan,
    command: TransferCommand,
    sheets: Mapping[str, TankRecord],
    tickets: Sequence[Ticket],
    now: datetime,
    uncertainty: AmountUncertainty = no_uncertainty,
) -> tuple[TransferBook, Outcome]:
    """The book as it would be, and what is to be kept. Raises AccountRefusedError; then nothing has happened.

    `sheets`: the newest of each tank of the site. `tickets`: those that are kept; only `ReverseTicket` asks for them.
    """
    if not command.by.strip():
        raise AccountRefusedError("it is not said who asks for it", "say who")
    draft = Draft(book, now)
    match command:
        case PlanTransfer():
            _plan(draft, plan, command, sheets)
        case StartTransfer():
            start(draft, plan, command, sheets, uncertainty)
        case ChangeTransfer():
            _change(draft, command)
        case TransferDeed():
            _deed(draft, plan, command, sheets, uncertainty)
        case ReverseTicket():
            _reverse(draft, command, tickets)
    return draft.result()


def _plan(draft: Draft, plan: AccountPlan, command: PlanTransfer, sheets: Mapping[str, TankRecord]) -> None:
    transfer = new_transfer(draft, plan, command.kind, command.source, command.target, sheets)
    transfer = described(transfer, command.described)._replace(by=command.by)
    draft.put(transfer, EventKind.TRANSFER_PLANNED, command.by)
    draft.lines.append(f"transfer {transfer.number}: planned")
    draft.lines += fit_lines(transfer, sheets)
    busy = [side.tank for side in transfer.sides if draft.book.begun_at(side.tank) is not None]
    wanted = {side.tank: rest_wanted_s(plan, sheets[side.tank]) for side in transfer.sides}
    draft.notes += [f"{tank} has not settled: still {duration(rest_s)}" for tank, rest_s in wanted.items() if rest_s]
    draft.notes += [f"{tank} belongs to another transfer until that is closed" for tank in busy]


def _change(draft: Draft, command: ChangeTransfer) -> None:
    before = open_transfer(draft, command.transfer)
    phase_after(before, Deed.CHANGE)
    after, words = changed(before, command.described)
    if not words:
        raise AccountRefusedError(
            f"transfer {before.number}: nothing was to be changed", "give what is to be said of it"
        )
    text = f"{', '.join(words)}{f': {command.why}' if command.why else ''}"
    after = marked(after, MarkKind.CORRECTED, draft.now, text, command.by)
    draft.put(after, EventKind.TRANSFER_CHANGED, command.by)
    draft.lines.append(f"transfer {after.number}: {', '.join(words)}")


def _deed(
    draft: Draft,
    plan: AccountPlan,
    command: TransferDeed,
    sheets: Mapping[str, TankRecord],
    uncertainty: AmountUncertainty,
) -> None:
    before = open_transfer(draft, command.transfer)
    deed = _DEEDS[command.verb]
    phase = phase_after(before, deed)
    name, by = f"transfer {before.number}", command.by
    match command.verb:
        case TransferVerb.PAUSE:
            after = marked(into_phase(before, phase, draft.now), MarkKind.PAUSED, draft.now, _said(command), by)
            draft.put(after, EventKind.TRANSFER_PAUSED, by)
            draft.lines.append(f"{name}: paused")
        case TransferVerb.RESUME:
            after = into_phase(before, phase, draft.now)._replace(ended=None)
            after = marked(after, MarkKind.RESUMED, draft.now, _said(command), by)
            draft.put(after, EventKind.TRANSFER_RESUMED, by)
            draft.lines.append(f"{name}: goes on")
        case TransferVerb.FINISH:
            after = into_phase(before, phase, draft.now)._replace(ended=draft.now)
            draft.put(after, EventKind.TRANSFER_SETTLING, by)
            after = close_if_settled(draft, plan, after, sheets, uncertainty)
            if after.phase is TransferPhase.SETTLING:
                draft.lines.append(f"{name}: settles{f'; {after.waits_for}' if after.waits_for else ''}")
        case TransferVerb.CLOSE:
            close(draft, plan, before, sheets, uncertainty, by, command.why)
        case TransferVerb.CANCEL:
            if not command.why.strip():
                raise AccountRefusedError(f"{name}: to cancel it needs a reason", "say why")
            after = marked(into_phase(before, phase, draft.now), MarkKind.CORRECTED, draft.now, command.why, by)
            after = after._replace(sides=tuple(_left_at(side, sheets) for side in after.sides))
            draft.put(after, EventKind.TRANSFER_CANCELLED, by)
            draft.lines.append(f"{name}: cancelled")
            draft.notes += _left_out(before, sheets, draft.now)


def _left_out(transfer: Transfer, sheets: Mapping[str, TankRecord], now: datetime) -> list[str]:
    """What has moved all the same: nobody is to miss it a month later. Within the site no product's stock changes."""
    if transfer.kind not in (TransferKind.RECEIPT, TransferKind.DISPATCH):
        return []
    gone = any(
        side.opening is not None and side.tank in sheets and has_gone(side.opening, sheets[side.tank], FLOWS_M)
        for side in transfer.sides
    )
    if not gone:
        return []
    moved = moved_words(progress(transfer, sheets, now).moved)
    return [f"{moved} has moved since its opening: it counts in no book, and stands in the day's gain or loss"]


def _left_at(side: Side, sheets: Mapping[str, TankRecord]) -> Side:
    """Up to where what is cancelled goes."""
    if side.opening is None or side.closing is not None or side.tank not in sheets:
        return side
    return side._replace(closing=gauging_of(sheets[side.tank]))


def _said(command: TransferDeed) -> str:
    words = {TransferVerb.PAUSE: "paused", TransferVerb.RESUME: "resumed"}[command.verb]
    return f"{words}: {command.why}" if command.why else words


def _reverse(draft: Draft, command: ReverseTicket, tickets: Sequence[Ticket]) -> None:
    for ticket in reversed_by(command, tickets, draft.book.last_ticket, draft.now):
        draft.issue(ticket)
        if ticket.reverses is not None:
            draft.lines.append(f"ticket {ticket.number}: takes ticket {ticket.reverses} back")
        else:
            draft.lines.append(f"ticket {ticket.number}: in its place, {moved_words(ticket.moved)}")
