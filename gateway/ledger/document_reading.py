"""Tickets and the documents of others that belong to them, read from the file of a ledger by what links them."""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar

from gateway.account.amount import AMOUNT, Amount
from gateway.account.amounts.file import named_in
from gateway.account.commands import EnterAmount, ImportAmounts, ReverseAmount
from gateway.account.days.due import spans_of_amount, spans_of_ticket
from gateway.account.paper import PaperKind
from gateway.account.ticket import TICKET, Ticket
from gateway.ledger.account_papers import StoredPaper, paper_of, papers_between, papers_linked, reference_word
from gateway.plain_form import PlainForm

__all__ = [
    "amount_from",
    "amounts_of_reference",
    "amounts_with",
    "known_of",
    "paper_from",
    "spans_of",
    "ticket_from",
    "tickets_with",
    "with_documents",
]

T = TypeVar("T")
_NEAR_NS = 2 * 86_400 * 10**9
"""So far from its movement a document is looked at against tickets that it does not name."""
_MONTH_NS = 40 * 86_400 * 10**9
"""And a file of documents, back from the newest ticket."""


def ticket_from(document: Mapping[str, Any]) -> Ticket:
    """Raises PlainFormError."""
    return paper_from(TICKET, document)


def amount_from(document: Mapping[str, Any]) -> Amount:
    """Raises PlainFormError."""
    return paper_from(AMOUNT, document)


def paper_from(form: PlainForm[T], document: Mapping[str, Any]) -> T:
    """What was kept. Raises PlainFormError."""
    return form.from_plain({name: value for name, value in document.items() if name not in ("schema", "key")})


def tickets_with(connection: sqlite3.Connection, number: int) -> list[Ticket]:
    """A ticket, what reverses or replaces it, and what it replaces, as far as that goes. Raises sqlite3.Error."""
    found: dict[int, Ticket] = {}
    wanted = [number]
    while wanted:
        each = wanted.pop()
        if each in found:
            continue
        paper = paper_of(connection, PaperKind.TICKET, f"ticket {each}")
        if paper is None:
            continue
        ticket = ticket_from(paper.document)
        found[each] = ticket
        wanted += [other for other in (ticket.replaces, ticket.reverses) if other is not None]
        for name in ("reverses", "replaces"):
            wanted += [int(p.document["number"]) for p in papers_linked(connection, PaperKind.TICKET, name, str(each))]
    return [found[each] for each in sorted(found)]


def spans_of(connection: sqlite3.Connection, numbers: Iterable[int]) -> list[tuple[datetime, datetime]]:
    """From when to when these tickets lie, all that stand in their place, and their documents: where something may
    change when one of them does. Raises sqlite3.Error."""
    found: list[tuple[datetime, datetime]] = []
    for number in sorted(numbers):
        tickets = tickets_with(connection, number)
        of_these = amounts_of_reference(connection, "", "", "", [ticket.number for ticket in tickets])
        amounts = amounts_with(connection, of_these)
        for ticket in tickets:
            found += spans_of_ticket(ticket, amounts)
        for amount in amounts:
            found += spans_of_amount(amount, tickets)
    return found


def known_of(
    connection: sqlite3.Connection, command: EnterAmount | ImportAmounts | ReverseAmount
) -> tuple[list[Amount], list[Ticket], int]:
    """What an amount is looked at against: those of the same document or ticket, and the one to be taken back; and the
    last number that was given. Raises sqlite3.Error, PaperError."""
    (last,) = connection.execute("SELECT last FROM numbers WHERE kind = 'amount'").fetchone()
    tickets: list[Ticket] = []
    numbers: list[int] = []
    if isinstance(command, ReverseAmount):
        numbers.append(command.amount)
    elif isinstance(command, ImportAmounts):
        named = named_in(command.text)
        (newest_ns,) = connection.execute("SELECT max(instant_ns) FROM papers WHERE kind = 'ticket'").fetchone()
        near = [] if newest_ns is None else _tickets_near(connection, newest_ns - _MONTH_NS, newest_ns)
        tickets = _with_all(connection, sorted(named.tickets.union(near)))
        for given in sorted(named.documents):
            numbers += amounts_of_reference(connection, *given, ())
        numbers += amounts_of_reference(connection, "", "", "", [ticket.number for ticket in tickets])
    else:
        at_ns = round(command.instant.timestamp() * 1e9)
        named_ = [command.ticket] if command.ticket is not None else _tickets_near(connection, at_ns - _NEAR_NS, at_ns)
        tickets = _with_all(connection, named_)
        given = command.source.value, command.reference, command.product
        numbers += amounts_of_reference(connection, *given, [ticket.number for ticket in tickets])
    return amounts_with(connection, numbers), tickets, last


def _with_all(connection: sqlite3.Connection, numbers: Iterable[int]) -> list[Ticket]:
    """These, each once, with all that reverse or replace them. Raises sqlite3.Error."""
    found: dict[int, Ticket] = {}
    for number in numbers:
        if number not in found:
            found |= {each.number: each for each in tickets_with(connection, number)}
    return [found[number] for number in sorted(found)]


def _tickets_near(connection: sqlite3.Connection, begin_ns: int, at_ns: int) -> list[int]:
    """Numbers of those that were made from then on until two days after `at_ns`. Raises sqlite3.Error."""
    papers = papers_between(connection, PaperKind.TICKET, begin_ns, at_ns + _NEAR_NS)
    return [int(paper.document["number"]) for paper in papers if isinstance(paper, StoredPaper)]


def with_documents(
    connection: sqlite3.Connection, amounts: Sequence[Amount], tickets: Sequence[Ticket]
) -> tuple[list[Amount], list[Ticket]]:
    """These, with the tickets that an amount of them names and the amounts that name one of the tickets, and with all
    that reverse or replace them, whenever they are of. Raises sqlite3.Error."""
    by_ticket = {ticket.number: ticket for ticket in tickets}
    for number in sorted({amount.ticket for amount in amounts if amount.ticket is not None} - by_ticket.keys()):
        by_ticket |= {ticket.number: ticket for ticket in tickets_with(connection, number)}
    by_amount = {amount.number: amount for amount in amounts}
    linked = amounts_of_reference(connection, "", "", "", sorted(by_ticket))
    by_amount |= {amount.number: amount for amount in amounts_with(connection, sorted(set(linked) - by_amount.keys()))}
    return [by_amount[number] for number in sorted(by_amount)], [by_ticket[number] for number in sorted(by_ticket)]


def amounts_with(connection: sqlite3.Connection, numbers: Iterable[int]) -> list[Amount]:
    """Amounts, and what reverses them. Raises sqlite3.Error."""
    found: dict[int, Amount] = {}
    for number in numbers:
        paper = paper_of(connection, PaperKind.AMOUNT, f"amount {number}")
        if paper is not None:
            found[number] = amount_from(paper.document)
            for other in papers_linked(connection, PaperKind.AMOUNT, "reverses", str(number)):
                found[int(other.document["number"])] = amount_from(other.document)
    return [found[number] for number in sorted(found)]


def amounts_of_reference(
    connection: sqlite3.Connection, source: str, reference: str, product: str, tickets: Iterable[int]
) -> list[int]:
    """Numbers of those that are of this document, or name one of these tickets. Raises sqlite3.Error."""
    word = reference_word(source, reference, product)
    papers = papers_linked(connection, PaperKind.AMOUNT, "reference", word) if reference else []
    for ticket in tickets:
        papers += papers_linked(connection, PaperKind.AMOUNT, "ticket", str(ticket))
    return sorted({int(paper.document["number"]) for paper in papers})
