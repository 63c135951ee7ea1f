"""Pure: a balance as people read it: rounded so that every line adds up from what stands above it.

Each amount is rounded by itself, half up as all figures for people are; what is a sum is that of the rounded amounts.
So it may differ in its last place from the figure behind it, and never from the lines on the page.
"""

from collections.abc import Callable, Iterable
from decimal import ROUND_HALF_UP, Context, Decimal
from math import isfinite
from typing import NamedTuple

from gateway.account.day import Balance
from gateway.records import Figure

__all__ = ["ShownBalance", "rounded", "shown_balance", "shown_total"]

_EVERY_DIGIT = Context(prec=400)
_NOTHING = Decimal(0)


class ShownBalance(NamedTuple):
    """The lines of a balance in the units of the reader; None where there is no figure."""

    opening: Decimal | None
    receipts: Decimal | None
    dispatches: Decimal | None
    own_use: Decimal | None
    adjustments: Decimal | None
    book: Decimal | None
    physical: Decimal | None
    gain: Decimal | None
    throughput: Decimal | None
    unaccounted: Decimal | None
    uncertainty: Decimal | None
    tolerance: Decimal | None
    gain_percent: Decimal | None
    """Of the throughput, two places; None where none is shown."""


def shown_balance(
    balance: Balance, places: int, in_unit: Callable[[float], float] = lambda value: value
) -> ShownBalance:
    """Its lines with so many decimals; `in_unit` makes a number of the reader's unit of an SI value."""

    def line(figure: Figure | None) -> Decimal | None:
        return None if figure is None or figure.value is None else rounded(in_unit(figure.value), places)

    def bare(value: float | None) -> Decimal | None:
        return None if value is None else rounded(in_unit(value), places)

    opening, receipts, dispatches = line(balance.opening), line(balance.receipts), line(balance.dispatches)
    own_use, adjustments, physical = line(balance.own_use), line(balance.adjustments), line(balance.physical)
    book = _sum((opening, 1), (receipts, 1), (dispatches, -1), (own_use, -1), (adjustments, 1))
    gain = None if balance.gain.value is None else _sum((physical, 1), (book, -1))
    throughput = _sum((dispatches, 1), (own_use, 1))
    return ShownBalance(
        opening=opening,
        receipts=receipts,
        dispatches=dispatches,
        own_use=own_use,
        adjustments=adjustments,
        book=book,
        physical=physical,
        gain=gain,
        throughput=throughput,
        unaccounted=line(balance.unaccounted),
        uncertainty=bare(balance.uncertainty),
        tolerance=bare(balance.tolerance),
        # Of a throughput that is shown as nothing a part says nothing, however large it is.
        gain_percent=_percent(balance) if throughput else None,
    )


def shown_total(rows: Iterable[Decimal | None]) -> Decimal:
    """The sum of a column of rounded amounts, without those that have none: whoever shows it says how many it has."""
    return sum((row for row in rows if row is not None), _NOTHING)


def rounded(value: float, places: int) -> Decimal:
    """Half up, on the shortest decimal that means the number; never a minus before nothing."""
    found = Decimal(repr(value)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP, _EVERY_DIGIT)
    return abs(found) if found.is_zero() else found


def _sum(*parts: tuple[Decimal | None, int]) -> Decimal | None:
    if any(part is None for part, _ in parts):
        return None
    return sum((part * sign for part, sign in parts if part is not None), _NOTHING)


def _percent(balance: Balance) -> Decimal | None:
    gain, throughput = balance.gain.value, balance.throughput.value
    if gain is None or not throughput:
        return None
    percent = 100.0 * gain / throughput
    # Of next to nothing: no number holds it, and none says anything.
    return rounded(percent, 2) if isfinite(percent) else None
