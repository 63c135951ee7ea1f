"""Pure: what stands in several tanks together: every total that anybody is shown is made here, by one rule.

Bad is left out and counted, Uncertain is included and makes it estimated, `not applicable` is no member. Where the
vapour above a liquid is counted, mass is that of both: what evaporates is not lost.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from gateway.records import Figure, Inventory, LastGood, Quality, ReasonCode

__all__ = ["Holding", "SiteTotal", "Total", "counts_vapour", "holding_of", "site_totals", "total"]


class Total(NamedTuple):
    """The sum of one figure over several tanks."""

    value: float | None
    """SI; None when no tank has a value."""
    included: int
    tanks: int
    """Those to which the figure applies, Bad ones among them."""
    estimated: bool
    """Whether an Uncertain figure is part of it."""


class Holding(NamedTuple):
    """What totals need to know of a tank."""

    product: str
    gsv: Figure
    mass: Figure
    with_vapour: bool
    """Whether that is the mass of liquid and vapour together."""
    reference_temperature_c: float | None
    simulated: bool


def holding_of(inventory: Inventory) -> Holding:
    """Of one tank."""
    figures = inventory.figures
    with_vapour = counts_vapour(figures.total_mass, inventory.last_good)
    mass = figures.total_mass if with_vapour else figures.mass
    reference_c = inventory.reference_temperature_c
    return Holding(inventory.product, figures.gsv, mass, with_vapour, reference_c, inventory.simulated)


class SiteTotal(NamedTuple):
    """One total of a site."""

    product: str | None
    """None: of all products."""
    figure: str
    """`gsv` or `mass`."""
    with_vapour: bool
    """Whether it is a mass in which vapour above a liquid is counted."""
    holding: int
    """How many tanks hold that product, be it that the figure applies to none of them."""
    total: Total
    reference_temperature_c: float | None
    """degC, of a standard volume; None: of another figure, or the tanks differ."""
    simulated: bool


def total(figures: Iterable[Figure]) -> Total | None:
    """The sum by the rule above; None when the figure applies to none of the tanks."""
    values: list[float] = []
    tanks = 0
    is_estimated = False
    for value, quality, _, _, _ in figures:
        if quality == 2:
            tanks += 1
        elif value is not None:
            tanks += 1
            if value - value != 0.0:
                # Not finite: there is no number.
                continue
            values.append(value)
            is_estimated = is_estimated or quality == 1
    return Total(sum(values) if values else None, len(values), tanks, is_estimated) if tanks else None


def site_totals(holdings: Iterable[Holding]) -> list[SiteTotal]:
    """By product, in the order in which they come, then the mass of all. What applies to no tank is left out."""
    everything = list(holdings)
    products: dict[str, list[Holding]] = {}
    for holding in everything:
        products.setdefault(holding.product, []).append(holding)
    found = []
    for product, members in products.items():
        found += [_volume(product, members), _mass(product, members)]
    found.append(_mass(None, everything))
    return [each for each in found if each is not None]


def _volume(product: str, members: Sequence[Holding]) -> SiteTotal | None:
    summed = total([holding.gsv for holding in members])
    if summed is None:
        return None
    temperatures = {holding.reference_temperature_c for holding in members} - {None}
    reference_c = temperatures.pop() if len(temperatures) == 1 else None
    return SiteTotal(product, "gsv", False, len(members), summed, reference_c, _is_simulated(members))


def _mass(product: str | None, members: Sequence[Holding]) -> SiteTotal | None:
    summed = total([holding.mass for holding in members])
    if summed is None:
        return None
    with_vapour = any(holding.with_vapour for holding in members)
    return SiteTotal(product, "mass", with_vapour, len(members), summed, None, _is_simulated(members))


def _is_simulated(members: Sequence[Holding]) -> bool:
    return any(holding.simulated for holding in members)


def counts_vapour(total_mass: Figure, last_good: Mapping[str, LastGood]) -> bool:
    """Whether the vapour above its liquid is part of what a tank holds, known or not."""
    if total_mass.quality is not Quality.BAD:
        return total_mass.value is not None
    if any(reason.code is ReasonCode.NOT_WATCHED for reason in total_mass.reasons):
        # A gateway that is stopped says Bad of every figure, be it that the tank never had it.
        return "total_mass" in last_good
    return all(reason.code is not ReasonCode.CALCULATION_FAILED for reason in total_mass.reasons)
