"""From a recorded sheet back to what it was made from: the inputs of one tank at one instant, as far as it tells them.

A sheet carries the level, not the gauge's own number; the elements, but the age of the oldest one used only; and no
value for what was Bad. `recorded_plan` reads levels as levels, and what a sheet cannot tell is said in `lacking`.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, HeadPlan, TankPlan
from gateway.calculation.temperature.average import Placement
from gateway.records import (
    ElementUse,
    Figure,
    Figures,
    Input,
    Inventory,
    LastGood,
    Quality,
    Reason,
    ReasonCode,
    TankInput,
)
from gateway.sources import LevelSource, TemperatureSource, WaterSource

__all__ = ["BEYOND_ANY_TANK_M", "RecordedInput", "rebuilt", "recorded_plan"]

_SOURCE = "record"
_JUST_ABOVE_M = 0.003
_MADE_HERE = frozenset(
    {
        ReasonCode.ELEMENT_DRY,
        ReasonCode.ELEMENT_IN_WATER,
        ReasonCode.ELEMENT_FAILED,
        ReasonCode.ELEMENT_OUTLIER,
        ReasonCode.LOWEST_ELEMENT_USED,
        ReasonCode.INPUT_BAD,
    }
)
"""Reasons that the calculation gave an element: it will give them again where they still hold."""
_COMPARED = frozenset({ReasonCode.VAPOUR_PRESSURE_DISAGREES, ReasonCode.VAPOUR_PRESSURE_UNPROVEN})
_SAME_C = 0.01
BEYOND_ANY_TANK_M = 999.0
"""Stands for a water level that was refused and has no value in the record: higher than any liquid, or as far below."""


class RecordedInput(NamedTuple):
    """The inputs behind a recorded sheet, and what else the sheet tells of its making."""

    tank_input: TankInput
    recorded: Inventory
    placed: Placement | None
    """Where the elements stood; None where the sheet does not tell."""
    last_good: Mapping[str, LastGood] = MappingProxyType({})
    """Last Good values from before this sheet, as it tells them."""
    lacking: tuple[str, ...] = ()
    """What could not be rebuilt, in words."""
    is_corrected: bool = False
    """Whether something else than the record goes in, so that a Bad figure may be Bad for a new reason."""


def recorded_plan(plan: TankPlan) -> TankPlan:
    """`plan` for levels that are levels already: no ullage, no offset. A level by pressure is worked out again.

    What flowed is in no record: the judgements by it stand as recorded.
    """
    gauge = plan.gauge
    if isinstance(gauge, GaugePlan):
        gauge = replace(gauge, kind=GaugeKind.INNAGE, offset_m=0.0)
    second = plan.second_gauge
    if second is not None:
        second = replace(second, kind=GaugeKind.INNAGE, offset_m=0.0)
    return replace(plan, gauge=gauge, second_gauge=second, flows=())


def rebuilt(plan: TankPlan, recorded: Inventory, standing: TankInput | None = None) -> RecordedInput:
    """The inputs of `recorded`. `plan` is from `recorded_plan`.

    `standing`: the values of the site file at that instant. A density that was entered but not in use (a measured one
    was), or one at tank temperature where none was found, is in no sheet and is taken from there.
    """
    figures = recorded.figures
    lacking: list[str] = []
    moved = _moved(plan.product.method.reference_temperature_c, recorded.reference_temperature_c)
    if moved is not None:
        lacking.append(moved)
        reference, observed = _entered(standing)
    else:
        reference, observed = _densities(plan, figures, standing, lacking)
    last_good = dict(recorded.last_good)
    sources = recorded.sources
    for name, stood in (
        ("liquid_temperature", sources.temperature is TemperatureSource.LAST_GOOD),
        ("water_level", sources.water is WaterSource.LAST_GOOD),
    ):
        figure: Figure = getattr(figures, name)
        if figure.value is not None and stood:
            last_good[name] = LastGood(figure.value, recorded.instant.timestamp() - figure.age_s)
    liquid = figures.liquid_temperature
    lowest = sources.temperature is TemperatureSource.LOWEST_ELEMENT
    if isinstance(plan.gauge, HeadPlan) and liquid.value is not None and not lowest:
        # The rounds to a level by pressure begin where no element may be submerged: the end they came to leads there.
        last_good["liquid_temperature"] = LastGood(liquid.value, recorded.instant.timestamp() - liquid.age_s)
    probe = plan.free_water is FreeWaterSource.PROBE and sources.water is not WaterSource.DIP
    above_m = BEYOND_ANY_TANK_M
    if sources.level is LevelSource.PRESSURE and figures.level.value is not None:
        # A column that does not carry its water is taken as all water, so any water above the level makes that level.
        above_m = figures.level.value + _JUST_ABOVE_M
    water = None if plan.free_water is FreeWaterSource.NONE else _water(figures.water_level, sources.water, above_m)
    by_head = isinstance(plan.gauge, HeadPlan)
    if figures.level.quality is Quality.BAD:
        lacking.append("level Bad: the gauge's own value is not in the record")
    if any(use.quality is Quality.BAD for use in recorded.elements):
        lacking.append("temperature elements that were Bad have no value in the record")
    tank_input = TankInput(
        tank=recorded.tank,
        instant=recorded.instant,
        level=_level(figures.level, sources.level) if isinstance(plan.gauge, GaugePlan) else None,
        second_level=None if plan.second_gauge is None else _input(figures.second_level),
        dip_level=_input(figures.level) if sources.level is LevelSource.DIP else None,
        bottom_pressure=_input(figures.bottom_pressure),
        vapour_pressure=_input(_as_measured(figures.vapour_pressure)),
        water=water if probe else None,
        dip_water=None if probe else water,
        elements=_elements(plan, recorded),
        manual_temperature=_manual_temperature(recorded),
        ambient=_input(figures.ambient_temperature),
        reference_density=reference,
        observed_density=observed,
        sediment_water=_input(figures.sediment_water),
        simulated=recorded.simulated,
    )
    if by_head and figures.bottom_pressure.quality is Quality.BAD:
        lacking.append("bottom pressure Bad: it has no value in the record")
    return RecordedInput(tank_input, recorded, _placed(plan, recorded), last_good, tuple(lacking), moved is not None)


def _moved(reference_c: float | None, recorded_c: float | None) -> str | None:
    """Why a density of the record is none of the plan's: it is at another reference temperature. A record from before
    it was told does not say."""
    if reference_c is None or recorded_c is None or abs(reference_c - recorded_c) <= _SAME_C:
        return None
    return (
        f"the record's densities and standard volumes are at {recorded_c:.4g} degC, the site file's at "
        f"{reference_c:.4g} degC: density taken from the site file"
    )


def _has(figure: Figure, code: ReasonCode) -> bool:
    return any(reason.code == code for reason in figure.reasons)


def _input(figure: Figure) -> Input | None:
    """The input that a figure passes on as it stands; None where it is not a quantity of the tank."""
    if figure.value is None and figure.quality is Quality.GOOD and _has(figure, ReasonCode.NOT_APPLICABLE):
        return None
    reason = figure.reasons[0] if figure.reasons else None
    return Input(figure.value, figure.quality, reason, figure.age_s, _SOURCE, figure.manual)


def _failed(figure: Figure, stand_in: ReasonCode) -> Input:
    """The input that had failed, where something stood in for it: why it had follows the word of the stand-in."""
    codes = [reason.code for reason in figure.reasons]
    causes = figure.reasons[codes.index(stand_in) + 1 :] if stand_in in codes else ()
    return Input(None, Quality.BAD, causes[0] if causes else _UNTOLD, figure.age_s, _SOURCE)


_UNTOLD = Reason(ReasonCode.INPUT_BAD, "it was not usable; the record does not tell why")


def _as_measured(pressure: Figure) -> Figure:
    """The vapour pressure without what the comparison with its product made of it, which is made again."""
    reasons = tuple([reason for reason in pressure.reasons if reason.code not in _COMPARED])
    if len(reasons) == len(pressure.reasons):
        return pressure
    return pressure._replace(quality=pressure.quality if reasons else Quality.GOOD, reasons=reasons)


def _level(level: Figure, source: LevelSource) -> Input | None:
    """The gauge's input; Bad where something stood in, so that it stands in again."""
    if source is LevelSource.SECOND_GAUGE:
        return _failed(level, ReasonCode.SECOND_GAUGE_USED)
    if source is LevelSource.DIP:
        return Input(None, Quality.BAD, _UNTOLD, level.age_s, _SOURCE)
    return _input(level)


def _water(water: Figure, source: WaterSource, above_m: float) -> Input | None:
    """`above_m`: water that is refused for standing above the level."""
    if water.quality is Quality.BAD:
        # What was refused for its value has none in the record; it must be refused again, whatever it was.
        if _has(water, ReasonCode.WATER_ABOVE_LEVEL):
            return Input(above_m, Quality.GOOD, None, water.age_s, _SOURCE, water.manual)
        if _has(water, ReasonCode.BELOW_DATUM):
            return Input(-BEYOND_ANY_TANK_M, Quality.GOOD, None, water.age_s, _SOURCE, water.manual)
    if source is WaterSource.LAST_GOOD:
        return _failed(water, ReasonCode.LAST_GOOD_USED)
    return _input(water)


def _entered(standing: TankInput | None) -> tuple[Input | None, Input | None]:
    return (None, None) if standing is None else (standing.reference_density, standing.observed_density)


def _densities(
    plan: TankPlan, figures: Figures, standing: TankInput | None, lacking: list[str]
) -> tuple[Input | None, Input | None]:
    """(at reference temperature, at tank temperature); at most one of them."""
    if not plan.product.method.needs_density:
        return None, None
    entered = _entered(standing)
    if plan.measured_density is not None and plan.measured_density.in_use:
        lacking.append("the entered density was not in use and is not in the record: taken from the site file")
        return entered
    reference = figures.reference_density
    if reference.value is None and entered[1] is not None:
        lacking.append("the density at tank temperature is not in the record: taken from the site file")
        return entered
    return _input(reference), None


def _elements(plan: TankPlan, recorded: Inventory) -> tuple[Input, ...]:
    uses = recorded.elements
    if len(uses) != len(plan.temperature.elements):
        return ()
    liquid, vapour = recorded.figures.liquid_temperature, recorded.figures.vapour_temperature
    other_age_s = liquid.age_s if vapour.value is None else vapour.age_s
    return tuple(
        [
            Input(use.value, use.quality, _own_reason(use), liquid.age_s if use.used else other_age_s, _SOURCE)
            for use in uses
        ]
    )


def _own_reason(use: ElementUse) -> Reason | None:
    """The reason that came with the element's reading, without what the calculation added."""
    reason = use.reason
    if reason is None or (reason.code in _MADE_HERE and use.quality is not Quality.BAD):
        return None
    return reason


def _manual_temperature(recorded: Inventory) -> Input | None:
    liquid = recorded.figures.liquid_temperature
    if recorded.sources.temperature is TemperatureSource.MANUAL:
        return _input(liquid)
    expired = next((reason for reason in liquid.reasons if reason.code == ReasonCode.MANUAL_EXPIRED), None)
    return None if expired is None else Input(None, Quality.BAD, expired, 0.0, _SOURCE, True)


def _placed(plan: TankPlan, recorded: Inventory) -> Placement | None:
    """Where the elements stood: what hysteresis made of that is in the record, not in its levels alone."""
    level_m, uses = recorded.figures.level.value, recorded.elements
    if level_m is None or len(uses) != len(plan.temperature.elements):
        return None
    wet = [
        level_m >= enters_m if use.submerged is None else use.submerged
        for use, enters_m in zip(uses, plan.temperature.enters_m, strict=True)
    ]
    in_water = [use.reason is not None and use.reason.code == ReasonCode.ELEMENT_IN_WATER for use in uses]
    return Placement(tuple(wet), tuple(in_water))
