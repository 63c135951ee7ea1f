"""What a scenario file may say of a tank and of the liquid in it."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from simulators.fields import (
    Density,
    DensitySlope,
    Difference,
    Expansion,
    HeatCapacity,
    Height,
    Length,
    Lengths,
    Mass,
    Part,
    PositiveDuration,
    PositiveLength,
    Power,
    Pressure,
    PressureSlope,
    Temperature,
    Temperatures,
    Text,
    Volume,
)

__all__ = [
    "AmbientPart",
    "DensityPart",
    "LyingShape",
    "RoofPart",
    "TankPart",
    "UprightShape",
    "VapourPressurePart",
]


class UprightShape(Part):
    """Upright cylinder with a flat bottom at the datum."""

    kind: Literal["upright"]
    diameter: Annotated[PositiveLength, Field(description="Inside")]
    height: Annotated[PositiveLength, Field(description="Of the shell above the datum")]
    heel: Annotated[Volume, Field(description="What lies below the datum")] = 0.0


class LyingShape(Part):
    """Lying cylinder with two equal heads, each half an ellipsoid."""

    kind: Literal["lying"]
    diameter: Annotated[PositiveLength, Field(description="Inside")]
    length: Annotated[PositiveLength, Field(description="Between the tangent lines")]
    head_depth: Annotated[Height, Field(description="Of each head: a quarter of the diameter for 2:1, 0 for flat")] = (
        0.0
    )
    heel: Annotated[Volume, Field(description="What lies below the datum")] = 0.0


class DensityPart(Part):
    """Density at a temperature, and how it falls as it warms: by `expansion` (exponential) or `slope` (straight)."""

    value: Annotated[Density, Field(description="At the temperature `at`")]
    at: Temperature
    expansion: Annotated[Expansion, Field(description="rho = value exp(-a dT (1 + 0.8 a dT))")] = 0.0
    slope: Annotated[DensitySlope, Field(description="rho = value + slope dT; negative for a liquid")] = 0.0


class RoofPart(Part):
    """Floating roof: afloat above one level, on its legs below another."""

    mass: Mass
    landed: Annotated[Length, Field(description="Level at and below which it stands on its legs")]
    afloat: Annotated[Length, Field(description="Level at and above which it floats freely")]

    @model_validator(mode="after")
    def _in_order(self) -> "RoofPart":
        if self.landed >= self.afloat:
            raise ValueError(f"landed: {self.landed:g} m is not below 'afloat'; give less than {self.afloat:g} m")
        return self


class AmbientPart(Part):
    """The air outside, which liquid and vapour follow slowly."""

    mean: Temperature
    swing: Annotated[Difference, Field(description="Half the difference between day and night")] = 0.0
    time_constant: Annotated[PositiveDuration, Field(description="Of the liquid; 11.6 d unless given")] = 1_000_000.0
    vapour_time_constant: Annotated[PositiveDuration, Field(description="Of the vapour; 5.6 h unless given")] = 20_000.0


class VapourPressurePart(Part):
    """Gauge pressure above the liquid at the temperature it starts with, and how it rises as the liquid warms."""

    value: Annotated[Pressure, Field(description="Gauge")]
    slope: PressureSlope = 0.0


class TankPart(Part):
    """A tank and the state it starts in. What moves is mass and heat; level and pressures follow."""

    description: Text = ""
    shape: Annotated[UprightShape | LyingShape, Field(discriminator="kind")]
    reference_height: Annotated[Length, Field(description="Reference point above the datum: ullage is it less level")]
    density: DensityPart
    level: Annotated[Height, Field(description="Surface above the datum")]
    water: Annotated[Height, Field(description="Surface of the free water above the datum")] = 0.0
    elements: Annotated[Lengths, Field(description="Heights of the temperature elements, lowest first")] = ()
    temperatures: Annotated[Temperatures, Field(description="What stands at each element, in the same order")] = ()
    liquid_temperature: Annotated[
        Temperature | None, Field(description="Needed where no element is below the level")
    ] = None
    vapour_temperature: Annotated[
        Temperature | None, Field(description="Where every element is below the level; the liquid's unless given")
    ] = None
    vapour_pressure: VapourPressurePart = VapourPressurePart(value=0.0)
    roof: RoofPart | None = None
    ambient: Annotated[AmbientPart | None, Field(description="Unless given the tank keeps its heat")] = None
    heating: Annotated[Power, Field(description="Steady heat into the liquid; negative cools it")] = 0.0
    heat_capacity: Annotated[HeatCapacity, Field(description="Of the liquid; 2 kJ/kg/K unless given")] = 2000.0

    @model_validator(mode="after")
    def _possible(self) -> "TankPart":
        height = self.shape.height if self.shape.kind == "upright" else self.shape.diameter
        if self.level > height:
            raise ValueError(f"level: {self.level:g} m is not in the tank; give 0 to {height:g} m")
        if self.water > self.level:
            raise ValueError(f"water: {self.water:g} m is not below the surface; give 0 to {self.level:g} m")
        if list(self.elements) != sorted(set(self.elements)):
            raise ValueError("elements: the heights do not rise; give them from the lowest to the highest, each once")
        if len(self.temperatures) != len(self.elements):
            count = len(self.elements)
            raise ValueError(f"temperatures: {len(self.temperatures)} for {count} elements; give {count}, one for each")
        if self.liquid_temperature is None and not any(element <= self.level for element in self.elements):
            text = "is missing, and no element is below the level; give it, for example 15 degC"
            raise ValueError(f"liquid_temperature: {text}")
        return self
