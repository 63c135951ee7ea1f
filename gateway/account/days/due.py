"""Pure: which days are to be closed now, by themselves, because of late data, or because somebody asks for it."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from gateway.account.amount import Amount
from gateway.account.commands import AccountRefusedError, CloseDay
from gateway.account.days.boundary import Day, day_after, day_before, day_named, day_of, days_between, ended_last
from gateway.account.days.close import DayBooks, close_day, day_paper
from gateway.account.paper import Outcome
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket
from gateway.records import Quality

__all__ = [
    "AT_ONCE",
    "ask_for_close",
    "day_asked",
    "days_due",
    "days_touched",
    "spans_of_amount",
    "spans_of_ticket",
]

AT_ONCE = 40
"""So many days are closed in one go at most: after a long stop the rest follows with the next."""


def days_due(plan: AccountPlan, now: datetime, last_closed: str | None, first_sheet: datetime | None) -> list[Day]:
    """Days that have ended long enough ago and have no close yet, in order, at most `AT_ONCE`.

    `last_closed`: the latest day that has one; where none has, only the day that has ended last is closed, and that if
    there was a sheet by then: a history from before the accounts began is not closed afterwards.
    """
    last = ended_last(plan, now - timedelta(seconds=plan.close_after_s))
    if last_closed is None:
        return [last] if first_sheet is not None and first_sheet <= last.end else []
    found: list[Day] = []
    for day in days_between(plan, day_after(plan, day_named(plan, last_closed)), last):
        found.append(day)
        if len(found) == AT_ONCE:
            break
    return found


def days_touched(plan: AccountPlan, begin: datetime, end: datetime, closed: Collection[str]) -> list[Day]:
    """Closed days that something late of `begin` to `end` may change, in order: those that it lies in, the next, which
    opens from them, and the latest that is closed of each month in question, which has that month so far. Each is then
    closed again, in this order, and has another revision if something differs."""
    # The day before as well: a sheet at the very boundary is of it, and its end may have been another then.
    first, last = day_before(plan, day_of(plan, begin)), day_after(plan, day_of(plan, end))
    months = {day.month for day in days_between(plan, first, last) if day.name in closed}
    latest = {month: max((name for name in closed if name[:7] == month), default="") for month in months}
    names = {day.name for day in days_between(plan, first, last)} & set(closed)
    return [day_named(plan, name) for name in sorted(names | set(latest.values()))]


def spans_of_amount(amount: Amount, tickets: Sequence[Ticket]) -> list[tuple[datetime, datetime]]:
    """From when to when an amount that was entered, or took another back, may change what was closed: its own instant,
    and the span of its ticket and of each that stands in the place of that. `tickets`: at least these."""
    spans, number = [(amount.instant, amount.instant)], amount.ticket
    by_number = {ticket.number: ticket for ticket in tickets}
    instead = {ticket.replaces: ticket.number for ticket in tickets if ticket.replaces is not None}
    while number in by_number:
        spans.append(_span(by_number[number]))
        number = instead.get(number)
    return spans


def spans_of_ticket(ticket: Ticket, amounts: Sequence[Amount]) -> list[tuple[datetime, datetime]]:
    """The same of a ticket that was made or took another back: its span from first opening to last closing, and where
    its documents lie: one counts by itself once its ticket counts no more. `amounts`: at least those that name it."""
    named = {ticket.number, ticket.reverses, ticket.replaces} - {None}
    return [_span(ticket), *((amount.instant, amount.instant) for amount in amounts if amount.ticket in named)]


def _span(ticket: Ticket) -> tuple[datetime, datetime]:
    begin = min((side.opening.instant for side in ticket.sides), default=ticket.began)
    return begin, max((side.closing.instant for side in ticket.sides), default=ticket.ended)


def day_asked(plan: AccountPlan, command: CloseDay, now: datetime) -> Day:
    """The day that somebody wants closed. Raises AccountRefusedError: no date, or a day that has not ended."""
    if command.day is None:
        return ended_last(plan, now)
    day = day_named(plan, command.day)
    if day.end > now:
        raise AccountRefusedError(
            f"{day.name} has not ended; it ends at {day.end:%Y-%m-%d %H:%M} UTC", "close it after that"
        )
    return day


def ask_for_close(plan: AccountPlan, command: CloseDay, books: DayBooks, now: datetime) -> Outcome:
    """What a person who closes a day leaves behind. Raises AccountRefusedError where it is closed and nothing differs
    from its newest revision."""
    day = day_asked(plan, command, now)
    close = close_day(plan, day, books, now, by=command.by, why=command.why)
    if close is None:
        newest = max(close.revision for close in books.closes if close.day == day.name)
        raise AccountRefusedError(
            f"{day.name} is closed as revision {newest}, and nothing differs from it",
            "enter or take back what was wrong; then it has another revision",
        )
    included = sum(tank.gauging is not None for tank in close.tanks)
    what = f"{close.day} closed as revision {close.revision}: {included} of {len(close.tanks)} tanks"
    if close.quality is not Quality.GOOD:
        what += ", estimated" if close.quality is Quality.UNCERTAIN else ", no closing stock"
    return Outcome(papers=(day_paper(close),), lines=(what,))
