"""Products: each `method:` word of the site file with its model and what it becomes in calculation.

A further method is one model and one entry of METHODS.
"""

from collections.abc import Callable
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple

from pydantic import Field, model_validator

from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.calculation.methods.tabulated import Interpolation, LinearDensity, TabulatedDensity
from gateway.calculation.plan import AirBuoyancy
from gateway.settings.products.base import CONVENTIONAL, ProductModel
from gateway.settings.products.hydrocarbons import LpgProduct, Petroleum1980Product, PetroleumProduct
from gateway.settings.products.mixtures import EthanolProduct, FattyOilProduct, SolutionProduct, WaterProduct
from gateway.settings.reading.fields import (
    DensitySlope,
    ExpansionRate,
    PlainDensity,
    Section,
    Temperature,
    Text,
    YesNo,
    refuse,
)

__all__ = ["METHODS", "AnyProduct", "Method", "TabulatedProduct"]


class ExpansionProduct(ProductModel):
    """A constant coefficient of expansion, as a laboratory or a supplier states it."""

    method: Literal["expansion_coefficient"]
    expansion: ExpansionRate
    reference_temperature: Temperature
    lowest: Annotated[
        Temperature | None, Field(description="Of the range for which the coefficient is stated: outside it Bad")
    ] = None
    highest: Annotated[
        Temperature | None, Field(description="Unless stated, over 50 degC from the reference is Uncertain")
    ] = None

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        return ExpansionCoefficient(self.expansion, self.reference_temperature, self.lowest, self.highest)


class StraightLine(Section):
    """density(T) = density + slope (T - temperature)."""

    density: PlainDensity
    temperature: Temperature
    slope: Annotated[DensitySlope, Field(description="Change per degree: negative for a liquid that expands")]
    lowest: Temperature
    highest: Temperature


class DensityPoint(Section):
    temperature: Temperature
    density: PlainDensity


class TabulatedProduct(ProductModel):
    """Density against temperature, by a straight line or by points with straight lines or a smooth curve between."""

    method: Literal["density_against_temperature"]
    source: Annotated[Text, Field(description="Where the figures come from: laboratory, supplier, handbook")]
    straight_line: StraightLine | None = None
    points: tuple[DensityPoint, ...] | None = None
    interpolation: Annotated[
        Interpolation | None, Field(description="Between points: linear unless given; monotone_cubic from 3 points on")
    ] = None
    may_rise: Annotated[
        YesNo | None, Field(description="yes where density truly rises with temperature, as of water below 4 degC")
    ] = None
    reference_temperature: Annotated[
        Temperature | None, Field(description="Only where the trade gives a standard volume for this product")
    ] = None

    @model_validator(mode="after")
    def _one_of_two(self) -> "TabulatedProduct":
        if (self.straight_line is None) == (self.points is None):
            raise refuse("give one of straight_line and points")
        if self.straight_line is not None and self.interpolation is not None:
            raise refuse("interpolation is for points; leave it out")
        if self.straight_line is not None and self.may_rise is not None:
            raise refuse("may_rise is for points; leave it out")
        return self

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        if self.straight_line is not None:
            line = self.straight_line
            return LinearDensity(
                line.density,
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
            tuple(point.density for point in points),
            self.source,
            self.reference_temperature,
            self.interpolation or Interpolation.LINEAR,
            bool(self.may_rise),
        )


class Method(NamedTuple):
    """One way of correcting for temperature: the model of its keys and the maker of its calculation."""

    model: type[ProductModel]
    correction: Callable[[Any, AirBuoyancy], CorrectionMethod]


METHODS: dict[str, Method] = {
    "api_11_1_2004": Method(PetroleumProduct, PetroleumProduct.correction),
    "api_11_1_1980": Method(Petroleum1980Product, Petroleum1980Product.correction),
    "lpg_tp27": Method(LpgProduct, LpgProduct.correction),
    "expansion_coefficient": Method(ExpansionProduct, ExpansionProduct.correction),
    "density_against_temperature": Method(TabulatedProduct, TabulatedProduct.correction),
    "density_of_solution": Method(SolutionProduct, SolutionProduct.correction),
    "ethanol_oiml_r22": Method(EthanolProduct, EthanolProduct.correction),
    "fatty_oil": Method(FattyOilProduct, FattyOilProduct.correction),
    "water": Method(WaterProduct, WaterProduct.correction),
}


if TYPE_CHECKING:
    AnyProduct = ProductModel
else:
    # Any of the products, told apart by `method`; made from the table so that a method is entered once.
    AnyProduct = Annotated[reduce(or_, (method.model for method in METHODS.values())), Field(discriminator="method")]
