"""What people write for a time in a web address: a day of the site, or an instant with its zone."""

from datetime import UTC, date, datetime

from gateway.account.commands import AccountRefusedError
from gateway.account.days.boundary import day_named
from gateway.account.plan import AccountPlan
from gateway.errors import UsageError

__all__ = ["instant_asked"]

_FIRST, _LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
"""Instants in nanoseconds, as a ledger has them, end in the year 2262."""


def instant_asked(plan: AccountPlan, name: str, text: str) -> datetime:
    """UTC; a date is the beginning of that day of the site. Raises UsageError, which calls it `name`."""
    on = _date(text)
    if on is not None:
        if not _FIRST.date() <= on <= _LAST.date():
            raise _out_of_reach(name, text)
        try:
            return day_named(plan, text).begin
        except AccountRefusedError as error:
            # A day that the place left out, at which no instant with a zone was meant either.
            raise UsageError(f"{name}: {error}", error.hint) from error
    instant = _instant(name, text)
    if not _FIRST <= instant <= _LAST:
        raise _out_of_reach(name, text)
    return instant


def _date(text: str) -> date | None:
    """By its form, in reach or not."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _instant(name: str, text: str) -> datetime:
    try:
        # A plus sign behind the question mark means a blank.
        instant = datetime.fromisoformat(text.replace(" ", "+"))
    except ValueError:
        raise UsageError(
            f"{name}: '{text}' is neither a date nor a time", "give 2026-03-01 or 2026-03-01T06:00Z"
        ) from None
    if instant.tzinfo is None:
        raise UsageError(f"{name}: '{text}' does not say its zone", "end it with Z for UTC, or give a date")
    try:
        return instant.astimezone(UTC)
    except OverflowError:
        return instant.replace(tzinfo=UTC)


def _out_of_reach(name: str, text: str) -> UsageError:
    return UsageError(f"{name}: '{text}' is out of reach", f"give a time between {_FIRST:%Y} and {_LAST:%Y}")
