"""Pure: when a day of the site begins and ends, in its own zone, as UTC.

A day has 23 or 25 hours where clocks are set. A boundary that a clock never shows (it is set forward over it) is when
that clock would have shown it, had it not been set; one that it shows twice is the first of the two (PEP 495, fold 0).
A date that a place has left out has no length, and is no day.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from gateway.account.commands import AccountRefusedError
from gateway.account.plan import AccountPlan

__all__ = ["Day", "boundary", "day_after", "day_before", "day_named", "day_of", "days_between", "ended_last"]

_ONE = timedelta(days=1)
_FIRST, _LAST = date(1970, 1, 3), date(9998, 12, 28)
"""Dates around which there is room for any zone."""


class Day(NamedTuple):
    """One day of the site: from `begin` up to and without `end`."""

    name: str
    """ISO 8601: the date on which it began, in the zone of the site."""
    begin: datetime
    end: datetime
    """UTC."""

    @property
    def month(self) -> str:
        """`2026-11`: to which it belongs."""
        return self.name[:7]

    def holds(self, instant: datetime) -> bool:
        return self.begin <= instant < self.end


def boundary(plan: AccountPlan, on: date) -> datetime:
    """When the day of that date begins: UTC."""
    return datetime.combine(on, plan.boundary, tzinfo=plan.zone).astimezone(UTC)


def day_of(plan: AccountPlan, instant: datetime) -> Day:
    """The day that an instant (with a zone) falls into."""
    near = instant.astimezone(plan.zone).date()
    for apart in (1, 0, -1, -2, -3):
        day = _day(plan, near + apart * _ONE)
        if day.holds(instant):
            return day
    raise ValueError(f"{instant} falls into no day")  # pragma: no cover: boundaries leave no gap


def day_named(plan: AccountPlan, text: str) -> Day:
    """The day of a date as people write it. Raises AccountRefusedError: no date, or one that the place left out."""
    try:
        on = date.fromisoformat(text)
    except ValueError:
        raise AccountRefusedError(f"'{text}' is no date", "write for example 2026-11-27") from None
    if not _FIRST <= on <= _LAST:
        raise AccountRefusedError(f"'{text}' is out of reach", f"days from {_FIRST} to {_LAST} have a close")
    day = _day(plan, on)
    if day.begin >= day.end:
        raise AccountRefusedError(f"there was no {text} in {plan.time_zone}", "take the day before or after it")
    return day


def day_before(plan: AccountPlan, day: Day) -> Day:
    return day_of(plan, day.begin - timedelta(microseconds=1))


def day_after(plan: AccountPlan, day: Day) -> Day:
    return day_of(plan, day.end)


def ended_last(plan: AccountPlan, now: datetime) -> Day:
    """The day that has ended last: the one before that which `now` falls into."""
    return day_before(plan, day_of(plan, now))


def days_between(plan: AccountPlan, first: Day, last: Day) -> Iterator[Day]:
    """Both and all between them, in order; none where `last` is before `first`."""
    day = first
    while day.begin <= last.begin:
        yield day
        day = day_after(plan, day)


def _day(plan: AccountPlan, on: date) -> Day:
    return Day(on.isoformat(), boundary(plan, on), boundary(plan, on + _ONE))
