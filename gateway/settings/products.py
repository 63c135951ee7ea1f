"""Products: each `method:` word of the site file with its model and what it becomes in calculation.

A further method is one model and one entry of METHODS.
"""

from collections.abc import Callable
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple

from pydantic import Field, model_validator

from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.expansion import ExpansionCoefficient
from gateway.calculation.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.tabulated import LinearDensity, TabulatedDensity
from gateway.settings.entries import DensityEntry
from gateway.settings.fields import (
    DensityQuantity,
    DensitySlope,
    ExpansionRate,
    Ratio,
    Section,
    Temperature,
    Text,
    refuse,
)

__all__ = ["METHODS", "AnyProduct", "Method", "ProductModel"]

_PER_F_IN_PER_C = 1.8


class ProductModel(Section):
    """What every product may have."""

    description: Text | None = None
    solute_fraction: Annotated[Ratio | None, Field(description="Dry substance in the solution, by mass")] = None
    reference_density: DensityEntry | None = None


class PetroleumProduct(ProductModel):
    """API MPMS 11.1 (2004): CTL and CPL from the density and the commodity group."""

    method: Literal["api_11_1_2004"]
    group: PetroleumGroup
    reference_temperature: Temperature
    expansion_at_60f: Annotated[ExpansionRate | None, Field(description="For the group `special` only")] = None

    @model_validator(mode="after")
    def _coefficient_for_special(self) -> "PetroleumProduct":
        if self.group is PetroleumGroup.SPECIAL and self.expansion_at_60f is None:
            raise refuse("the group special needs expansion_at_60f, for example 0.0004586 /degF")
        if self.group is not PetroleumGroup.SPECIAL and self.expansion_at_60f is not None:
            raise refuse("expansion_at_60f is for the group special only; leave it out")
        return self

    def correction(self) -> CorrectionMethod:
        per_f = None if self.expansion_at_60f is None else self.expansion_at_60f / _PER_F_IN_PER_C
        return PetroleumCorrection(self.group, self.reference_temperature, per_f)


class ExpansionProduct(ProductModel):
    """A constant coefficient of expansion, as a laboratory or a supplier states it."""

    method: Literal["expansion_coefficient"]
    expansion: ExpansionRate
    reference_temperature: Temperature

    def correction(self) -> CorrectionMethod:
        return ExpansionCoefficient(self.expansion, self.reference_temperature)


class StraightLine(Section):
    """density(T) = density + slope (T - temperature)."""

    density: DensityQuantity
    temperature: Temperature
    slope: Annotated[DensitySlope, Field(description="Change per degree: negative for a liquid that expands")]
    lowest: Temperature
    highest: Temperature


class DensityPoint(Section):
    temperature: Temperature
    density: DensityQuantity


class TabulatedProduct(ProductModel):
    """Density against temperature, by a straight line or by points with straight lines between them."""

    method: Literal["density_against_temperature"]
    source: Annotated[Text, Field(description="Where the figures come from: laboratory, supplier, handbook")]
    straight_line: StraightLine | None = None
    points: tuple[DensityPoint, ...] | None = None
    reference_temperature: Annotated[
        Temperature | None, Field(description="Only where the trade gives a standard volume for this product")
    ] = None

    @model_validator(mode="after")
    def _one_of_two(self) -> "TabulatedProduct":
        if (self.straight_line is None) == (self.points is None):
            raise refuse("give one of straight_line and points")
        return self

    def correction(self) -> CorrectionMethod:
        if self.straight_line is not None:
            line = self.straight_line
            return LinearDensity(
                line.density.value,
                line.temperature,
                line.slope,
                line.lowest,
                line.highest,
                self.source,
                self.reference_temperature,
            )
        points = self.points or ()
        return TabulatedDensity(
            tuple(point.temperature for point in points),
            tuple(point.density.value for point in points),
            self.source,
            self.reference_temperature,
        )


class Method(NamedTuple):
    """One way of correcting for temperature: the model of its keys and the maker of its calculation."""

    model: type[ProductModel]
    correction: Callable[[Any], CorrectionMethod]


METHODS: dict[str, Method] = {
    "api_11_1_2004": Method(PetroleumProduct, PetroleumProduct.correction),
    "expansion_coefficient": Method(ExpansionProduct, ExpansionProduct.correction),
    "density_against_temperature": Method(TabulatedProduct, TabulatedProduct.correction),
}


if TYPE_CHECKING:
    AnyProduct = ProductModel
else:
    # Any of the products, told apart by `method`; made from the table so that a method is entered once.
    AnyProduct = Annotated[reduce(or_, (method.model for method in METHODS.values())), Field(discriminator="method")]
