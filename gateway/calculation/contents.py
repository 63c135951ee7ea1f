"""What stands in a tank whose level is known: free water below, and the temperature of the liquid above it."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.level.chain import water_level
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import FreeWaterSource, TankPlan, Weighting
from gateway.calculation.temperature.average import (
    LiquidTemperature,
    Placement,
    average_temperature,
    place_elements,
    substituted_temperature,
    unknown_temperature,
)
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput
from gateway.sources import WaterSource

__all__ = ["Contents", "contents_at", "free_water"]

_BAD = Quality.BAD
_BY_PROBE = WaterSource.PROBE
_NO_WATER = FreeWaterSource.NONE
_PROBE = FreeWaterSource.PROBE
_UNCERTAIN = Quality.UNCERTAIN

_MAY_STAND_IN_WATER = Reason(ReasonCode.INPUT_UNCERTAIN, "free water unknown: elements in the average may stand in it")
_SLICES_UNCERTAIN = Reason(
    ReasonCode.INPUT_UNCERTAIN, "free water uncertain: the slices that weigh the elements begin at it"
)
_NO_DIP = Reason(ReasonCode.NOT_FITTED, "no water dip in force")
_NO_READING = Reason(ReasonCode.NOT_FITTED, "the water probe has no reading")
_UNKNOWN = Reason(ReasonCode.INPUT_BAD, "free water unknown")


class Contents(NamedTuple):
    water_level: Figure
    water_source: WaterSource
    liquid: LiquidTemperature
    placed: Placement


def contents_at(plan: TankPlan, tank_input: TankInput, memory: Memory, level: Figure, now_s: float) -> Contents:
    """Free water and temperature at a level; the temperature Bad where the level is."""
    water, water_source = free_water(plan, tank_input, memory, level, now_s)
    if level.value is None:
        liquid = unknown_temperature(plan.temperature, tank_input.elements, level)
        return Contents(water, water_source, liquid, memory.placed)
    placed = place_elements(plan.temperature, level.value, water.value, memory.placed)
    if water.quality is _BAD and len(memory.placed.in_water) == len(placed.in_water):
        # Nobody knows where the water stands: what stood in it when it was last known is still left out.
        placed = placed._replace(in_water=memory.placed.in_water)
    elements, capacity = tank_input.elements, plan.capacity
    average = average_temperature(plan.temperature, elements, placed, level.value, water.value, capacity)
    if average is not None and water.quality is _BAD:
        average = average._replace(average=figure.lower(average.average, _MAY_STAND_IN_WATER))
    elif average is not None and water.quality is _UNCERTAIN and _sliced(plan, average):
        average = average._replace(average=figure.lower(average.average, _SLICES_UNCERTAIN))
    if average is None:
        average = substituted_temperature(
            plan.temperature,
            elements,
            placed,
            tank_input.manual_temperature,
            last_good(memory, "liquid_temperature"),
            now_s,
            level.value,
        )
    return Contents(water, water_source, average, placed)


def _sliced(plan: TankPlan, liquid: LiquidTemperature) -> bool:
    """Whether the weights of the average rest on where the free water stands."""
    return plan.temperature.weighting is not Weighting.EQUAL and sum([use.used for use in liquid.uses]) > 1


def free_water(
    plan: TankPlan, tank_input: TankInput, memory: Memory, level: Figure, now_s: float
) -> tuple[Figure, WaterSource]:
    """The free-water level by probe or dip, judged against `level`; without a value there, by itself.

    A failed probe leaves its last Good level as long as temperature does.
    """
    if plan.free_water is _NO_WATER:
        return figure.not_applicable("the tank is declared without free water"), WaterSource.DECLARED_NONE
    height_m = plan.reference_height_m
    if plan.free_water is _PROBE:
        given = tank_input.water
        if given is not None and given.quality != _BAD:
            return water_level(figure.from_input(given), level, plan.capacity, height_m), _BY_PROBE
    dip = tank_input.dip_water
    if dip is not None and dip.quality != _BAD:
        return water_level(figure.from_input(dip), level, plan.capacity, height_m), WaterSource.DIP
    failed = tank_input.water if plan.free_water is _PROBE else dip
    missing = _NO_DIP if plan.free_water is FreeWaterSource.DIP else _NO_READING
    causes = [missing if failed is None or failed.reason is None else failed.reason]
    last = last_good(memory, "water_level")
    stood = figure.from_last_good(
        last,
        now_s,
        plan.temperature.last_good_limit_s,
        causes,
        "the last Good free-water level stands in, {age:duration} old",
    )
    if stood is not None:
        return water_level(stood, level, plan.capacity, height_m), WaterSource.LAST_GOOD
    return Figure(None, _BAD, (_UNKNOWN, *causes), 0.0), WaterSource.NONE
