"""Tickets: made when a transfer is closed, taken back by another, and never changed."""

from collections.abc import Sequence
from datetime import datetime

from gateway.account.commands import AccountRefusedError, ReverseTicket
from gateway.account.gauging import MASSES, Gauging
from gateway.account.ticket import Ticket, TicketSide
from gateway.account.transfer import Direction, Transfer, TransferKind
from gateway.account.transfers.moved import (
    AmountUncertainty,
    changed_between,
    main_measure,
    ticket_moved,
    ticket_side,
    uncertainty_of,
)
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["directions", "reversed_by", "ticket_of"]


def ticket_of(
    transfer: Transfer,
    closings: Sequence[Gauging],
    number: int,
    now: datetime,
    one: AmountUncertainty,
    *,
    by: str = "",
    why: str = "",
    doubts: tuple[Reason, ...] = (),
) -> Ticket:
    """The ticket of a transfer that is closed. `closings`: of its sides, in their order; each has an opening.

    `doubts`: what somebody has overruled; the ticket is Uncertain then.
    """
    sides = tuple(
        ticket_side(side, side.opening, closing, doubts)
        for side, closing in zip(transfer.sides, closings, strict=True)
        if side.opening is not None
    )
    moved = ticket_moved(transfer.kind, sides)
    uncertainty = uncertainty_of(transfer.kind, sides, one)
    name = main_measure(moved)
    changed = dict.fromkeys(each for side in sides for each in changed_between(side.opening, side.closing)[name])
    reasons = (*doubts, *changed, *_told_apart(transfer.kind, sides))
    worst = [figure.quality for figure in moved.values()]
    return Ticket(
        number=number,
        transfer=transfer.number,
        kind=transfer.kind,
        product=transfer.product,
        sides=sides,
        moved=moved,
        uncertainty=uncertainty,
        began=min(side.opening.instant for side in sides),
        ended=max(side.closing.instant for side in sides) if transfer.ended is None else transfer.ended,
        made=now,
        by=by,
        quality=max([*worst, Quality.UNCERTAIN if doubts else Quality.GOOD]),
        reasons=reasons,
        why=why,
        partner=transfer.partner,
        reference=transfer.reference,
        owner=transfer.owner,
        planned=transfer.planned,
        marks=transfer.marks,
        simulated=any(side.opening.simulated or side.closing.simulated for side in sides),
    )


def reversed_by(
    command: ReverseTicket, tickets: Sequence[Ticket], last_ticket: int, now: datetime
) -> tuple[Ticket, ...]:
    """The ticket that takes another back, and the one in its place where something of it is to be different.

    `tickets`: the one that is meant, and those that may have reversed it. Raises AccountRefusedError.
    """
    number = command.ticket
    ticket = next((each for each in tickets if each.number == number), None)
    if ticket is None:
        raise AccountRefusedError(f"ticket {number}: there is none", "look at `tank-gateway transfers`")
    if not command.why.strip():
        raise AccountRefusedError(f"ticket {number}: taking it back needs a reason", "say why")
    if ticket.reverses is not None:
        text = f"ticket {number} takes ticket {ticket.reverses} back: that stands"
        raise AccountRefusedError(text, "reverse the ticket that stands in its place, if there is one")
    taken = next((each for each in tickets if each.reverses == number), None)
    if taken is not None:
        raise AccountRefusedError(
            f"ticket {number}: ticket {taken.number} has taken it back already", "nothing is owed"
        )
    first = last_ticket + 1
    back = ticket._replace(number=first, made=now, by=command.by, why=command.why, reverses=number, replaces=None)
    if all(each is None for each in (command.kind, command.partner, command.reference, command.owner)):
        return (back,)
    other = ticket._replace(
        number=first + 1,
        made=now,
        by=command.by,
        why=command.why,
        replaces=number,
        partner=ticket.partner if command.partner is None else command.partner,
        reference=ticket.reference if command.reference is None else command.reference,
        owner=ticket.owner if command.owner is None else command.owner,
    )
    return back, other if command.kind is None else _of_another_kind(other, command.kind)


def directions(kind: TransferKind, source: str | None, target: str | None) -> tuple[tuple[str, Direction], ...]:
    """The tanks of a transfer of that kind. Raises AccountRefusedError where they do not go with it."""
    into, out = Direction.INTO, Direction.OUT_OF
    match kind:
        case TransferKind.RECEIPT if target is not None and source is None:
            return ((target, into),)
        case TransferKind.DISPATCH if source is not None and target is None:
            return ((source, out),)
        case TransferKind.TANK_TO_TANK if source is not None and target is not None and source != target:
            return ((source, out), (target, into))
        case TransferKind.CIRCULATION if (source or target) and (source is None or target in (None, source)):
            return ((source or target or "", out),)
        case TransferKind.WATER_DRAW if source is not None and target is None:
            return ((source, out),)
    raise AccountRefusedError(f"a {kind.value.replace('_', ' ')} has other tanks", _WANTED[kind])


_TELLS_APART = (ReasonCode.SIDES_DIFFER, ReasonCode.WATER_DRAW)
_WANTED = {
    TransferKind.RECEIPT: "give the tank that it goes into (--into, `target`), and none that it comes out of",
    TransferKind.DISPATCH: "give the tank that it comes out of (--from, `source`), and none that it goes into",
    TransferKind.TANK_TO_TANK: "give two tanks of this site: out of (--from, `source`) and into (--into, `target`)",
    TransferKind.CIRCULATION: "give the tank whose contents are pumped round (--from, `source`), and no other",
    TransferKind.WATER_DRAW: "give the tank that water is drawn off (--from, `source`), and none that it goes into",
}


def _of_another_kind(ticket: Ticket, kind: TransferKind) -> Ticket:
    """The same sheets told as something else: sides and amount follow from the kind."""
    tanks = [side.tank for side in ticket.sides]
    if kind is ticket.kind:
        return ticket
    if (kind is TransferKind.TANK_TO_TANK) != (ticket.kind is TransferKind.TANK_TO_TANK):
        text = f"ticket {ticket.replaces} cannot be made one of kind {kind.value}: it has {len(tanks)} tank"
        raise AccountRefusedError(
            text if len(tanks) == 1 else f"{text}s", "reverse it without a kind, and begin another"
        )
    direction = Direction.INTO if kind is TransferKind.RECEIPT else Direction.OUT_OF
    sides = tuple(_turned(side, direction) for side in ticket.sides)
    reasons = tuple(reason for reason in ticket.reasons if reason.code not in _TELLS_APART)
    reasons = (*reasons, *_told_apart(kind, sides))
    return ticket._replace(kind=kind, sides=sides, moved=ticket_moved(kind, sides), reasons=reasons)


def _turned(side: TicketSide, direction: Direction) -> TicketSide:
    if side.direction is direction:
        return side
    moved = {
        name: figure if figure.value is None else figure._replace(value=-figure.value)
        for name, figure in side.moved.items()
    }
    return side._replace(direction=direction, moved=moved)


def _told_apart(kind: TransferKind, sides: tuple[TicketSide, ...]) -> tuple[Reason, ...]:
    """Of a transfer from tank to tank what did not arrive; of a water draw what became of the product."""
    if kind is TransferKind.TANK_TO_TANK:
        out = [side for side in sides if side.direction is Direction.OUT_OF]
        into = [side for side in sides if side.direction is Direction.INTO]
        name = main_measure(into[0].moved)
        left, came = (_total([side.moved[name] for side in each]) for each in (out, into))
        if left is None or came is None:
            return ()
        values = {"left": left, "came": came, "apart": came - left}
        if name in MASSES:
            phrase = "{left:t .3f} left and {came:t .3f} came in: {apart:t +.3f} between the two tanks"
            return (because(ReasonCode.SIDES_DIFFER, phrase, **values),)
        phrase = "{left:m3 .2f} left and {came:m3 .2f} came in: {apart:m3 +.2f} between the two tanks"
        return (because(ReasonCode.SIDES_DIFFER, phrase, **values),)
    if kind is TransferKind.WATER_DRAW:
        name = main_measure(sides[0].moved)
        kept, water = sides[0].moved[name].value, sides[0].moved["free_water"].value
        if kept is None or water is None:
            return ()
        if name in MASSES:
            phrase = "{water:m3 .2f} of free water was drawn; the product changed by {product:t +.3f}"
            return (because(ReasonCode.WATER_DRAW, phrase, water=water, product=-kept),)
        phrase = "{water:m3 .2f} of free water was drawn; the product changed by {product:m3 +.2f}"
        return (because(ReasonCode.WATER_DRAW, phrase, water=water, product=-kept),)
    return ()


def _total(figures: Sequence[Figure]) -> float | None:
    values = [figure.value for figure in figures]
    return None if None in values else sum(value for value in values if value is not None)
