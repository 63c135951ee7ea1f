"""Amounts of a file, taken in one after the other: all of it is looked at before the first is handed over."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from gateway.account.amount import AMOUNT, Amount
from gateway.account.amounts.entering import MASSES
from gateway.account.amounts.file import AmountFileRefusedError, import_amounts
from gateway.account.paper import Outcome
from gateway.clock import utc_now
from gateway.commands.accountant.books import Books
from gateway.errors import SettingsError, UsageError
from gateway.files import UnreadableError, read_text
from gateway.payload.plain import iso_time

__all__ = ["amounts_of", "request_of_amount"]

_LARGEST_BYTES = 8_000_000
_ANY_TIME = timedelta(days=36_500)
"""The clock of a simulated site may be ahead of the machine's; the gateway itself knows its own."""


def amounts_of(path: Path, books: Books) -> tuple[Sequence[Amount], Sequence[str]]:
    """What is to be taken in, and what is said of the rest. Raises SettingsError with every mistake, by line."""
    try:
        text = read_text(path, _LARGEST_BYTES)
    except UnreadableError as error:
        raise UsageError(str(error), "give a CSV file in UTF-8") from error
    now = utc_now() + (_ANY_TIME if books.simulated else timedelta(0))
    try:
        outcome: Outcome = import_amounts(books.known_amounts(), books.account.zone, text, by="import", now=now)
    except AmountFileRefusedError as error:
        mistakes = SettingsError(tuple(f"{path}: {mistake}" for mistake in error.mistakes))
        mistakes.hint = error.hint
        raise mistakes from error
    amounts = [
        AMOUNT.from_plain({key: value for key, value in paper.document.items() if key not in ("schema", "key")})
        for paper in outcome.papers
    ]
    return amounts, outcome.lines


def request_of_amount(amount: Amount, why: str | None) -> dict[str, str]:
    """As one that is typed: every digit of it."""
    number = format(Decimal(repr(amount.value)), "f")
    told: Mapping[str, Any] = {
        "action": "amount",
        "kind": amount.kind.value,
        "source": amount.source.value,
        "product": amount.product,
        "amount": f"{number} {'kg' if amount.measure in MASSES else 'm3'}",
        "measure": amount.measure,
        "at": iso_time(amount.instant),
        "reference": amount.reference,
        "ticket": "" if amount.ticket is None else str(amount.ticket),
        "tank": amount.tank,
        "owner": amount.owner,
        "why": amount.why or why or "",
    }
    return {key: str(value) for key, value in told.items() if value}
