"""Where the level comes from, and with it the temperature: gauge, second gauge, hand dip, or the liquid's pressure."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contents import contents_at
from gateway.calculation.density import DensityBasis
from gateway.calculation.level import checked_level, gauge_level
from gateway.calculation.level_by_pressure import level_by_pressure
from gateway.calculation.memory import Memory
from gateway.calculation.plan import GaugePlan, HeadPlan, TankPlan
from gateway.calculation.temperature import LiquidTemperature, Placement
from gateway.records import Figure, Quality, ReasonCode, TankInput
from gateway.sources import LevelSource, WaterSource

__all__ = ["LevelAndTemperature", "level_and_temperature"]


class LevelAndTemperature(NamedTuple):
    level: Figure
    """What the sheet goes on with."""
    level_source: LevelSource
    first_level: Figure
    """By the first gauge, whatever stands in for it."""
    second_level: Figure
    difference: Figure
    water_level: Figure
    water_source: WaterSource
    liquid: LiquidTemperature
    placed: Placement


def level_and_temperature(
    plan: TankPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> LevelAndTemperature:
    """The level above the datum in m, the free-water level and the liquid's temperature at that level."""
    second = _second_level(plan, tank_input)
    if isinstance(plan.gauge, HeadPlan):
        level, found = level_by_pressure(plan, plan.gauge, tank_input, basis, memory, now_s)
        source = LevelSource.PRESSURE
    else:
        level = _level_by_gauge(plan, plan.gauge, tank_input)
        found, source = None, LevelSource.GAUGE
    difference = _difference(plan, level, second)
    first = level
    if level.value is None:
        (level, source), found = _stand_in(level, second, tank_input, plan), None
    if found is None:
        found = contents_at(plan, tank_input, memory, level, now_s)
    return LevelAndTemperature(
        level, source, first, second, difference, found.water_level, found.water_source, found.liquid, found.placed
    )


def _second_level(plan: TankPlan, tank_input: TankInput) -> Figure:
    if plan.second_gauge is None:
        return figure.not_applicable("no second gauge")
    return gauge_level(tank_input.second_level, plan.second_gauge, plan.reference_height_m)


def _level_by_gauge(plan: TankPlan, gauge: GaugePlan | None, tank_input: TankInput) -> Figure:
    if gauge is None:
        return figure.bad(ReasonCode.NOT_FITTED, "no level gauge is fitted")
    return gauge_level(tank_input.level, gauge, plan.reference_height_m)


def _difference(plan: TankPlan, level: Figure, second: Figure) -> Figure:
    """The two gauges are compared, never averaged. Where one has no value, that is why there is no comparison."""
    if plan.gauge is None or plan.second_gauge is None:
        return figure.not_applicable("two gauges are needed for a comparison")
    if level.value is None or second.value is None:
        return figure.derive(None, (level, second))
    return figure.derive(level.value - second.value, (level, second))


def _stand_in(level: Figure, second: Figure, tank_input: TankInput, plan: TankPlan) -> tuple[Figure, LevelSource]:
    """The second gauge, then a hand dip; the failed level itself when neither is usable."""
    if second.value is not None:
        name = "the second gauge" if plan.second_gauge is None else f"the second gauge, {plan.second_gauge.name},"
        other = "" if plan.gauge is None else f" for {plan.gauge.name}"
        taken = figure.lower(second, ReasonCode.SECOND_GAUGE_USED, f"{name} stands in{other}")
        return taken._replace(reasons=(*taken.reasons, *level.reasons)), LevelSource.SECOND_GAUGE
    dip = tank_input.dip_level
    if dip is not None and dip.value is not None and dip.quality != Quality.BAD:
        dipped = checked_level(dip.value, figure.from_input(dip), "hand dip", plan.reference_height_m)
        return dipped, LevelSource.NONE if dipped.value is None else LevelSource.DIP
    if dip is not None and dip.reason is not None:
        level = level._replace(reasons=(*level.reasons, dip.reason))
    return level, LevelSource.NONE
