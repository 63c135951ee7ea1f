"""A transfer whose flow is over is closed: by itself when all has settled, by a person at any time with a reason."""

import re
from collections.abc import Mapping

from gateway.account.commands import AccountRefusedError
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Side, Transfer, TransferPhase
from gateway.account.transfers.doubts import Standing, doubts_of_opening, standing, taints
from gateway.account.transfers.draft import Draft, into_phase
from gateway.account.transfers.moved import AmountUncertainty
from gateway.account.transfers.openings import opening_of
from gateway.account.transfers.tickets import ticket_of
from gateway.account.transfers.words import moved_words, planned_lines
from gateway.records import Reason, ReasonCode, because
from gateway.tank_record import EventKind, TankRecord

__all__ = ["close", "close_if_settled"]

Sheets = Mapping[str, TankRecord]
_NUMBERS = re.compile(r"[+-]?\d[\d.,:]*")


def close_if_settled(
    draft: Draft, plan: AccountPlan, transfer: Transfer, sheets: Sheets, one: AmountUncertainty
) -> Transfer:
    """A settling transfer is closed, or says what it waits for."""
    stands = [_standing(draft, plan, transfer, side, sheets) for side in transfer.sides]
    closings = [each.closing for each in stands if each.closing is not None]
    waits = _sentences(transfer, stands)
    settled = len(closings) == len(stands) and all(each.rest_wanted_s == 0.0 for each in stands)
    if waits or not settled:
        if _without_numbers(waits) == _without_numbers(transfer.waits_for):
            # Each change of a transfer is kept whole: that a rate or a time in a sentence goes on is none.
            return transfer
        after = transfer._replace(waits_for=waits)
        draft.put(after, EventKind.TRANSFER_CHANGED, reason=_waiting(stands, transfer))
        return after
    return _closed(draft, transfer, stands, one, "", "", ())


def close(
    draft: Draft,
    plan: AccountPlan,
    transfer: Transfer,
    sheets: Sheets,
    one: AmountUncertainty,
    by: str,
    why: str,
) -> Transfer:
    """By a person. Raises AccountRefusedError where that needs a reason, or cannot be at all."""
    number = transfer.number
    transfer = _with_openings(draft, plan, transfer, sheets)
    stands = [_standing(draft, plan, transfer, side, sheets) for side in transfer.sides]
    if any(each.is_simulated for each in stands):
        text = f"transfer {number}: its sheets rest on simulated values: no ticket is made of these on a real site"
        raise AccountRefusedError(text, "cancel it")
    missing = [side.tank for side, each in zip(transfer.sides, stands, strict=True) if each.closing is None]
    if missing:
        text = f"transfer {number}: there is no sheet of {missing[0]} yet"
        raise AccountRefusedError(text, "wait for the first sheet of the tank, or cancel the transfer")
    doubts = list(_all_doubts(transfer, stands))
    for side, each in zip(transfer.sides, stands, strict=True):
        if each.rest_wanted_s > 0.0:
            phrase = "{tank} had not settled: {wanted:duration} of rest were wanting"
            doubts.append(because(ReasonCode.NOT_AT_REST, phrase, tank=side.tank, wanted=each.rest_wanted_s))
    if doubts and not why.strip():
        text = f"transfer {number}: {doubts[0].text}"
        raise AccountRefusedError(
            text, "wait, or close it all the same and say why (--why): its ticket is Uncertain then"
        )
    if transfer.ended is None:
        transfer = transfer._replace(ended=draft.now)
    return _closed(draft, transfer, stands, one, by, why, tuple(doubts))


def _standing(draft: Draft, plan: AccountPlan, transfer: Transfer, side: Side, sheets: Sheets) -> Standing:
    return standing(plan, transfer, side, sheets.get(side.tank), draft.book.seen.get(side.tank))


def _with_openings(draft: Draft, plan: AccountPlan, transfer: Transfer, sheets: Sheets) -> Transfer:
    """A tank of which there was no sheet at the start."""
    sides = tuple(
        side._replace(opening=opening_of(draft.book, plan, side.tank, sheets[side.tank]).gauging)
        if side.opening is None and side.tank in sheets
        else side
        for side in transfer.sides
    )
    return transfer if sides == transfer.sides else transfer._replace(sides=sides)


def _closed(
    draft: Draft,
    transfer: Transfer,
    stands: list[Standing],
    one: AmountUncertainty,
    by: str,
    why: str,
    doubts: tuple[Reason, ...],
) -> Transfer:
    closings = [each.closing for each in stands if each.closing is not None]
    doubts = tuple(dict.fromkeys((*doubts, *taints(transfer, closings))))
    ticket = ticket_of(transfer, closings, draft.book.last_ticket + 1, draft.now, one, by=by, why=why, doubts=doubts)
    sides = tuple(side._replace(closing=closing) for side, closing in zip(transfer.sides, closings, strict=True))
    after = into_phase(transfer._replace(sides=sides, ticket=ticket.number), TransferPhase.CLOSED, draft.now)
    draft.issue(ticket)
    draft.put(after, EventKind.TRANSFER_CLOSED, by)
    draft.lines.append(f"ticket {ticket.number}: {moved_words(ticket.moved)}, {ticket.quality.word}")
    draft.lines += planned_lines(transfer.planned, ticket.moved)
    return after


def _all_doubts(transfer: Transfer, stands: list[Standing]) -> tuple[Reason, ...]:
    return (*doubts_of_opening(transfer), *(doubt for each in stands for doubt in each.doubts))


def _without_numbers(text: str) -> str:
    return _NUMBERS.sub("#", text)


def _waiting(stands: list[Standing], transfer: Transfer) -> Reason | None:
    return next(iter(_all_doubts(transfer, stands)), None)


def _sentences(transfer: Transfer, stands: list[Standing]) -> str:
    """One after the other; empty where only time is wanted."""
    if any(each.is_simulated for each in stands):
        return "its sheets rest on simulated values: no ticket is made of these on a real site; cancel it"
    return "; ".join(dict.fromkeys(doubt.text for doubt in _all_doubts(transfer, stands)))
