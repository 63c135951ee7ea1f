"""What every product of the site file may have, whatever its method."""

from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.calculation.door import DENSITY_KG_M3
from gateway.calculation.plan import AirBuoyancy, AirConvention
from gateway.settings.products.vapour import VapourPressureModel
from gateway.settings.reading.fields import PlainDensity, Ratio, Section, Text, refuse, text_or
from gateway.settings.tanks.entries import DensityEntry

__all__ = ["CONVENTIONAL", "ProductModel", "Rounding", "WeightInAirModel"]

CONVENTIONAL = AirBuoyancy()
_AIR = (1.0, 1.4)
_WEIGHTS = (7000.0, 9000.0)


class Rounding(StrEnum):
    """Whether inputs and factors are rounded as the standard of the method has it."""

    NONE = "none"
    STANDARD = "standard"


class WeightInAirModel(Section):
    """How weight in air follows from mass: what the contract names."""

    convention: AirConvention = AirConvention.BUOYANCY
    air_density: Annotated[PlainDensity | None, Field(description="1.2 kg/m3 unless given; for buoyancy only")] = None
    weights_density: Annotated[PlainDensity | None, Field(description="8000 kg/m3 unless given")] = None

    @model_validator(mode="before")
    @classmethod
    def _bare_word(cls, data: Any) -> Any:
        return {"convention": data} if isinstance(data, str) else data

    @model_validator(mode="after")
    def _densities_of_air(self) -> "WeightInAirModel":
        given = self.air_density is not None or self.weights_density is not None
        if given and self.convention is not AirConvention.BUOYANCY:
            raise refuse(f"{self.convention.value} has its own constants; leave air_density and weights_density out")
        for name, value, (lowest, highest) in (
            ("air_density", self.air_density, _AIR),
            ("weights_density", self.weights_density, _WEIGHTS),
        ):
            if value is not None and not lowest <= value <= highest:
                raise refuse(f"{name} {value:.7g} kg/m3 cannot be; give {lowest:.4g} to {highest:.4g} kg/m3")
        return self

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core), *(convention.value for convention in AirConvention))

    def plan(self) -> AirBuoyancy:
        air = CONVENTIONAL.air_density_kg_m3 if self.air_density is None else self.air_density
        weights = CONVENTIONAL.weights_density_kg_m3 if self.weights_density is None else self.weights_density
        return AirBuoyancy(air, weights, self.convention)


class DensityWindowModel(Section):
    """The densities at reference temperature that the product can have."""

    lowest: PlainDensity
    highest: PlainDensity

    @model_validator(mode="after")
    def _rising(self) -> "DensityWindowModel":
        lowest, highest = DENSITY_KG_M3
        for name, value in (("lowest", self.lowest), ("highest", self.highest)):
            if not lowest <= value <= highest:
                raise refuse(
                    f"{name} {value:.7g} kg/m3 is no density of a liquid; give {lowest:g} to {highest:g} kg/m3"
                )
        if self.highest <= self.lowest:
            raise refuse(f"highest {self.highest:.7g} kg/m3 is not above lowest, {self.lowest:.7g} kg/m3")
        return self


class ProductModel(Section):
    """What every product may have."""

    description: Text | None = None
    solute_fraction: Annotated[Ratio | None, Field(description="Dry substance in the solution, by mass")] = None
    reference_density: DensityEntry | None = None
    density_window: Annotated[
        DensityWindowModel | None,
        Field(
            description="At reference temperature: what is outside is refused at entry, and Uncertain where measured"
        ),
    ] = None
    rounding: Annotated[Rounding | None, Field(description="That of the site unless given")] = None
    weight_in_air: Annotated[WeightInAirModel | None, Field(description="That of the site unless given")] = None
    vapour_pressure: Annotated[
        VapourPressureModel | None, Field(description="What the pressure above it is compared with")
    ] = None

    @property
    def dissolved(self) -> float | None:
        """Mass fraction of the dry substance, where it is known."""
        return self.solute_fraction
