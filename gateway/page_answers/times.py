"""From when to when somebody asks, within bounds."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.account.plan import AccountPlan
from gateway.desk.asked_times import instant_asked
from gateway.errors import UsageError
from gateway.payload.plain import iso_time

__all__ = ["Span", "count_asked", "span_asked"]


class Span(NamedTuple):
    """From `begin` up to and without `until`, UTC."""

    begin: datetime
    until: datetime

    @property
    def told(self) -> dict[str, str]:
        return {"from": iso_time(self.begin), "until": iso_time(self.until)}


def span_asked(
    plan: AccountPlan, asked: Mapping[str, str], now: datetime, *, usual: timedelta, longest: timedelta
) -> Span:
    """`until` is now unless it is given, `from` so much before as is `usual`. Raises UsageError."""
    until = instant_asked(plan, "until", asked["until"]) if "until" in asked else now
    begin = instant_asked(plan, "from", asked["from"]) if "from" in asked else until - usual
    if begin >= until:
        latest = asked.get("until", "now")
        raise UsageError(f"from {asked.get('from')} is not before until, {latest}", "give the earlier one as from")
    if until - begin > longest:
        most = f"{longest.days} days"
        raise UsageError(f"that are more than {most}", f"ask for {most} at most at once")
    return Span(begin, until)


def count_asked(asked: Mapping[str, str], name: str, usual: int, least: int, most: int) -> int:
    """A whole number. Raises UsageError."""
    text = asked.get(name)
    if text is None:
        return usual
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 20 else None
    if number is None or not least <= number <= most:
        raise UsageError(f"{name}: '{text}' is no number from {least} to {most}", f"leave it out for {usual}")
    return number
