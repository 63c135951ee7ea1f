"""The section `watch` of the site file, and the same keys of a tank, which change it for that tank."""

from typing import Annotated, Any

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.settings.reading.fields import (
    Delay,
    Duration,
    GaugePressure,
    Length,
    Number,
    Ratio,
    Section,
    Temperature,
    TemperatureDifference,
    Text,
    VolumeFlow,
    YesNo,
    text_or,
)
from gateway.tank_state import Priority

__all__ = ["AlarmModel", "LossModel", "SiteAlarmsModel", "SiteWatchModel", "TankAlarmsModel", "TankWatchModel"]


class _OrNone(Section):
    """A block that the bare word `none` leaves out."""

    @model_validator(mode="before")
    @classmethod
    def _bare_none(cls, data: Any) -> Any:
        return {"wanted": "no"} if data == "none" else data

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core), "none")


class AlarmModel(_OrNone):
    """One kind of alarm: what it says, and how it behaves."""

    wanted: Annotated[YesNo, Field(description="no leaves the alarm out; a bare `none` is short for it")] = True
    priority: Annotated[Priority | None, Field(description="What to do: now, soon or look")] = None
    consequence: Annotated[Text | None, Field(description="What happens if nobody does anything")] = None
    action: Annotated[Text | None, Field(description="What to do; the site's procedures come first")] = None
    response: Annotated[Duration | None, Field(description="How long that takes")] = None
    on_delay: Annotated[Delay | None, Field(description="It holds for so long before it is raised")] = None
    off_delay: Annotated[Delay | None, Field(description="It is over for so long before it returns")] = None


class LevelAlarmModel(AlarmModel):
    deadband: Annotated[Length | None, Field(description="It returns this far behind its limit")] = None


class HighHighModel(LevelAlarmModel):
    response_reason: Annotated[
        Text | None, Field(description="Why less than 15 min is enough, where the response is shorter")
    ] = None


class FillAlarmModel(AlarmModel):
    limit: Annotated[Ratio | None, Field(description="A part of the full capacity, for example 85 %")] = None
    deadband: Ratio | None = None


class TimeAlarmModel(AlarmModel):
    deadband: Duration | None = None


class FlowAlarmModel(AlarmModel):
    deadband: VolumeFlow | None = None


class TemperatureAlarmModel(AlarmModel):
    limit: Annotated[Temperature | None, Field(description="Of the average of the liquid")] = None
    deadband: TemperatureDifference | None = None


class PressureAlarmModel(AlarmModel):
    limit: Annotated[GaugePressure | None, Field(description="Above the liquid")] = None
    deadband: GaugePressure | None = None


class WaterAlarmModel(AlarmModel):
    limit: Annotated[Length | None, Field(description="Of free water above the datum")] = None
    deadband: Length | None = None


class TankAlarmsModel(Section):
    """Alarms by their kinds. What a tank does not have raises none."""

    critical_high: LevelAlarmModel | None = None
    high_high: HighHighModel | None = None
    maximum_working: LevelAlarmModel | None = None
    minimum: LevelAlarmModel | None = None
    fill_high: FillAlarmModel | None = None
    high_high_soon: TimeAlarmModel | None = None
    filling_too_fast: FlowAlarmModel | None = None
    emptying_too_fast: FlowAlarmModel | None = None
    temperature_high: TemperatureAlarmModel | None = None
    temperature_low: TemperatureAlarmModel | None = None
    pressure_high: PressureAlarmModel | None = None
    pressure_low: PressureAlarmModel | None = None
    water_high: WaterAlarmModel | None = None
    density_doubtful: AlarmModel | None = None
    level_lost: AlarmModel | None = None
    instrument_failed: AlarmModel | None = None
    data_stale: AlarmModel | None = None
    gauges_disagree: AlarmModel | None = None
    level_frozen: AlarmModel | None = None
    roof_landed: AlarmModel | None = None
    roof_critical: AlarmModel | None = None
    unscheduled_movement: AlarmModel | None = None
    wrong_way: AlarmModel | None = None
    slow_loss: AlarmModel | None = None


class SiteAlarmsModel(TankAlarmsModel):
    """Those of every tank, and those of the gateway itself."""

    line_lost: AlarmModel | None = None
    second_master: AlarmModel | None = None
    destination_lost: AlarmModel | None = None
    history_at_risk: AlarmModel | None = None
    clock_untrusted: AlarmModel | None = None
    site_file_refused: AlarmModel | None = None


class UnscheduledModel(_OrNone):
    """When a movement that nobody announced is told."""

    wanted: Annotated[YesNo, Field(description="no: it is not; a bare `none` is short for it")] = True
    after: Annotated[Duration | None, Field(description="At rest for so long, from which on it is compared")] = None
    deviation: Annotated[Length | None, Field(description="Of the level, as volume or mass at the tank's surface")] = (
        None
    )


class LossModel(_OrNone):
    """A loss too slow to be seen as a movement. No regulatory leak-detection method."""

    wanted: Annotated[YesNo, Field(description="no: it is not looked for; a bare `none` is short for it")] = True
    false_alarms_per_year: Annotated[Number | None, Field(description="Of a tank that loses nothing")] = None


class _WatchModel(Section):
    window: Annotated[Duration | None, Field(description="Of the net flow rate, 1 min to 1 h")] = None
    unscheduled: UnscheduledModel | None = None
    loss: LossModel | None = None


class SiteWatchModel(_WatchModel):
    """How the tanks are watched: for all of them."""

    alarms: SiteAlarmsModel = SiteAlarmsModel()


class TankWatchModel(_WatchModel):
    """What is different for this tank."""

    moving: Annotated[VolumeFlow | None, Field(description="From this rate on it moves, either way")] = None
    alarms: TankAlarmsModel = TankAlarmsModel()
