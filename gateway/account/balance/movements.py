"""Pure: what was moved within a span, each movement once: by its document, else by its ticket, else as far as it is.

A movement over a boundary is cut there by the tank's own sheet at the boundary: each side has what moved on it, and
the sides add up to the whole. A document that replaces its ticket is cut in the same proportion. Where the tank had no
sheet at the boundary, what nobody can tell apart goes to the side where the next sheet is.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.account.amount import Amount, AmountKind
from gateway.account.commands import EnterAmount
from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket
from gateway.account.transfer import Direction, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.moved import changed_between
from gateway.account.uncertainty import Budget, area_between, of_document, of_gauging, together
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["Moved", "Span", "document_of", "is_of", "moved_within", "standing_amounts", "standing_tickets"]


class Span(NamedTuple):
    """From `begin` up to and without `end`, with what every tank held at the ends of the days before and at its own."""

    begin: datetime
    end: datetime
    boundaries: tuple[tuple[datetime, Mapping[str, Gauging]], ...]
    """Ascending: those that have a close, up to `end`; by tank."""


class Moved(NamedTuple):
    """One movement, as far as it lies within a span."""

    product: str
    kind: AmountKind
    figure: Figure
    """By the measure that was asked for: above zero what its kind says."""
    budget: Budget | None
    is_document: bool
    source: str
    """Of what it is: `amount 12`, `ticket 7`, `transfer 9`."""
    is_proposed: bool = False
    """Nobody has said what it was."""


class _Leg(NamedTuple):
    """One tank of a movement."""

    source: str
    kind: AmountKind
    product: str
    tank: str
    opening: Gauging
    closing: Gauging | None
    """None: it goes on."""
    sign: float
    """Of what the tank holds more, to what its kind says."""
    told: Mapping[str, Figure] = MappingProxyType({})
    """By measure, what its ticket says of it: as good as that it is at most."""


_DOCUMENTS = {
    TransferKind.RECEIPT: (AmountKind.RECEIPT,),
    TransferKind.DISPATCH: (AmountKind.DISPATCH, AmountKind.OWN_USE),
}


def standing_tickets(tickets: Sequence[Ticket]) -> dict[int, Ticket]:
    """By number: those that nobody has taken back; a ticket that takes another back counts as nothing."""
    reversed_ = {ticket.reverses for ticket in tickets}
    return {ticket.number: ticket for ticket in tickets if ticket.reverses is None and ticket.number not in reversed_}


def standing_amounts(amounts: Sequence[Amount]) -> dict[int, Amount]:
    """By number: those that nobody has taken back."""
    reversed_ = {amount.reverses for amount in amounts}
    return {amount.number: amount for amount in amounts if amount.reverses is None and amount.number not in reversed_}


def document_of(amounts: Sequence[Amount], tickets: Sequence[Ticket]) -> dict[int, Amount]:
    """By ticket that stands: its document. One that names a ticket in whose place another stands is of that one."""
    standing, instead = standing_tickets(tickets), {ticket.replaces: ticket.number for ticket in tickets}
    found: dict[int, Amount] = {}
    for _, amount in sorted(standing_amounts(amounts).items()):
        number = amount.ticket
        while number is not None and number not in standing:
            number = instead.get(number)
        if number is not None and is_of(amount, standing[number]):
            found.setdefault(number, amount)
    return found


def is_of(amount: Amount | EnterAmount, ticket: Ticket | Transfer) -> bool:
    """Whether an amount can be the document of a ticket, or of a transfer that gets one: of the same product, and what
    it says was done."""
    return amount.product == ticket.product and amount.kind in _DOCUMENTS.get(ticket.kind, ())


def moved_within(
    span: Span,
    measures: Mapping[str, str],
    tickets: Sequence[Ticket],
    amounts: Sequence[Amount],
    transfers: Sequence[Transfer],
) -> list[Moved]:
    """Every movement that lies within the span or reaches into it, once each, by the measure of its product."""
    documents = document_of(amounts, tickets)
    of_tickets = {amount.number for amount in documents.values()}
    found: list[Moved] = []
    for _, ticket in sorted(standing_tickets(tickets).items()):
        legs = _legs_of_ticket(ticket)
        document = documents.get(ticket.number)
        if document is None:
            found += [_share(span, leg, measures) for leg in legs if _reaches(span, leg)]
        else:
            found += _document_share(span, legs, document, measures)
    have_ticket = {ticket.transfer for ticket in tickets}
    for transfer in sorted(transfers, key=lambda transfer: transfer.number):
        if transfer.number not in have_ticket:
            is_proposed = transfer.phase is TransferPhase.PROPOSED
            found += [
                _share(span, leg, measures)._replace(is_proposed=is_proposed)
                for leg in _legs_of_transfer(transfer, span)
                if _reaches(span, leg)
            ]
    numbers = {ticket.number for ticket in tickets}
    for _, amount in sorted(standing_amounts(amounts).items()):
        # A ticket that is not given lies outside the span with all of its documents, whenever these are of.
        is_elsewhere = amount.ticket is not None and amount.ticket not in numbers
        if amount.number not in of_tickets and not is_elsewhere and span.begin <= amount.instant < span.end:
            found.append(_document(amount, measures, _void(amount)))
    return found


def _legs_of_ticket(ticket: Ticket) -> list[_Leg]:
    products = {side.opening.product for side in ticket.sides}
    return [
        _Leg(ticket.key, kind, side.opening.product, side.tank, side.opening, side.closing, sign, side.moved)
        for side in ticket.sides
        for kind, sign in _counts(ticket.kind, side.direction, len(products))
    ]


def _legs_of_transfer(transfer: Transfer, span: Span) -> list[_Leg]:
    """Of one that has begun, or was proposed by a movement; the others have moved nothing. Where nothing flows any more
    and there is no closing yet, it is the sheet at the boundary after that: what the tank does later is not of it."""
    if not transfer.phase.has_begun and transfer.phase is not TransferPhase.PROPOSED:
        return []
    opened = [(side, side.opening) for side in transfer.sides if side.opening is not None]
    products = {opening.product for _, opening in opened}
    return [
        _Leg(transfer.key, kind, opening.product, side.tank, opening, _closing(transfer, side, span), sign)
        for side, opening in opened
        for kind, sign in _counts(transfer.kind, side.direction, len(products))
    ]


def _closing(transfer: Transfer, side: Side, span: Span) -> Gauging | None:
    if side.closing is not None or transfer.ended is None:
        return side.closing
    after = (held[side.tank] for end, held in span.boundaries if end >= transfer.ended and side.tank in held)
    return next(after, None)


def _counts(kind: TransferKind, direction: Direction, products: int) -> Iterator[tuple[AmountKind, float]]:
    """What one side of a transfer does to the book of its product. From tank to tank that is nothing, but where one
    product is put to another; a circulation and a water draw leave the product what it was."""
    match kind:
        case TransferKind.RECEIPT:
            yield AmountKind.RECEIPT, 1.0
        case TransferKind.DISPATCH:
            yield AmountKind.DISPATCH, -1.0
        case TransferKind.TANK_TO_TANK:
            if products > 1 and direction is Direction.INTO:
                yield AmountKind.RECEIPT, 1.0
            elif products > 1:
                yield AmountKind.DISPATCH, -1.0
        case TransferKind.CIRCULATION | TransferKind.WATER_DRAW:
            pass


def _reaches(span: Span, leg: _Leg) -> bool:
    """What closes at a boundary belongs to the day before it; a movement of no length to that in which it is."""
    if leg.opening.instant >= span.end:
        return False
    return leg.closing is None or leg.closing.instant > span.begin or leg.opening.instant >= span.begin


def _share(span: Span, leg: _Leg, measures: Mapping[str, str]) -> Moved:
    """What moved at one tank within the span."""
    measure = measures.get(leg.product, "gsv")
    first, lost_before = _at(span, leg, span.begin, measure)
    last, lost_after = _at(span, leg, span.end, measure)
    before, after = first.figures[measure], last.figures[measure]
    quality = max(before.quality, after.quality)
    reasons = [
        because(ReasonCode.INPUT_UNCERTAIN, "{tank}: {reason}", tank=leg.tank, reason=reason)
        for reason in dict.fromkeys(
            (*(before.reasons if before.quality else ()), *(after.reasons if after.quality else ()))
        )
    ]
    if first.product != last.product or (leg.closing is not None and leg.closing.product != leg.product):
        quality = max(quality, Quality.UNCERTAIN)
        reasons.append(
            because(
                ReasonCode.PRODUCT_CHANGED,
                "the product of {tank} was changed during {source}",
                tank=leg.tank,
                source=leg.source,
            )
        )
    doubts = _doubts_of(leg, first, last, measure)
    if doubts and not quality:
        quality = Quality.UNCERTAIN
        reasons += [
            because(ReasonCode.INPUT_UNCERTAIN, "{source}: {reason}", source=leg.source, reason=doubt)
            for doubt in doubts
        ]
    if lost_before or lost_after:
        quality = max(quality, Quality.UNCERTAIN)
        reasons.append(
            because(
                ReasonCode.NOT_INCLUDED,
                "{tank} had no sheet where {source} was to be cut: that part is on the day of its next sheet",
                tank=leg.tank,
                source=leg.source,
            )
        )
    if before.value is None or after.value is None:
        reasons = reasons or [because(ReasonCode.INPUT_BAD, "{source} has no such figure", source=leg.source)]
        figure = Figure(None, Quality.BAD, tuple(reasons), 0.0)
        return Moved(leg.product, leg.kind, figure, None, False, leg.source)
    value = leg.sign * (after.value - before.value)
    manual = before.manual or after.manual
    return Moved(
        leg.product,
        leg.kind,
        Figure(value, quality, tuple(reasons), 0.0, manual),
        _budget(first, last, measure, leg.sign),
        False,
        leg.source,
    )


def _doubts_of(leg: _Leg, first: Gauging, last: Gauging, measure: str) -> tuple[Reason, ...]:
    """Why what moved is an estimate though both sheets of it are Good: somebody has overruled something, nobody watched
    for a while, or the tank was reckoned in another way at its end."""
    told = leg.told.get(measure)
    if told is not None:
        return (told.reasons or (_UNCERTAIN,)) if told.quality else ()
    return changed_between(first, last)[measure]


def _at(span: Span, leg: _Leg, instant: datetime, measure: str) -> tuple[Gauging, bool]:
    """The newest sheet of the movement's tank that is known at an edge of the span, and whether one was wanted and is
    not there."""
    if instant <= leg.opening.instant:
        return leg.opening, False
    if leg.closing is not None and leg.closing.instant <= instant:
        return leg.closing, False
    newest, is_lost = leg.opening, True
    for end, held in span.boundaries:
        if leg.opening.instant < end <= instant and leg.tank in held and held[leg.tank].value(measure) is not None:
            newest, is_lost = held[leg.tank], end < instant
    return newest, is_lost


def _budget(first: Gauging, last: Gauging, measure: str, sign: float) -> Budget | None:
    area = area_between(first, last)
    closing, opening = (of_gauging(each, measure, area_m2=area) for each in (last, first))
    if closing is None or opening is None:
        return None
    return together(((sign, closing), (-sign, opening)))


def _document_share(span: Span, legs: Sequence[_Leg], document: Amount, measures: Mapping[str, str]) -> list[Moved]:
    """The document of a ticket, cut as the ticket is; where that cannot be told, whole where the ticket ended."""
    reaching = [leg for leg in legs if _reaches(span, leg)]
    if not reaching:
        return []
    whole = _document(document, measures, ())
    inside = all(span.begin <= leg.opening.instant and _ended(leg) <= span.end for leg in legs)
    if inside or whole.figure.value is None:
        return [whole]
    everywhere = Span(min(leg.opening.instant for leg in legs), max(_ended(leg) for leg in legs), ())
    here = [_share(span, leg, measures).figure.value for leg in reaching]
    all_of_it = [_share(everywhere, leg, measures).figure.value for leg in legs]
    total = sum(value for value in all_of_it if value is not None)
    if None in here or None in all_of_it or total == 0.0:
        ends_here = max(_ended(leg) for leg in legs) <= span.end
        return [whole] if ends_here else []
    part = sum(value for value in here if value is not None) / total
    budget = whole.budget or {}
    return [
        whole._replace(
            figure=whole.figure._replace(value=whole.figure.value * part),
            budget={name: share * part for name, share in budget.items()},
        )
    ]


def _ended(leg: _Leg) -> datetime:
    return leg.opening.instant if leg.closing is None else leg.closing.instant


def _document(amount: Amount, measures: Mapping[str, str], doubts: tuple[Reason, ...]) -> Moved:
    measure = measures.get(amount.product, "gsv")
    if amount.measure != measure:
        other = because(
            ReasonCode.INPUT_BAD,
            "{source} is by {has}, the book of {product} by {measure}",
            source=amount.key,
            has=amount.measure,
            product=amount.product,
            measure=measure,
        )
        return Moved(amount.product, amount.kind, Figure(None, Quality.BAD, (other,), 0.0), None, True, amount.key)
    quality = Quality.UNCERTAIN if doubts else Quality.GOOD
    figure = Figure(amount.value, quality, doubts, 0.0)
    return Moved(amount.product, amount.kind, figure, of_document(amount), True, amount.key)


def _void(amount: Amount) -> tuple[Reason, ...]:
    if amount.ticket is None:
        return ()
    phrase = "{source} is of ticket {ticket}, which counts no more: it counts by itself"
    return (because(ReasonCode.INPUT_UNCERTAIN, phrase, source=amount.key, ticket=amount.ticket),)


_UNCERTAIN = Reason(ReasonCode.INPUT_UNCERTAIN, "it is Uncertain")
