"""Pure: the document of the other side against the ticket of the tank, in words for whoever has to explain the rest."""

from gateway.account.amount import Amount
from gateway.account.gauging import MASSES
from gateway.account.ticket import Ticket

__all__ = ["compared_words"]


def compared_words(amount: Amount, ticket: Ticket) -> str:
    """By how much the document says more or less than the ticket, and whether the tank's own uncertainty covers that.

    `amount` names `ticket`; both are of the same kind and product.
    """
    figure = ticket.moved.get(amount.measure)
    told = None if figure is None else figure.value
    if told is None:
        return f"ticket {ticket.number} has no {_name(amount.measure)} to compare it with"
    more = amount.value - told
    share = f" ({abs(more) / abs(told):.2%})" if told else ""
    way = "more" if more >= 0.0 else "less"
    words = f"{_quantity(abs(more), amount.measure)}{share} {way} than the {_quantity(told, amount.measure)} of ticket"
    uncertainty = ticket.uncertainty.get(amount.measure)
    if uncertainty is None:
        return f"{words} {ticket.number}, whose uncertainty is not known"
    bound = _quantity(uncertainty, amount.measure)
    if abs(more) <= uncertainty:
        return f"{words} {ticket.number}, within the uncertainty of the tank, {bound}"
    cause = "see whether table, datum and density of the tank, and the meter or the ship's figures, are right"
    return f"{words} {ticket.number}: more than the uncertainty of the tank, {bound}; {cause}"


def _name(measure: str) -> str:
    return measure.replace("_", " ") if measure in MASSES or measure == "free_water" else measure.upper()


def _quantity(value: float, measure: str) -> str:
    return f"{value / 1000.0:,.2f} t" if measure in MASSES else f"{value:,.2f} m3"
