"""The shapes of tanks as the site file gives them: one `kind:` word each, and what it becomes in calculation."""

from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import (
    Deadwood,
    End,
    EndKind,
    Head,
    LyingCylinder,
    RectangularTank,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
    WithDeadwood,
)
from gateway.calculation.shapes.datum import WithDatum
from gateway.settings.reading.fields import Length, Number, Ratio, Section, Text, Volume, refuse, text_or

__all__ = [
    "BottomKind",
    "LyingCylinderModel",
    "RectangularModel",
    "ShapeModel",
    "SphereModel",
    "StandingVesselModel",
    "TankShape",
    "TopKind",
    "UprightCylinderModel",
    "VesselKind",
    "capacity_of",
]

_CROWN_RATIO, _KNUCKLE_RATIO = 1.0, 0.06


class VesselKind(StrEnum):
    """What a tank is, whatever its volumes come from."""

    UPRIGHT_CYLINDER = "upright_cylinder"
    LYING_CYLINDER = "lying_cylinder"
    SPHERE = "sphere"
    RECTANGULAR = "rectangular"
    STANDING_VESSEL = "standing_vessel"

    @property
    def words(self) -> str:
        return self.value.replace("_", " ")


class BottomKind(StrEnum):
    """Floors of upright cylinders and lower ends of standing vessels."""

    FLAT = "flat"
    SLOPED = "sloped"
    CONE_UP = "cone_up"
    CONE_DOWN = "cone_down"
    DISHED = "dished"
    HEMISPHERICAL = "hemispherical"
    ELLIPSOIDAL = "ellipsoidal"
    TORISPHERICAL = "torispherical"


class TopKind(StrEnum):
    """Upper ends of standing vessels, bulging outwards."""

    FLAT = "flat"
    CONE = "cone"
    DISHED = "dished"
    HEMISPHERICAL = "hemispherical"
    ELLIPSOIDAL = "ellipsoidal"
    TORISPHERICAL = "torispherical"


_END_KINDS = {
    "flat": EndKind.FLAT,
    "sloped": EndKind.SLOPED,
    "cone": EndKind.CONE,
    "cone_down": EndKind.CONE,
    "cone_up": EndKind.CONE_UP,
    "dished": EndKind.DISHED,
    "hemispherical": EndKind.HEMISPHERICAL,
    "ellipsoidal": EndKind.ELLIPSOIDAL,
    "torispherical": EndKind.TORISPHERICAL,
}


class EndModel(Section):
    """An end of an upright vessel; a bare word is short for its kind."""

    depth: Annotated[Length | None, Field(description="Of sloped, coned and dished ends")] = None
    crown_ratio: Annotated[Number | None, Field(description="Torispherical: crown radius over diameter, 1")] = None
    knuckle_ratio: Annotated[Number | None, Field(description="Torispherical: knuckle over diameter, 0.06")] = None

    @model_validator(mode="before")
    @classmethod
    def _bare_word(cls, data: Any) -> Any:
        return {"kind": data} if isinstance(data, str) else data

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core))

    def end(self, kind: BottomKind | TopKind) -> End:
        crown, knuckle = _ratios(kind.value, self.crown_ratio, self.knuckle_ratio)
        return End(_END_KINDS[kind.value], self.depth or 0.0, crown, knuckle)

    def _check_ratios(self, kind: BottomKind | TopKind) -> None:
        _ratios(kind.value, self.crown_ratio, self.knuckle_ratio)


class BottomModel(EndModel):
    kind: BottomKind

    @model_validator(mode="after")
    def _ratios_fit(self) -> "BottomModel":
        self._check_ratios(self.kind)
        return self


class TopModel(EndModel):
    kind: TopKind

    @model_validator(mode="after")
    def _ratios_fit(self) -> "TopModel":
        self._check_ratios(self.kind)
        return self


def _ratios(kind: str, crown: float | None, knuckle: float | None) -> tuple[float, float]:
    if kind != "torispherical" and (crown is not None or knuckle is not None):
        raise refuse("crown_ratio and knuckle_ratio are for torispherical ends only; leave them out")
    return _CROWN_RATIO if crown is None else crown, _KNUCKLE_RATIO if knuckle is None else knuckle


class DeadwoodModel(Section):
    """Something inside the tank that takes room, spread evenly over its levels; a negative volume gives room."""

    name: Text = "deadwood"
    volume: Volume
    lowest: Annotated[Length, Field(description="Level at which it begins, above the datum")]
    highest: Annotated[Length, Field(description="Level at which it ends")]


class ShapeModel(Section):
    """What every shape may have."""

    datum: Annotated[
        Length | None, Field(description="Height of the level's zero above the lowest inside point; below it is heel")
    ] = None
    heel: Annotated[Volume | None, Field(description="Below the datum beside the shape, in every volume")] = None
    deadwood: tuple[DeadwoodModel, ...] = ()


class UprightCylinderModel(ShapeModel):
    """An upright cylinder on any floor."""

    kind: Literal["upright_cylinder"]
    diameter: Length
    height: Annotated[Length, Field(description="Of the shell above its lowest point inside, or its edge if deeper")]
    bottom: Annotated[BottomModel | None, Field(description="flat unless given")] = None

    def bare(self) -> Capacity:
        if self.bottom is None or self.bottom.kind is BottomKind.FLAT:
            return UprightCylinder(self.diameter, self.height)
        return UprightVessel(self.diameter, self.height, self.bottom.end(self.bottom.kind))


class StandingVesselModel(ShapeModel):
    """An upright shell between two ends, such as a bullet on its end or a tank on legs."""

    kind: Literal["standing_vessel"]
    diameter: Length
    tangent_length: Annotated[Length, Field(description="Of the shell between its ends")]
    bottom: BottomModel
    top: TopModel

    def bare(self) -> Capacity:
        bottom, top = self.bottom.end(self.bottom.kind), self.top.end(self.top.kind)
        return UprightVessel(self.diameter, self.tangent_length, bottom, top)


class TiltModel(Section):
    """How a lying cylinder slopes, and where along it the level is measured."""

    slope: Annotated[Ratio, Field(description="Rise of the axis over its length along the horizontal")]
    gauge_from_low_end: Annotated[Length, Field(description="Along the axis from the low end's tangent line")]


class LyingCylinderModel(ShapeModel):
    """A lying cylinder with equal heads, level unless `tilt` is given."""

    kind: Literal["lying_cylinder"]
    diameter: Length
    tangent_length: Length
    head: Head
    crown_ratio: Number | None = None
    knuckle_ratio: Number | None = None
    tilt: TiltModel | None = None

    @model_validator(mode="after")
    def _ratios_fit(self) -> "LyingCylinderModel":
        _ratios(self.head.value, self.crown_ratio, self.knuckle_ratio)
        return self

    def bare(self) -> Capacity:
        crown, knuckle = _ratios(self.head.value, self.crown_ratio, self.knuckle_ratio)
        if self.tilt is None:
            return LyingCylinder(self.diameter, self.tangent_length, self.head, crown, knuckle)
        slope, gauge = self.tilt.slope, self.tilt.gauge_from_low_end
        return TiltedCylinder(self.diameter, self.tangent_length, self.head, slope, gauge, crown, knuckle)


class SphereModel(ShapeModel):
    kind: Literal["sphere"]
    diameter: Length

    def bare(self) -> Capacity:
        return Sphere(self.diameter)


class RectangularModel(ShapeModel):
    """A tank with upright walls on a rectangular floor."""

    kind: Literal["rectangular"]
    length: Length
    width: Length
    height: Length

    def bare(self) -> Capacity:
        return RectangularTank(self.length, self.width, self.height)


TankShape = UprightCylinderModel | LyingCylinderModel | SphereModel | RectangularModel | StandingVesselModel


def capacity_of(model: TankShape) -> Capacity:
    """The shape with its datum, its heel and its deadwood. Raises SettingsError for dimensions that cannot be."""
    capacity: Capacity = model.bare()
    if model.datum is not None or model.heel is not None:
        capacity = WithDatum(capacity, model.datum or 0.0, model.heel or 0.0)
    if not model.deadwood:
        return capacity
    pieces = tuple(Deadwood(piece.volume, piece.lowest, piece.highest, piece.name) for piece in model.deadwood)
    return WithDeadwood(capacity, pieces)
