"""Products whose density follows from composition: ethanol and water, solutions, water itself, fatty oils."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.ethanol import EthanolWater, mass_fraction_from_volume_fraction
from gateway.calculation.methods.fatty_oil import ISO_6883_SLOPE, LitreWeightMoved, LitreWeightTable
from gateway.calculation.methods.solution import SolutionDensity
from gateway.calculation.methods.water import Water, WaterEquation
from gateway.calculation.plan import AirBuoyancy
from gateway.settings.products.base import CONVENTIONAL, ProductModel
from gateway.settings.reading.fields import (
    DensitySlope,
    PlainDensity,
    Ratio,
    Section,
    Temperature,
    TemperatureDifference,
    Text,
    YesNo,
    refuse,
)

__all__ = ["EthanolProduct", "FattyOilProduct", "SolutionProduct", "WaterProduct"]


class EthanolProduct(ProductModel):
    """Ethanol and water by OIML R 22. Without a strength it follows from the density."""

    method: Literal["ethanol_oiml_r22"]
    strength_by_mass: Ratio | None = None
    strength_by_volume: Annotated[Ratio | None, Field(description="At 20 degC")] = None
    reference_temperature: Temperature = 20.0

    @model_validator(mode="after")
    def _one_strength(self) -> "EthanolProduct":
        if self.strength_by_mass is not None and self.strength_by_volume is not None:
            raise refuse("give one of strength_by_mass and strength_by_volume")
        return self

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        strength = self.strength_by_mass
        if self.strength_by_volume is not None:
            strength = mass_fraction_from_volume_fraction(self.strength_by_volume)
        return EthanolWater(strength, self.reference_temperature)


class WaterProduct(ProductModel):
    """Water, air-free: `tanaka` for 0 to 40 degC, `kell` for 0 to 150 degC."""

    method: Literal["water"]
    equation: WaterEquation = WaterEquation.TANAKA
    reference_temperature: Annotated[
        Temperature | None, Field(description="Only where the trade gives a standard volume for this product")
    ] = None

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        return Water(self.equation, self.reference_temperature)


class SolutionRow(Section):
    mass_fraction: Ratio
    densities: Annotated[tuple[PlainDensity, ...], Field(description="One for each of `temperatures`")]


class SolutionProduct(ProductModel):
    """Density against temperature and concentration. Without `mass_fraction` it follows from the density."""

    method: Literal["density_of_solution"]
    source: Annotated[Text | None, Field(description="Where the figures come from")] = None
    table: Annotated[
        Text | None, Field(description="A product file with temperatures and rows, in place of those here")
    ] = None
    temperatures: tuple[Temperature, ...] | None = None
    rows: tuple[SolutionRow, ...] | None = None
    may_rise: Annotated[
        YesNo, Field(description="yes where density truly rises with temperature, as of water below 4 degC")
    ] = False
    mass_fraction: Annotated[Ratio | None, Field(description="Of the dissolved substance")] = None
    reference_temperature: Annotated[
        Temperature | None, Field(description="Only where the trade gives a standard volume for this product")
    ] = None

    @model_validator(mode="after")
    def _rows_or_table(self) -> "SolutionProduct":
        in_line = [name for name in ("source", "temperatures", "rows") if getattr(self, name) is not None]
        if self.table is not None and in_line:
            raise refuse(f"the table holds {', '.join(in_line)}; give either table or source, temperatures and rows")
        if self.table is None and len(in_line) < 3:
            raise refuse("give table, or source, temperatures and rows")
        if self.solute_fraction is not None and self.mass_fraction is not None:
            raise refuse("mass_fraction says what is dissolved; leave solute_fraction out")
        return self

    @property
    def dissolved(self) -> float | None:
        return self.solute_fraction if self.mass_fraction is None else self.mass_fraction

    def with_rows_of(self, other: "SolutionProduct") -> "SolutionProduct":
        """This product with the figures of the file that its `table` names."""
        figures = {name: getattr(other, name) for name in ("source", "temperatures", "rows")}
        return self.model_copy(update={**figures, "may_rise": self.may_rise or other.may_rise})

    def correction(self, _buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        rows = self.rows or ()
        return SolutionDensity(
            tuple(row.mass_fraction for row in rows),
            self.temperatures or (),
            tuple(row.densities for row in rows),
            self.source or "",
            self.mass_fraction,
            self.reference_temperature,
            self.may_rise,
        )


class LitreWeight(Section):
    """Weight in air of a litre at a temperature."""

    temperature: Temperature
    weight: Annotated[PlainDensity, Field(description="In air, for example 0.8916 kg/L")]


class MovedLitreWeight(LitreWeight):
    """One value of the laboratory, moved by a few degrees."""

    slope: Annotated[
        DensitySlope, Field(description="Fall per degree, -0.00068 kg/L/degC by ISO 6883")
    ] = -ISO_6883_SLOPE
    span: Annotated[TemperatureDifference, Field(description="How far it is moved, either way; 10 degC at most")] = 5.0


class FattyOilProduct(ProductModel):
    """Palm, coconut and other fatty oils by litre weight in air: a table, or one value moved by a few degrees."""

    method: Literal["fatty_oil"]
    source: Annotated[Text, Field(description="Contract, laboratory or standard that the figures come from")]
    litre_weights: Annotated[tuple[LitreWeight, ...] | None, Field(description="The table, coldest first")] = None
    nearest_row: Annotated[YesNo | None, Field(description="Take the nearest row instead of a straight line")] = None
    litre_weight: MovedLitreWeight | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> "FattyOilProduct":
        if (self.litre_weights is None) == (self.litre_weight is None):
            raise refuse("give one of litre_weights and litre_weight")
        if self.litre_weight is not None and self.nearest_row is not None:
            raise refuse("nearest_row is for litre_weights, a table; leave it out")
        return self

    def correction(self, buoyancy: AirBuoyancy = CONVENTIONAL) -> CorrectionMethod:
        """`buoyancy` is that of the sheet, so that its weight in air is the volume times the litre weight again."""
        if self.litre_weight is not None:
            one = self.litre_weight
            return LitreWeightMoved(one.weight, one.temperature, self.source, -one.slope, one.span, buoyancy)
        rows = self.litre_weights or ()
        return LitreWeightTable(
            tuple(row.temperature for row in rows),
            tuple(row.weight for row in rows),
            self.source,
            bool(self.nearest_row),
            buoyancy,
        )
