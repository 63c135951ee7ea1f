"""Where the level comes from, and with it the temperature: gauge, second gauge, hand dip, or the liquid's pressure."""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.column import column_pressure, doubted_for_water
from gateway.calculation.density import DensityBasis, correct, doubted
from gateway.calculation.hydrostatic import level_from_pressure
from gateway.calculation.level import checked_level, gauge_level, water_level
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import FreeWaterSource, GaugePlan, HeadPlan, TankPlan
from gateway.calculation.plausibility import GAUGES_DIFFER_FOR_S, gauges_differ_since
from gateway.calculation.temperature import (
    LiquidTemperature,
    average_temperature,
    substituted_temperature,
    unknown_temperature,
    wet_elements,
)
from gateway.errors import LimitError
from gateway.records import Figure, Quality, ReasonCode, TankInput

__all__ = ["LevelAndTemperature", "level_and_temperature"]

_ROUNDS = 5
_CONVERGED_M = 1e-6


class LevelAndTemperature(NamedTuple):
    level: Figure
    second_level: Figure
    difference: Figure
    water_level: Figure
    liquid: LiquidTemperature
    wet: tuple[bool, ...]
    differ_since_s: float | None


class _Liquid(NamedTuple):
    water_level: Figure
    liquid: LiquidTemperature
    wet: tuple[bool, ...]


def level_and_temperature(
    plan: TankPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> LevelAndTemperature:
    """The level above the datum in m, the free-water level and the liquid's temperature at that level."""
    second = _second_level(plan, tank_input)
    if isinstance(plan.gauge, HeadPlan):
        level, found = _level_by_head(plan, plan.gauge, tank_input, basis, memory, now_s)
    else:
        level = _level_by_gauge(plan, plan.gauge, tank_input)
        found = None
    difference = _difference(level, second)
    since_s = gauges_differ_since(memory.gauges_differ_since_s, now_s, difference, plan.gauge_difference_limit_m)
    if level.value is None:
        level, found = _stand_in(level, second, tank_input, plan), None
    elif since_s is not None and now_s - since_s >= GAUGES_DIFFER_FOR_S and difference.value is not None:
        text = (
            f"the gauges have differed by over {plan.gauge_difference_limit_m * 1000:.0f} mm for "
            f"{(now_s - since_s) / 60:.0f} min, now {difference.value * 1000:+.0f} mm"
        )
        level = figure.lower(level, ReasonCode.GAUGES_DISAGREE, text)
    if found is None:
        found = _liquid_at(plan, tank_input, memory, level, now_s)
    return LevelAndTemperature(level, second, difference, found.water_level, found.liquid, found.wet, since_s)


def _second_level(plan: TankPlan, tank_input: TankInput) -> Figure:
    if plan.second_gauge is None:
        return figure.not_applicable("no second gauge")
    return gauge_level(tank_input.second_level, plan.second_gauge, plan.reference_height_m)


def _level_by_gauge(plan: TankPlan, gauge: GaugePlan | None, tank_input: TankInput) -> Figure:
    if gauge is None:
        return figure.bad(ReasonCode.NOT_FITTED, "no level gauge is fitted")
    return gauge_level(tank_input.level, gauge, plan.reference_height_m)


def _difference(level: Figure, second: Figure) -> Figure:
    """The two gauges are compared, never averaged."""
    if level.value is None or second.value is None:
        return figure.not_applicable("two readings are needed for a comparison")
    return figure.derive(level.value - second.value, (level, second))


def _stand_in(level: Figure, second: Figure, tank_input: TankInput, plan: TankPlan) -> Figure:
    """The second gauge, then a hand dip; the failed level itself when neither is usable."""
    if second.value is not None:
        cause = level.reasons[0].text if level.reasons else "no value"
        return figure.lower(second, ReasonCode.SECOND_GAUGE_USED, f"level by the second gauge: {cause}")
    dip = tank_input.dip_level
    if dip is not None and dip.value is not None and dip.quality != Quality.BAD:
        return checked_level(dip.value, figure.from_input(dip), "hand dip", plan.reference_height_m)
    return level


def _water_level(plan: TankPlan, tank_input: TankInput, memory: Memory, level: Figure, now_s: float) -> Figure:
    """The free-water level by probe or dip; a failed probe leaves its last Good level as long as temperature does."""
    if plan.free_water is FreeWaterSource.NONE:
        return figure.not_applicable("the tank is declared without free water")
    if plan.free_water is FreeWaterSource.PROBE:
        given = tank_input.water
        if given is not None and given.quality != Quality.BAD:
            return water_level(figure.from_input(given), level, plan.reference_height_m)
    dip = tank_input.dip_water
    if dip is not None and dip.quality != Quality.BAD:
        return water_level(figure.from_input(dip), level, plan.reference_height_m)
    failed = tank_input.water if plan.free_water is FreeWaterSource.PROBE else dip
    cause = "no water dip in force" if plan.free_water is FreeWaterSource.DIP else "the water probe has no reading"
    if failed is not None and failed.reason is not None:
        cause = failed.reason.text
    last = last_good(memory, "water_level")
    stood = figure.from_last_good(last, now_s, plan.temperature.last_good_limit_s, cause, "free-water level")
    if stood is not None:
        return water_level(stood, level, plan.reference_height_m)
    return figure.bad(ReasonCode.INPUT_BAD, f"free water unknown: {cause}")


def _liquid_at(plan: TankPlan, tank_input: TankInput, memory: Memory, level: Figure, now_s: float) -> _Liquid:
    """Free water and temperature at a level; all Bad where the level is."""
    water = _water_level(plan, tank_input, memory, level, now_s)
    if level.value is None:
        return _Liquid(water, unknown_temperature(plan.temperature, tank_input.elements, level), memory.wet)
    wet = wet_elements(plan.temperature, level.value, memory.wet)
    average = average_temperature(plan.temperature, tank_input.elements, wet, level.value, water.value, plan.capacity)
    if average is not None and water.quality is Quality.BAD:
        text = "free water unknown: elements in the average may stand in it"
        average = average._replace(average=figure.lower(average.average, ReasonCode.INPUT_UNCERTAIN, text))
    if average is None:
        last = last_good(memory, "liquid_temperature")
        average = substituted_temperature(
            plan.temperature,
            tank_input.elements,
            tank_input.manual_temperature,
            last,
            now_s,
            level.value,
            water.value,
        )
    return _Liquid(water, average, wet)


def _level_by_head(
    plan: TankPlan, head: HeadPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> tuple[Figure, _Liquid | None]:
    """Level by pressure: the wet elements, the density at tank temperature and the level agree with each other.

    A fixed point, at most five rounds. Where none is found, the round with fewer wet elements stands, Uncertain.
    """
    pressure = column_pressure(tank_input, head.name)
    head_pa = pressure.value
    if head_pa is None:
        return pressure, None
    if head_pa <= 0.0:
        text = f"{head.name}: no liquid above the nozzle at {head.nozzle_height_m:.3f} m, so the level is unknown"
        return figure.lower(pressure, ReasonCode.BELOW_DATUM, text, Quality.BAD), None
    if basis.prepared is None and basis.observed is None:
        if basis.given.value is None:
            return figure.derive(None, (basis.given,)), None
        return figure.bad(ReasonCode.METHOD_LIMIT, basis.refusal or "the method refuses the density"), None

    density_given = figure.undated(basis.given)
    start = basis.given.value or _STARTING_DENSITY
    level = _head_level(plan, head, head_pa, start, (pressure,))
    rounds: list[tuple[Figure, _Liquid]] = []
    for _ in range(_ROUNDS):
        found = _liquid_at(plan, tank_input, memory, level, now_s)
        temperature = found.liquid.average
        if temperature.value is None:
            return figure.derive(None, (temperature,)), found
        try:
            _, corrected, doubts = correct(basis, temperature.value, 0.0)
        except LimitError as error:
            return figure.bad(ReasonCode.METHOD_LIMIT, str(error)), found
        density = corrected.observed_density
        if density is None:
            return figure.derive(None, (density_given,)), found
        before_m = level.value
        known = (density_given,) if density_given.value is not None else ()
        level = doubted(_head_level(plan, head, head_pa, density, (pressure, temperature, *known)), doubts)
        if level.value is None:
            return level, found
        rounds.append((level, found))
        if before_m is not None and abs(level.value - before_m) < _CONVERGED_M:
            return _head_checked(plan, head, level, found), found
    level, found = min(rounds[-2:], key=lambda each: sum(each[1].wet))
    text = f"level by pressure did not settle within {_ROUNDS} rounds; the lower set of elements is taken"
    return _head_checked(plan, head, figure.lower(level, ReasonCode.NOT_CONVERGED, text), found), found


def _head_level(plan: TankPlan, head: HeadPlan, head_pa: float, density: float, inputs: Sequence[Figure]) -> Figure:
    return figure.attempt(
        lambda: level_from_pressure(head_pa, density, head.nozzle_height_m, plan.gravity_m_s2), inputs
    )


_STARTING_DENSITY = 900.0
"""kg/m3, only to begin the fixed point where no density is entered: it does not enter the result."""


def _head_checked(plan: TankPlan, head: HeadPlan, level: Figure, found: _Liquid) -> Figure:
    if level.value is None:
        return level
    level = checked_level(level.value, level, head.name, plan.reference_height_m)
    return doubted_for_water(level, found.water_level, head.nozzle_height_m, head.name)
