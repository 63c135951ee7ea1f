"""What the folds of the accounts rest on, read from the file of a ledger: each read is as large as what it is for."""

import sqlite3
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from gateway.account.amount import AMOUNT, Amount
from gateway.account.amounts.file import named_in
from gateway.account.commands import AccountRefusedError, AmountCommand, ImportAmounts, ReverseAmount
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import Day, day_named
from gateway.account.days.close import DayBooks
from gateway.account.days.due import spans_of_amount, spans_of_ticket
from gateway.account.gauging import Gauging, gauging_of
from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import TICKET, Ticket
from gateway.account.transfer import TRANSFER
from gateway.ledger.account_forms import all_of, amount_from, day_from, decoded, ticket_from, utc_ns
from gateway.ledger.account_papers import (
    newest_day,
    open_transfers,
    paper_of,
    papers_behind,
    papers_between,
    papers_linked,
    reference_word,
)
from gateway.ledger.blocks import RECORD, runs_between
from gateway.ledger.contract import Row
from gateway.ledger.entries import Names, rows_between

__all__ = [
    "amounts_of_reference",
    "amounts_with",
    "closed_days",
    "day_books",
    "known_of",
    "late_papers",
    "spans_of",
    "tickets_with",
]

_SLICE = 512
_AFTER = timedelta(hours=6)
"""So long after a boundary the next sheet of a tank is looked for that had none before it."""
_FOREVER_NS = 1 << 62


def day_books(connection: sqlite3.Connection, plan: AccountPlan, day: Day, products: Mapping[str, str]) -> DayBooks:
    """What the close of a day rests on. `products`: by tank of the site, what it holds by the site file.

    A day that was closed before keeps the sheets of that close: history may reach back to it no more.
    Raises sqlite3.Error, and PaperError where a paper of it cannot be read.
    """
    month = day_named(plan, f"{day.month}-01") if _is_day(plan, f"{day.month}-01") else day
    begin = min(month.begin, day.begin)
    begin_ns, end_ns = utc_ns(begin), utc_ns(day.end)
    closes = all_of(DAY, papers_between(connection, PaperKind.DAY, begin_ns, end_ns + 1))
    earlier = _newest_day(connection, begin_ns)
    sheets = {tank: list(found) for tank, found in _sheets_at(connection, plan, day, products).items()}
    for close in closes:
        if close.day == day.name:
            for tank in close.tanks:
                if tank.gauging is not None:
                    sheets.setdefault(tank.tank, []).append(tank.gauging)
    around = timedelta(days=7), timedelta(days=31)
    amounts = all_of(
        AMOUNT, papers_between(connection, PaperKind.AMOUNT, utc_ns(begin - around[0]), utc_ns(day.end + around[1]))
    )
    tickets = all_of(TICKET, papers_between(connection, PaperKind.TICKET, begin_ns, _FOREVER_NS))
    by_number = {ticket.number: ticket for ticket in tickets}
    # A document may be of another month than its ticket: it counts where that is.
    for number in sorted({amount.ticket for amount in amounts if amount.ticket is not None} - by_number.keys()):
        by_number |= {ticket.number: ticket for ticket in tickets_with(connection, number)}
    return DayBooks(
        sheets=sheets,
        products=products,
        tickets=tuple(by_number[number] for number in sorted(by_number)),
        amounts=tuple(amounts),
        transfers=tuple(all_of(TRANSFER, open_transfers(connection))),
        closes=(*closes, *([] if earlier is None else [earlier])),
    )


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


def known_of(connection: sqlite3.Connection, command: AmountCommand) -> tuple[list[Amount], list[Ticket]]:
    """What an amount is looked at against: those of the same document or ticket, the one to be taken back, and the
    last, which has the last number. Raises sqlite3.Error, PaperError."""
    (last,) = connection.execute("SELECT last FROM numbers WHERE kind = 'amount'").fetchone()
    tickets: list[Ticket] = []
    numbers = [last]
    if isinstance(command, ReverseAmount):
        numbers.append(command.amount)
    elif isinstance(command, ImportAmounts):
        named = named_in(command.text)
        for number in sorted(named.tickets):
            tickets += tickets_with(connection, number)
        for given in sorted(named.documents):
            numbers += amounts_of_reference(connection, *given, ())
        numbers += amounts_of_reference(connection, "", "", "", [ticket.number for ticket in tickets])
    else:
        tickets = [] if command.ticket is None else tickets_with(connection, command.ticket)
        given = command.source.value, command.reference, command.product
        numbers += amounts_of_reference(connection, *given, [ticket.number for ticket in tickets])
    return amounts_with(connection, numbers), tickets


def closed_days(connection: sqlite3.Connection, begin: datetime) -> frozenset[str]:
    """Names of the days that ended then or later and have a close. Raises sqlite3.Error."""
    rows = connection.execute("SELECT key FROM papers WHERE kind = 'day' AND instant_ns >= ?", (utc_ns(begin),))
    return frozenset(key.split(" ")[1] for (key,) in rows)


def late_papers(connection: sqlite3.Connection) -> list[AccountPaper]:
    """What was kept after the newest close of a day. Raises sqlite3.Error, PaperError."""
    paper = newest_day(connection)
    return [] if paper is None else papers_behind(connection, paper.number)


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


def _newest_day(connection: sqlite3.Connection, begin_ns: int) -> DayClose | None:
    paper = newest_day(connection, begin_ns + 1)
    return None if paper is None else day_from(paper.document)


def _is_day(plan: AccountPlan, name: str) -> bool:
    try:
        day_named(plan, name)
    except AccountRefusedError:
        # A place may have left out the first of a month.
        return False
    return True


def _sheets_at(
    connection: sqlite3.Connection, plan: AccountPlan, day: Day, products: Collection[str]
) -> dict[str, Sequence[Gauging]]:
    """By tank: the last sheet at or before the end of the day that is young enough, else the first soon after it."""
    names = Names(connection)
    end_ns = utc_ns(day.end)
    last: dict[str, Row] = {}
    for row in _records(connection, end_ns - round(plan.closing_age_s * 1e9), end_ns + 1):
        tank = names.tank(row.tank)
        known = last.get(tank)
        if known is None or row.instant_ns >= known.instant_ns:
            last[tank] = row
    found: dict[str, Sequence[Gauging]] = dict.fromkeys(products, ())
    lacking = set(products) - set(last)
    if lacking:
        for row in _records(connection, end_ns + 1, utc_ns(day.end + _AFTER)):
            tank = names.tank(row.tank)
            if tank in lacking:
                lacking.discard(tank)
                last[tank] = row
            if not lacking:
                break
    for tank, record in decoded(connection, names, last).items():
        if tank in products:
            found[tank] = (gauging_of(record),)
    return found


def _records(connection: sqlite3.Connection, begin_ns: int, until_ns: int) -> Iterable[Row]:
    for first, last in runs_between(connection, begin_ns, until_ns):
        after = first - 1
        while rows := rows_between(connection, after, last, _SLICE, RECORD):
            after = rows[-1].position
            yield from (row for row in rows if begin_ns <= row.instant_ns < until_ns)
