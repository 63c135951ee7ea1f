"""A tank as the site file gives it."""

from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import Field, GetJsonSchemaHandler, WithJsonSchema, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.calculation.plan import GaugeKind, HeelContents, Weighting
from gateway.calculation.temperature.resistance import PT100, PT1000
from gateway.settings.reading.fields import (
    Duration,
    GaugePressure,
    Length,
    Name,
    Section,
    TemperatureDifference,
    Text,
    VolumeFlow,
    YesNo,
    text_or,
)
from gateway.settings.tanks.entries import LengthEntry, RatioEntry, TankDensityEntry, TemperatureEntry
from gateway.settings.tanks.limit_levels import LimitsModel
from gateway.settings.tanks.optional_models import (
    ColumnModel,
    LiquidHeadModel,
    MeasuredDensityModel,
    RoofModel,
    ShellModel,
    SourceModel,
    VapourModel,
    VapourPressureSourceModel,
)
from gateway.settings.tanks.shape_models import TankShape, VesselKind
from gateway.settings.watch.models import TankWatchModel

__all__ = [
    "AmbientModel",
    "CapacityTableModel",
    "DipWater",
    "ElementModel",
    "FlowDirection",
    "FlowModel",
    "FreeWaterModel",
    "LevelModel",
    "ManualModel",
    "NoWater",
    "NozzleModel",
    "ProbeWater",
    "ResistanceElement",
    "SecondLevelModel",
    "TankModel",
    "TemperatureModel",
]


class CapacityTableModel(Section):
    """Volume against level from a CSV file."""

    file: Annotated[Text, Field(description="CSV beside the site file")]
    kind: Annotated[
        VesselKind | None, Field(description="Of the tank; that of compare_with, or upright_cylinder, unless given")
    ] = None
    compare_with: Annotated[
        TankShape | None, Field(discriminator="kind", description="Dimensions the table must agree with; not used else")
    ] = None

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core))


class NozzleModel(ColumnModel):
    """The level from the pressure at a nozzle below the liquid (API MPMS 3.7)."""

    accuracy: Annotated[
        GaugePressure | None,
        Field(description="Of the transmitter, zero included; 0.1 % of the signal's range, else 0.2 kPa, unless given"),
    ] = None
    minimum_head: Annotated[
        Length | None,
        Field(description="With less liquid above the nozzle it may be empty; 0.1 m for 0.2 kPa of accuracy"),
    ] = None


class LevelModel(SourceModel):
    """The level gauge, or the pressure transmitter that stands in for one."""

    measures: Annotated[GaugeKind | None, Field(description="innage or ullage")] = None
    from_pressure: NozzleModel | None = None
    offset: Annotated[Length, Field(description="Added to the level")] = 0.0
    resolution: Annotated[Length | None, Field(description="Step of the gauge")] = None
    datum: Annotated[Text | None, Field(description="What the gauge's zero is: datum plate, table zero, bottom")] = None


class SecondLevelModel(SourceModel):
    """A second gauge to compare with; used when the first fails."""

    measures: GaugeKind
    offset: Length = 0.0
    resolution: Length | None = None
    datum: Text | None = None
    difference_limit: Length = 0.010


class ResistanceElement(StrEnum):
    """Platinum elements of IEC 60751, by their resistance at 0 degC."""

    PT100 = "Pt100"
    PT1000 = "Pt1000"

    @property
    def nominal_ohm(self) -> float:
        return PT100 if self is ResistanceElement.PT100 else PT1000


class ElementModel(Section):
    """One temperature element."""

    instrument: Annotated[Name | None, Field(description="Where it is not that of the whole thermometer")] = None
    signal: Name
    height: Annotated[Length, Field(description="Above the datum")]
    resistance_element: Annotated[
        ResistanceElement | None, Field(description="Where the signal is in ohm and not that of the whole thermometer")
    ] = None


class AmbientModel(SourceModel):
    """The temperature of the air."""

    resistance_element: Annotated[ResistanceElement | None, Field(description="Where the signal is in ohm")] = None


class TemperatureModel(Section):
    """The thermometer: its elements, lowest first."""

    instrument: Name | None = None
    resistance_element: Annotated[ResistanceElement | None, Field(description="Where the signals are in ohm")] = None
    elements: tuple[ElementModel, ...]
    immersion_margin: Annotated[Length, Field(description="An element counts this far below the surface")] = 0.30
    weighting: Annotated[Weighting | None, Field(description="slice_volume unless upright")] = None
    vapour_clearance: Length = 0.50
    outlier: TemperatureDifference = 5.0
    stratification: TemperatureDifference = 3.0
    spread: Annotated[
        TemperatureDifference, Field(description="Elements used that differ by more give no average to be trusted")
    ] = 15.0
    reach: Annotated[Length, Field(description="How far from every element used the liquid may be")] = 3.5
    last_good_limit: Duration = 86_400.0


class NoWater(Section):
    kind: Literal["none"]


class ProbeWater(SourceModel):
    kind: Literal["probe"]


class DipWater(LengthEntry):
    kind: Literal["dip"]

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return handler(core)


def _or_the_word_none(schema: JsonSchemaValue) -> None:
    block = dict(schema)
    schema.clear()
    schema.update(text_or(block, "none"))


FreeWaterModel = Annotated[
    NoWater | ProbeWater | DipWater, Field(discriminator="kind", json_schema_extra=_or_the_word_none)
]


class FlowDirection(StrEnum):
    IN = "in"
    OUT = "out"


class FlowModel(SourceModel):
    """What tells of liquid flowing in or out: a flow meter, or a contact of a pump or a valve."""

    direction: Annotated[FlowDirection, Field(description="in or out of this tank")]
    rate: Annotated[VolumeFlow | None, Field(description="For a contact: the least that flows while it says so")] = None
    flowing_when: Annotated[
        Literal["1", "0"] | None,
        WithJsonSchema({"enum": ["1", "0", 1, 0]}),
        Field(description="What a contact reads while liquid flows; 1 unless given"),
    ] = None


class ManualModel(Section):
    """Values by hand that stand in until they expire."""

    level: Annotated[LengthEntry | None, Field(description="Innage above the datum")] = None
    temperature: TemperatureEntry | None = None
    water: LengthEntry | None = None


class TankModel(Section):
    """One tank."""

    description: Text | None = None
    product: Name
    shape: Annotated[TankShape, Field(discriminator="kind")] | None = None
    capacity_table: CapacityTableModel | None = None
    reference_height: Annotated[Length, Field(description="Of the reference point above the datum")]
    period: Annotated[Duration | None, Field(description="How often at least a sheet is made")] = None
    level: LevelModel | None = None
    second_level: SecondLevelModel | None = None
    temperature: TemperatureModel | None = None
    free_water: FreeWaterModel
    heel_holds: Annotated[HeelContents | None, Field(description="What stands below the datum: water or product")] = (
        None
    )
    vapour_pressure: VapourPressureSourceModel | None = None
    pressurised: YesNo = False
    blanketed: Annotated[YesNo, Field(description="Under nitrogen or another gas at a pressure of its own")] = False
    ambient: AmbientModel | None = None
    roof: RoofModel | None = None
    shell: ShellModel | None = None
    vapour: VapourModel | None = None
    measured_density: MeasuredDensityModel | None = None
    liquid_head: LiquidHeadModel | None = None
    density: TankDensityEntry | None = None
    sediment_water: RatioEntry | None = None
    manual: ManualModel | None = None
    limits: LimitsModel = LimitsModel()
    maximum_flow_in: VolumeFlow | None = None
    maximum_flow_out: VolumeFlow | None = None
    flows: Annotated[tuple[FlowModel, ...], Field(description="A level that stands still meanwhile is doubted")] = ()
    watch: Annotated[TankWatchModel | None, Field(description="What differs from the watch of the site")] = None

    @model_validator(mode="before")
    @classmethod
    def _bare_words(cls, data: Any) -> Any:
        """`free_water: none` is short for `free_water: {kind: none}`; a bare table is short for its file."""
        if not isinstance(data, dict):
            return data
        short = dict(data)
        if isinstance(short.get("free_water"), str):
            short["free_water"] = {"kind": short["free_water"]}
        if isinstance(short.get("capacity_table"), str):
            short["capacity_table"] = {"file": short["capacity_table"]}
        return short
