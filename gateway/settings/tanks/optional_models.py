"""What a tank may have beside its gauges: roof, shell, vapour space, density by pressure, stretch under the liquid."""

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, WithJsonSchema, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.calculation.plan import PressurePlan
from gateway.settings.reading.fields import (
    AbsolutePressure,
    DensityQuantity,
    ElasticModulus,
    ExpansionRate,
    GaugePressure,
    Length,
    Mass,
    MolarMass,
    Name,
    Number,
    PlainDensity,
    Section,
    Temperature,
    Text,
    YesNo,
    refuse,
    text_or,
)

__all__ = [
    "NOT_CONTAINED",
    "ColumnModel",
    "CourseModel",
    "LiquidHeadModel",
    "MeasuredDensityModel",
    "RoofModel",
    "ShellModel",
    "SourceModel",
    "VapourModel",
    "VapourPressureSourceModel",
]


class SourceModel(Section):
    """Which signal of which instrument."""

    instrument: Name
    signal: Name


class RoofModel(Section):
    """A floating roof."""

    mass: Mass
    critical_low: Annotated[Length, Field(description="It rests on its legs below")]
    critical_high: Annotated[Length, Field(description="It floats above")]
    table_density: Annotated[
        DensityQuantity | None, Field(description="Density at which the capacity table deducts the roof already")
    ] = None


class ShellModel(Section):
    """Thermal expansion of an upright shell. The bare word `none` leaves it out, knowingly."""

    counted: Annotated[YesNo, Field(description="no leaves the correction out; a bare `none` is short for it")] = True
    metal: Annotated[Text | None, Field(description="By name: carbon steel, 304 stainless steel, aluminium")] = None
    expansion: Annotated[ExpansionRate | None, Field(description="Linear, where no metal is named")] = None
    table_temperature: Annotated[
        Temperature | None, Field(description="At which the volumes hold; the capacity table's own unless given")
    ] = None
    insulated: YesNo = False

    @model_validator(mode="before")
    @classmethod
    def _bare_none(cls, data: Any) -> Any:
        return {"counted": "no"} if data == "none" else data

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core), "none")

    @model_validator(mode="after")
    def _one_of_two(self) -> "ShellModel":
        if not self.counted:
            if self.model_fields_set - {"counted"}:
                raise refuse("is left out by counted: no; leave the other keys out too, or counted")
            return self
        if (self.metal is None) == (self.expansion is None):
            raise refuse("give one of metal and expansion")
        return self


class VapourPressureSourceModel(SourceModel):
    """The transmitter of the pressure above the liquid."""

    greatest: Annotated[
        GaugePressure, Field(description="That the tank can have at all: the set pressure of its relief valve")
    ] = PressurePlan().greatest_pa
    zero_error: Annotated[GaugePressure, Field(description="A reading this much below zero means zero")] = (
        PressurePlan().zero_error_pa
    )


class VapourModel(Section):
    """The vapour above the liquid: by a stated density, or by the gas law from its pressure and temperature."""

    density: PlainDensity | None = None
    component: Annotated[Text | None, Field(description="A pure vapour by name: propane, n-butane, propylene")] = None
    equilibrium: Annotated[YesNo, Field(description="yes: what stands over the composition of the product")] = False
    molar_mass: Annotated[MolarMass | None, Field(description="Of a mixture, for example 48.2 g/mol")] = None
    compressibility: Annotated[
        Number | None, Field(description="Factor Z beside molar_mass; unless given by the product's composition, or 1")
    ] = None
    atmospheric_pressure: Annotated[
        AbsolutePressure | None, Field(description="101.325 kPa unless given; less at altitude")
    ] = None

    @model_validator(mode="after")
    def _one_of_four(self) -> "VapourModel":
        ways = [name for name in ("density", "component", "molar_mass") if getattr(self, name) is not None]
        if len(ways) + self.equilibrium != 1:
            raise refuse("give one of density, component, molar_mass and equilibrium: yes")
        if self.compressibility is not None and self.molar_mass is None:
            raise refuse("compressibility goes with molar_mass only; leave it out")
        return self


class ColumnModel(Section):
    """What stands above, below and beside a liquid column whose pressure is measured."""

    nozzle_height: Annotated[Length, Field(description="Of the transmitter above the datum")]
    vapour_transmitter_height: Annotated[
        Length | None, Field(description="Above the datum, or of the vent; the top of the volumes unless given")
    ] = None
    gas_density: Annotated[
        PlainDensity | None, Field(description="Of the gas above the liquid; that of vapour, else of air, unless given")
    ] = None
    air_density: Annotated[
        PlainDensity | None, Field(description="Of the air outside; 1.2 kg/m3 at sea level unless given")
    ] = None
    water_density: Annotated[
        PlainDensity | None, Field(description="Of free water above the nozzle; 998 kg/m3, fresh, unless given")
    ] = None


class MeasuredDensityModel(SourceModel, ColumnModel):
    """Density from the pressure at a nozzle below the liquid and the level (API MPMS 3.6)."""

    in_use: Annotated[YesNo, Field(description="yes: in place of the entered density; no: only compared with it")]
    minimum_head: Annotated[Length, Field(description="Least liquid above the nozzle")] = 1.0
    difference_limit: Annotated[PlainDensity, Field(description="From the entered density, before it is flagged")] = 5.0


class CourseModel(Section):
    """One ring of shell plates."""

    height: Length
    thickness: Length


NOT_CONTAINED = "none"


def _read_contained(value: Any) -> Any:
    return value if value != NOT_CONTAINED else None


class LiquidHeadModel(Section):
    """The stretch of an upright shell under its liquid (API MPMS 2.2A, ISO 7507-1)."""

    courses: Annotated[tuple[CourseModel, ...], Field(description="Lowest first")]
    diameter: Annotated[Length | None, Field(description="Where the tank has no shape that gives it")] = None
    modulus: Annotated[ElasticModulus | None, Field(description="200 GPa, carbon steel, unless given")] = None
    table_density: Annotated[
        PlainDensity | None,
        BeforeValidator(_read_contained),
        WithJsonSchema({"type": "string", "examples": ["838 kg/m3", NOT_CONTAINED]}),
        Field(description="At which the capacity table contains the stretch; `none`: it does not contain it"),
    ] = None
