"""Pure: what some tanks hold of a product at the end of a day, and which of them that leaves out."""

from collections.abc import Mapping, Sequence
from math import fsum
from typing import NamedTuple

from gateway.account.day import TankAtClose
from gateway.account.gauging import Gauging
from gateway.account.plan import AccountPlan
from gateway.account.uncertainty import Budget, of_gauging, together
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["Stocked", "applies", "measure_of", "stocked"]


class Stocked(NamedTuple):
    """The stock of one product by one measure."""

    figure: Figure
    included: frozenset[str]
    """Tanks."""
    of: frozenset[str]
    """Tanks that hold the product."""
    budget: Budget | None
    """What makes it uncertain; None where that is not known."""


def stocked(tanks: Sequence[TankAtClose], product: str, measure: str) -> Stocked:
    """The sum over the tanks that hold a product. A tank without a usable figure is left out and named, never zero."""
    holding = [tank for tank in tanks if tank.product == product]
    figures = {tank.tank: tank.gauging.figures[measure] for tank in holding if tank.gauging is not None}
    usable = {name: figure for name, figure in figures.items() if figure.value is not None}
    of = frozenset(tank.tank for tank in holding)
    if not holding:
        return Stocked(Figure(0.0, Quality.GOOD, (), 0.0), of, of, {})
    left_out = [_left_out(tank, measure) for tank in holding if tank.tank not in usable]
    doubts = [
        because(ReasonCode.INPUT_UNCERTAIN, "{tank}: {reason}", tank=tank.tank, reason=reason)
        for tank in holding
        if tank.tank in usable
        for reason in _doubts(tank, usable[tank.tank])
    ]
    if not usable:
        return Stocked(Figure(None, Quality.BAD, tuple(left_out), 0.0), frozenset(), of, None)
    reasons = (*left_out, *doubts)
    value = fsum(figure.value for figure in usable.values() if figure.value is not None)
    figure = Figure(
        value,
        Quality.UNCERTAIN if reasons else Quality.GOOD,
        reasons,
        max(figure.age_s for figure in usable.values()),
        any(figure.manual for figure in usable.values()),
    )
    budgets = [
        of_gauging(tank.gauging, measure) for tank in holding if tank.tank in usable and tank.gauging is not None
    ]
    known = [budget for budget in budgets if budget is not None]
    whole = together((1.0, budget) for budget in known) if len(known) == len(budgets) else None
    return Stocked(figure, frozenset(usable), of, whole)


def measure_of(plan: AccountPlan, product: str, gaugings: Sequence[Gauging], before: str | None = None) -> str:
    """On which measure the book of a product is kept: as the site file says; else GSV, and of a product that has none
    the mass, with its vapour where that counts. Where nothing is gauged it is the one `before`."""
    if product in plan.measures:
        return plan.measures[product]
    held = [gauging.figures for gauging in gaugings if gauging.product == product]
    if not held:
        return before or "gsv"
    for measure in ("gsv", "total_mass"):
        if any(applies(figures, measure) for figures in held):
            return measure
    return "mass"


def applies(figures: Mapping[str, Figure], measure: str) -> bool:
    """Whether a tank has this measure at all, be it Bad now."""
    figure = figures[measure]
    return all(reason.code is not ReasonCode.NOT_APPLICABLE for reason in figure.reasons) or figure.value is not None


def _left_out(tank: TankAtClose, measure: str) -> Reason:
    reasons = tank.reasons if tank.gauging is None else tank.gauging.figures[measure].reasons
    if not reasons:
        return because(ReasonCode.NOT_INCLUDED, "{tank} is not in it", tank=tank.tank)
    return because(ReasonCode.NOT_INCLUDED, "{tank} is not in it: {reason}", tank=tank.tank, reason=reasons[0])


def _doubts(tank: TankAtClose, figure: Figure) -> tuple[Reason, ...]:
    """Why what a tank holds is an estimate; empty where it is Good."""
    own = tuple(reason for reason in tank.reasons if reason.code in _LOWER)
    if figure.quality is not Quality.UNCERTAIN:
        return own
    return (*own, *figure.reasons) or (_UNCERTAIN,)


_UNCERTAIN = Reason(ReasonCode.INPUT_UNCERTAIN, "its sheet is Uncertain")
_LOWER = frozenset({ReasonCode.MOVING, ReasonCode.CLOCK_UNTRUSTED})
"""What makes an estimate of a sheet that is Good by itself."""
