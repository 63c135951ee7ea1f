"""Pure: the amounts of a ticket as they are shown: what is moved is the difference of the two figures shown.

How many decimals are known of a movement is said by the movement, not by how full the tank was: opening and closing
have as many, so that whoever subtracts gets the amount.
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from gateway.account.gauging import MEASURES
from gateway.account.ticket import Ticket, TicketSide
from gateway.account.transfer import Direction, TransferKind
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.reports.digits import rounded, summed
from gateway.reports.plan import ReportPlan

__all__ = ["MovedShown", "amount_shown", "figure_of", "measures_of", "side_shown"]


class MovedShown(NamedTuple):
    """None: no value."""

    opening: Decimal | None
    closing: Decimal | None
    moved: Decimal | None


def side_shown(side: TicketSide, measure: str, plan: ReportPlan) -> MovedShown:
    """One measure at one tank. `moved` is above zero what its direction says."""
    kept = figure_of(side.moved, measure).value
    before, after = side.opening.value(measure), side.closing.value(measure)
    opening = None if before is None else rounded(measure, before, plan.units, like=kept)
    closing = None if after is None else rounded(measure, after, plan.units, like=kept)
    if kept is None:
        return MovedShown(opening, closing, None)
    moved = rounded(measure, kept, plan.units)
    if opening is not None and closing is not None:
        # By direction or by sign: whichever it is kept by.
        difference = min((closing - opening, opening - closing), key=lambda each: abs(each - moved))
        if _is_near(difference, moved, 2):
            moved = difference
    return MovedShown(opening, closing, moved + 0)


def amount_shown(ticket: Ticket, measure: str, plan: ReportPlan) -> Decimal | None:
    """The amount of the ticket: the sum of what its tanks show; None: no value."""
    kept = figure_of(ticket.moved, measure).value
    if kept is None:
        return None
    amount = rounded(measure, kept, plan.units)
    sides = [side for side in ticket.sides if _counts(ticket.kind, side)]
    shown = [side_shown(side, measure, plan).moved for side in sides]
    numbers = [each for each in shown if each is not None]
    if numbers and len(numbers) == len(sides):
        total = summed(numbers)
        if _is_near(total, amount, 2 * len(numbers)):
            return total + 0
    return amount


def _counts(kind: TransferKind, side: TicketSide) -> bool:
    """Of a transfer from tank to tank what the receiving tanks took in."""
    return kind is not TransferKind.TANK_TO_TANK or side.direction is Direction.INTO


def _is_near(shown: Decimal, kept: Decimal, roundings: int) -> bool:
    """Whether they differ by no more than rounding can do. Else the ticket was reckoned otherwise, and it counts."""
    last = max(Decimal(1).scaleb(int(each.as_tuple().exponent)) for each in (shown, kept))
    return abs(shown - kept) <= last * (roundings + 1) / 2


def measures_of(ticket: Ticket) -> list[str]:
    """Those that the ticket has, or should have."""
    figures = ((name, figure_of(ticket.moved, name)) for name in MEASURES)
    return [name for name, figure in figures if figure.value is not None or figure.quality]


def figure_of(moved: Mapping[str, Figure], measure: str) -> Figure:
    """What is not told of a measure does not apply."""
    return moved.get(measure, _NOT_TOLD)


_NOT_TOLD = Figure(None, Quality.GOOD, (Reason(ReasonCode.NOT_APPLICABLE, "it is not told"),), 0.0)
