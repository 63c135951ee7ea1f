"""Pure: an amount that another measured, entered or taken back, and why one is refused."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import NamedTuple

from gateway.account.amount import AMOUNT, AMOUNT_SCHEMA, Amount, AmountKind
from gateway.account.amounts.compared import compared_words
from gateway.account.balance.movements import document_of, is_of, standing_amounts, standing_tickets
from gateway.account.commands import AccountRefusedError, EnterAmount, ReverseAmount
from gateway.account.gauging import MASSES, MEASURES
from gateway.account.paper import AccountPaper, Outcome, PaperKind
from gateway.account.ticket import Ticket
from gateway.account.transfer import Transfer
from gateway.account.transfers.words import moved_words

__all__ = [
    "MASSES",
    "AmountRefusedError",
    "Facts",
    "KnownAmounts",
    "amount_paper",
    "beside_words",
    "enter_amount",
    "entered",
    "reverse_amount",
    "reversed_by",
]

_LONGEST_TEXT = 500
_MOST_M3, _MOST_KG = 1e7, 1e10
"""Twenty times the largest tanker: what is more is a slip of the keyboard (common practice)."""
_NEAR = timedelta(hours=24)
"""A document is seldom of another day than the movement that it is of (common practice)."""
_FIRST = datetime(1970, 1, 1, tzinfo=UTC)
_AHEAD = timedelta(seconds=60)
"""So far may the clock of whoever enters it be ahead."""


class AmountRefusedError(AccountRefusedError):
    """Of an amount that is entered: `column` is what of it is wrong, as the columns of a file are called."""

    def __init__(self, column: str, text: str, hint: str) -> None:
        super().__init__(text, hint)
        self.column = column


class KnownAmounts(NamedTuple):
    """What an amount is looked at against."""

    amounts: Sequence[Amount]
    """All there are, for their numbers and references."""
    tickets: Sequence[Ticket]
    """All there are, or at least those that may be named, with all that reverse them."""
    measures: Mapping[str, str]
    """By product of the site: on which measure its book is kept (`balance.stocked.measure_of`)."""
    products: Mapping[str, str]
    """By tank of the site: what it holds or has held."""
    last_number: int = 0
    """That was given, whether its amount is here or not: an older ledger may stand in the place of a newer one."""
    open_transfers: Sequence[Transfer] = ()
    """Those that are to get a ticket yet."""

    @property
    def next_number(self) -> int:
        return max([self.last_number, *(amount.number for amount in self.amounts)]) + 1


class Facts:
    """What is known, found out once for many amounts; each that is taken in is told to it."""

    def __init__(self, known: KnownAmounts) -> None:
        self.known = known
        self.next_number = known.next_number
        self.tickets = {ticket.number: ticket for ticket in known.tickets}
        self.standing = standing_tickets(known.tickets)
        self.documents = document_of(known.amounts, known.tickets)
        self.by_reference = {
            _reference(amount): amount for amount in standing_amounts(known.amounts).values() if amount.reference
        }

    def take(self, amount: Amount) -> None:
        self.next_number = amount.number + 1
        if amount.ticket is not None:
            self.documents[amount.ticket] = amount
        if amount.reference:
            self.by_reference[_reference(amount)] = amount


def enter_amount(known: KnownAmounts, command: EnterAmount, now: datetime) -> Outcome:
    """What entering leaves behind. Raises AmountRefusedError."""
    facts = Facts(known)
    amount = entered(facts, command, now)
    notes = (
        beside_words(facts, amount)
        if amount.ticket is None
        else (compared_words(amount, facts.tickets[amount.ticket]),)
    )
    return Outcome(papers=(amount_paper(amount),), lines=(f"amount {amount.number}: {_words(amount)}",), notes=notes)


def beside_words(facts: Facts, amount: Amount) -> tuple[str, ...]:
    """Of one that names no ticket: which movements near it have but a ticket of the tank, and count as well."""
    beside = [
        ticket
        for number, ticket in sorted(facts.standing.items())
        if number not in facts.documents and is_of(amount, ticket) and abs(ticket.ended - amount.instant) <= _NEAR
    ]
    found = [
        f"{amount.key} counts beside ticket {ticket.number} ({', '.join(_ticket_words(ticket))}): if both are of one "
        f"movement, take the amount back and enter it again with that ticket"
        for ticket in beside
    ]
    found += [
        f"{amount.key} counts beside transfer {transfer.number}, which has no ticket yet: if both are of one movement, "
        f"take the amount back and enter it again with that ticket when it is made"
        for transfer in facts.known.open_transfers
        if transfer.phase.has_begun and is_of(amount, transfer)
    ]
    return tuple(found)


def _ticket_words(ticket: Ticket) -> list[str]:
    return [text for text in (moved_words(ticket.moved, ticket.kind), ticket.partner, ticket.reference) if text]


def reverse_amount(known: KnownAmounts, command: ReverseAmount, now: datetime) -> Outcome:
    """What taking an amount back leaves behind. Raises AccountRefusedError."""
    amount = reversed_by(known, command, now)
    return Outcome(
        papers=(amount_paper(amount),),
        lines=(f"amount {amount.number} takes amount {amount.reverses} back: {_words(amount)}",),
    )


def amount_paper(amount: Amount) -> AccountPaper:
    """As it is kept."""
    document = {"schema": AMOUNT_SCHEMA, "key": amount.key, **AMOUNT.to_plain(amount)}
    return AccountPaper(PaperKind.AMOUNT, amount.key, amount.tank, amount.instant, document)


def entered(facts: Facts, command: EnterAmount, now: datetime) -> Amount:
    """The amount, with the next number. Raises AmountRefusedError, with what to do instead."""
    known = facts.known
    _check_texts(command)
    _check_value(command)
    _check_measure(known, command)
    _check_time(command, now)
    _check_tank(known, command)
    _check_repeat(facts, command)
    _check_ticket(facts, command)
    _check_beside(facts, command)
    return Amount(
        number=facts.next_number,
        kind=command.kind,
        source=command.source,
        product=command.product,
        value=command.value,
        measure=command.measure,
        instant=command.instant,
        entered=now,
        by=command.by,
        reference=command.reference,
        ticket=command.ticket,
        tank=command.tank,
        owner=command.owner,
        why=command.why,
    )


def reversed_by(known: KnownAmounts, command: ReverseAmount, now: datetime) -> Amount:
    """The amount that takes another back: the same, with its own number. Raises AccountRefusedError."""
    by_number = {amount.number: amount for amount in known.amounts}
    if command.amount not in by_number:
        raise AccountRefusedError(f"there is no amount {command.amount}", "the list of amounts has their numbers")
    wrong = by_number[command.amount]
    if wrong.reverses is not None:
        raise AccountRefusedError(
            f"{wrong.key} takes amount {wrong.reverses} back, and cannot be taken back itself",
            "enter the amount again",
        )
    earlier = next((amount for amount in known.amounts if amount.reverses == wrong.number), None)
    if earlier is not None:
        raise AccountRefusedError(f"{wrong.key} was taken back by {earlier.key}", "enter it again if it was right")
    if not command.why.strip():
        raise AccountRefusedError(f"to take {wrong.key} back a reason is needed", "say why")
    return wrong._replace(number=known.next_number, entered=now, by=command.by, why=command.why, reverses=wrong.number)


def _reference(given: Amount | EnterAmount) -> tuple[str, str, str]:
    return given.source, given.reference, given.product


def _check_texts(command: EnterAmount) -> None:
    """What stands in lists, letters and cells for years: the same as the door takes of one amount, also of a file."""
    for column in ("reference", "owner", "why"):
        text = getattr(command, column)
        if len(text) > _LONGEST_TEXT or not text.isprintable():
            what = f"it is no text of at most {_LONGEST_TEXT} characters"
            raise AmountRefusedError(column, what, "write it in plain words, without marks that are not seen")


def _check_value(command: EnterAmount) -> None:
    if not isfinite(command.value):
        raise AmountRefusedError("amount", f"{command.value} is no amount", "give for example 32.4 m3")
    most = _MOST_KG if command.measure in MASSES else _MOST_M3
    if abs(command.value) > most:
        told = f"{_MOST_KG / 1000.0:,.0f} t" if command.measure in MASSES else f"{_MOST_M3:,.0f} m3"
        raise AmountRefusedError("amount", "no site moves so much at once", f"an amount is at most {told}")
    if command.kind is AmountKind.ADJUSTMENT:
        if command.value == 0.0:
            raise AmountRefusedError("amount", "an adjustment of nothing changes nothing", "give what is added or off")
        if not command.why.strip():
            raise AmountRefusedError("why", "an adjustment needs a reason", "say why")
    elif command.value <= 0.0:
        unit = "kg" if command.measure in MASSES else "m3"
        raise AmountRefusedError(
            "amount",
            f"{command.value:g} {unit} is not above zero",
            "which way it went is said by the kind: receipt, dispatch or own_use; to add or take off, adjustment",
        )


def _check_measure(known: KnownAmounts, command: EnterAmount) -> None:
    if command.product not in known.measures:
        have = ", ".join(sorted(known.measures)) or "none"
        raise AmountRefusedError("product", f"there is no product {command.product}", f"the site has: {have}")
    if command.measure not in MEASURES:
        raise AmountRefusedError("measure", f"{command.measure} is no measure", f"one of: {', '.join(MEASURES)}")
    wanted = known.measures[command.product]
    if command.measure != wanted:
        raise AmountRefusedError(
            "measure",
            f"the book of {command.product} is kept by {wanted}, not by {command.measure}",
            f"give the amount by {wanted}, in {'t' if wanted in MASSES else 'm3'}",
        )


def _check_time(command: EnterAmount, now: datetime) -> None:
    if command.instant > now + _AHEAD:
        raise AmountRefusedError(
            "at", f"{command.instant:%Y-%m-%d %H:%M} UTC is still to come", "give when it was moved, with its zone"
        )
    if command.instant < _FIRST:
        text = f"{command.instant.isoformat()} is not of this age"
        raise AmountRefusedError("at", text, f"give a year from {_FIRST.year} on")


def _check_tank(known: KnownAmounts, command: EnterAmount) -> None:
    if command.tank and command.tank not in known.products:
        have = ", ".join(sorted(known.products)) or "none"
        raise AmountRefusedError("tank", f"there is no tank {command.tank}", f"the site has: {have}")


def _check_repeat(facts: Facts, command: EnterAmount) -> None:
    earlier = facts.by_reference.get(_reference(command)) if command.reference else None
    if earlier is not None:
        raise AmountRefusedError(
            "reference",
            f"{command.source} {command.reference} of {command.product} is {earlier.key} already",
            "take that one back first if it was wrong",
        )


def _check_ticket(facts: Facts, command: EnterAmount) -> None:
    if command.ticket is None:
        return
    number = command.ticket
    other = "enter it without a ticket, or with the right number"
    if number not in facts.tickets:
        raise AmountRefusedError("ticket", f"there is no ticket {number}", other)
    ticket = facts.tickets[number]
    if ticket.reverses is not None:
        raise AmountRefusedError(
            "ticket", f"ticket {number} takes ticket {ticket.reverses} back", "name a ticket that stands"
        )
    if number not in facts.standing:
        instead = next((each.number for each in facts.tickets.values() if each.replaces == number), None)
        hint = "enter it without a ticket" if instead is None else f"ticket {instead} stands in its place"
        raise AmountRefusedError("ticket", f"ticket {number} was taken back", hint)
    if number in facts.documents:
        raise AmountRefusedError(
            "ticket",
            f"{facts.documents[number].key} is the document of ticket {number} already",
            "take that one back first if it was wrong",
        )
    if not is_of(command, ticket):
        raise AmountRefusedError(
            "ticket",
            f"ticket {number} is of a {ticket.kind.replace('_', ' ')} of {ticket.product}, not of a "
            f"{command.kind.replace('_', ' ')} of {command.product}",
            other,
        )


def _check_beside(facts: Facts, command: EnterAmount) -> None:
    """A document with the number that a ticket has is of that movement: by itself it would count a second time."""
    if command.ticket is not None or not command.reference:
        return
    for number, ticket in sorted(facts.standing.items()):
        if _same_reference(ticket.reference, command.reference) and is_of(command, ticket):
            document = facts.documents.get(number)
            if document is None:
                hint = f"give ticket {number} with it: it counts in its place then"
            else:
                hint = f"{document.key} is its document already: take that one back first if it was wrong"
            raise AmountRefusedError(
                "ticket", f"ticket {number} is of {ticket.reference} too: without it the movement counts twice", hint
            )
    for transfer in facts.known.open_transfers:
        if (
            transfer.phase.has_begun
            and _same_reference(transfer.reference, command.reference)
            and is_of(command, transfer)
        ):
            raise AmountRefusedError(
                "ticket",
                f"transfer {transfer.number} is of {transfer.reference} too, and has no ticket yet: the movement "
                "would count twice",
                "enter it when that is closed, with its ticket",
            )


def _same_reference(one: str, other: str) -> bool:
    return one.split() != [] and [word.casefold() for word in one.split()] == [
        word.casefold() for word in other.split()
    ]


def _words(amount: Amount) -> str:
    number = f"{amount.value / 1000.0:.3f} t" if amount.measure in MASSES else f"{amount.value:.3f} m3"
    kind = amount.kind.replace("_", " ")
    reference = f", {amount.reference}" if amount.reference else ""
    return f"{kind} of {amount.product}, {number} {amount.measure}, by {amount.source}{reference}"
