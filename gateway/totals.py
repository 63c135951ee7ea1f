"""Pure: what stands in several tanks together: every total that anybody is shown is made here, by one rule.

Bad is left out and counted, Uncertain is included and makes it estimated, `not applicable` is no member. Where the
vapour above a liquid is counted, mass is that of both: what evaporates is not lost.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple, Protocol

from gateway.records import Figure, Inventory, LastGood, Quality, ReasonCode

__all__ = [
    "SUMMED",
    "Holding",
    "SiteTotal",
    "TankHolding",
    "Total",
    "counts_vapour",
    "figure_of",
    "site_totals",
    "total",
]

SUMMED = ("gsv", "mass")
"""Of which figures there are totals."""


class Total(NamedTuple):
    """The sum of one figure over several tanks."""

    value: float | None
    """SI; None when no tank has a value."""
    included: int
    tanks: int
    """Those to which the figure applies, Bad ones among them."""
    estimated: bool
    """Whether an Uncertain figure is part of it."""


class Holding(Protocol):
    """What is to be known of a tank."""

    @property
    def product(self) -> str: ...
    @property
    def figures(self) -> Mapping[str, Figure]:
        """Of `SUMMED`, and `total_mass`."""
        ...

    @property
    def last_good(self) -> Mapping[str, LastGood]: ...
    @property
    def simulated(self) -> bool: ...
    @property
    def reference_temperature_c(self) -> float | None: ...


class TankHolding(NamedTuple):
    """Of one inventory."""

    product: str
    figures: Mapping[str, Figure]
    last_good: Mapping[str, LastGood]
    simulated: bool
    reference_temperature_c: float | None

    @classmethod
    def of(cls, inventory: Inventory) -> "TankHolding":
        figures = inventory.figures
        return cls(
            inventory.product,
            {"gsv": figures.gsv, "mass": figures.mass, "total_mass": figures.total_mass},
            inventory.last_good,
            inventory.simulated,
            inventory.reference_temperature_c,
        )


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
    members = [figure for figure in figures if figure.quality is Quality.BAD or figure.value is not None]
    if not members:
        return None
    values = [figure.value for figure in members if figure.value is not None and figure.quality is not Quality.BAD]
    estimated = any(figure.quality is Quality.UNCERTAIN for figure in members)
    return Total(sum(values) if values else None, len(values), len(members), estimated)


def site_totals(holdings: Iterable[Holding]) -> list[SiteTotal]:
    """By product, in the order in which they come, then the mass of all. What applies to no tank is left out."""
    everything = list(holdings)
    products: dict[str, list[Holding]] = {}
    for holding in everything:
        products.setdefault(holding.product, []).append(holding)
    found = [_summed(product, name, members) for product, members in products.items() for name in SUMMED]
    found.append(_summed(None, "mass", everything))
    return [each for each in found if each is not None]


def _summed(product: str | None, name: str, members: Sequence[Holding]) -> SiteTotal | None:
    summed = total(holding.figures[figure_of(holding, name)] for holding in members)
    if summed is None:
        return None
    with_vapour = name == "mass" and any(counts_vapour(holding) for holding in members)
    temperatures = {holding.reference_temperature_c for holding in members} if name == "gsv" else set()
    temperatures.discard(None)
    reference_c = temperatures.pop() if len(temperatures) == 1 else None
    simulated = any(holding.simulated for holding in members)
    return SiteTotal(product, name, with_vapour, len(members), summed, reference_c, simulated)


def counts_vapour(holding: Holding) -> bool:
    """Whether the vapour above its liquid is part of what it holds, known or not."""
    together = holding.figures["total_mass"]
    if together.quality is not Quality.BAD:
        return together.value is not None
    if any(reason.code is ReasonCode.NOT_WATCHED for reason in together.reasons):
        # A gateway that is stopped says Bad of every figure, be it that the tank never had it.
        return "total_mass" in holding.last_good
    return all(reason.code is not ReasonCode.CALCULATION_FAILED for reason in together.reasons)


def figure_of(holding: Holding, name: str) -> str:
    """The figure that stands for `name`."""
    return "total_mass" if name == "mass" and counts_vapour(holding) else name
