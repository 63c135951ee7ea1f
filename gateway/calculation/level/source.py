"""Where the level comes from, and with it the temperature: gauge, second gauge, hand dip, or the liquid's pressure."""

from functools import lru_cache
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contents import Contents, contents_at
from gateway.calculation.density.at_temperature import DensityBasis
from gateway.calculation.level.by_pressure import level_by_pressure
from gateway.calculation.level.chain import checked_level, gauge_level
from gateway.calculation.level.reference_height import reference_height
from gateway.calculation.memory import Memory
from gateway.calculation.plan import GaugeKind, GaugePlan, HeadPlan, TankPlan, Weighting
from gateway.calculation.temperature.average import LiquidTemperature, Placement, stand_alike
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput, because
from gateway.sources import LevelSource, WaterSource

__all__ = ["LevelAndTemperature", "level_and_temperature"]

_BAD = Quality.BAD
_BY_GAUGE = LevelSource.GAUGE
_BY_PRESSURE = LevelSource.PRESSURE
_EQUAL = Weighting.EQUAL
_ULLAGE = GaugeKind.ULLAGE


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
    reference_height: Figure
    """At the temperature of the shell."""


_NO_GAUGE = Reason(ReasonCode.NOT_FITTED, "no level gauge is fitted")
_NO_SECOND = figure.not_applicable("no second gauge")
_NO_COMPARISON = figure.not_applicable("two gauges are needed for a comparison")
_ROUNDS = 3
_SETTLED_M = 1e-7


def level_and_temperature(
    plan: TankPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> LevelAndTemperature:
    """The level above the datum in m, the free-water level and the liquid's temperature at that level.

    A shell that has warmed lifts the point that ullage counts from: level and temperature then agree within a few
    rounds, since the level moves by millimetres.
    """
    height = _as_built(plan.reference_height_m)
    found = _at_height(plan, tank_input, basis, memory, now_s, height)
    if plan.shell is None:
        return found
    used_m = plan.reference_height_m
    by_ullage = _is_ullage(plan.gauge) or _is_ullage(plan.second_gauge)
    # A level that was cut off at the reference height may stand higher where that has risen.
    is_at_top = found.level.value is not None and found.level.value >= used_m
    rounds = _ROUNDS if by_ullage or is_at_top else 0
    height = reference_height(plan, found.liquid.average, tank_input.ambient)
    while rounds and height.value is not None and abs(height.value - used_m) > _SETTLED_M:
        rounds -= 1
        used_m = height.value
        liquid = found.liquid
        found = _at_height(plan, tank_input, basis, memory, now_s, height, found)
        if found.liquid is liquid:
            # The same elements in the same liquid: the height that follows from them is the one that was used.
            return found
        height = reference_height(plan, found.liquid.average, tank_input.ambient)
    return _counted_from(found._replace(reference_height=height), plan)


@lru_cache(maxsize=4096)
def _as_built(height_m: float) -> Figure:
    return figure.good(height_m, 0.0)


def _counted_from(found: LevelAndTemperature, plan: TankPlan) -> LevelAndTemperature:
    """What was counted down from the reference point is no better than what is known of its height."""
    height = found.reference_height
    if height.quality is Quality.GOOD:
        return found

    def lowered(level: Figure) -> Figure:
        return level if level.value is None else figure.derive(level.value, (level, height))

    is_ullage = {LevelSource.GAUGE: _is_ullage(plan.gauge), LevelSource.SECOND_GAUGE: _is_ullage(plan.second_gauge)}
    if is_ullage.get(found.level_source, False):
        found = found._replace(level=lowered(found.level))
    if _is_ullage(plan.second_gauge):
        found = found._replace(second_level=lowered(found.second_level))
    if _is_ullage(plan.gauge) is not _is_ullage(plan.second_gauge):
        found = found._replace(difference=lowered(found.difference))
    return found


def _is_ullage(gauge: GaugePlan | HeadPlan | None) -> bool:
    return isinstance(gauge, GaugePlan) and gauge.kind is _ULLAGE


def _stay(plan: TankPlan, before: LevelAndTemperature, level: Figure) -> bool:
    """Whether the contents found at a level a few millimetres off are the same at this one."""
    was_m, level_m, water = before.level.value, level.value, before.water_level
    if was_m is None or level_m is None or plan.temperature.weighting is not _EQUAL:
        return False
    if water.quality is _BAD or (water.value is not None and water.value > min(was_m, level_m)):
        return False
    return stand_alike(plan.temperature, was_m, level_m)


def _at_height(
    plan: TankPlan,
    tank_input: TankInput,
    basis: DensityBasis,
    memory: Memory,
    now_s: float,
    height: Figure,
    before: LevelAndTemperature | None = None,
) -> LevelAndTemperature:
    """With the reference point at `height`, in m; `before`: what was found with it some millimetres off."""
    height_m = plan.reference_height_m if height.value is None else height.value
    second, difference = _NO_SECOND, _NO_COMPARISON
    if plan.second_gauge is not None:
        second = gauge_level(tank_input.second_level, plan.second_gauge, height_m)
    found: Contents | LevelAndTemperature | None = None
    source = _BY_GAUGE
    if isinstance(plan.gauge, HeadPlan):
        level, found = level_by_pressure(plan, plan.gauge, tank_input, basis, memory, now_s)
        source = _BY_PRESSURE
    else:
        level = _level_by_gauge(plan.gauge, tank_input, height_m)
    first = level
    if plan.gauge is not None and plan.second_gauge is not None:
        difference = _difference(level, second)
    if level.value is None:
        (level, source), found = _stand_in(level, second, tank_input, plan), None
    if found is None and before is not None and _stay(plan, before, level):
        found = before
    if found is None:
        found = contents_at(plan, tank_input, memory, level, now_s)
    return LevelAndTemperature(
        level,
        source,
        first,
        second,
        difference,
        found.water_level,
        found.water_source,
        found.liquid,
        found.placed,
        height,
    )


def _level_by_gauge(gauge: GaugePlan | None, tank_input: TankInput, height_m: float) -> Figure:
    if gauge is None:
        return figure.bad(_NO_GAUGE)
    return gauge_level(tank_input.level, gauge, height_m)


def _difference(level: Figure, second: Figure) -> Figure:
    """The two gauges are compared, never averaged. Where one has no value, that is why there is no comparison."""
    if level.value is None or second.value is None:
        return figure.derive(None, (level, second))
    return figure.derive(level.value - second.value, (level, second))


def _stand_in(level: Figure, second: Figure, tank_input: TankInput, plan: TankPlan) -> tuple[Figure, LevelSource]:
    """The second gauge, then a hand dip; the failed level itself when neither is usable."""
    if second.value is not None and plan.second_gauge is not None:
        name = plan.second_gauge.name
        if plan.gauge is None:
            reason = because(ReasonCode.SECOND_GAUGE_USED, "the second gauge, {second}, stands in", second=name)
        else:
            reason = because(
                ReasonCode.SECOND_GAUGE_USED,
                "the second gauge, {second}, stands in for {first}",
                second=name,
                first=plan.gauge.name,
            )
        taken = figure.lower(second, reason)
        return taken._replace(reasons=(*taken.reasons, *level.reasons)), LevelSource.SECOND_GAUGE
    dip = tank_input.dip_level
    if dip is not None and dip.value is not None and dip.quality != Quality.BAD:
        dipped = checked_level(dip.value, figure.from_input(dip), "hand dip", plan.reference_height_m)
        return dipped, LevelSource.NONE if dipped.value is None else LevelSource.DIP
    if dip is not None and dip.reason is not None:
        level = level._replace(reasons=(*level.reasons, dip.reason))
    return level, LevelSource.NONE
