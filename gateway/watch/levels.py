"""The levels that alarms judge: of every gauge with a value, not only of the one that the sheet goes on with.

A true high is never hidden by the choice of a gauge, by a doubt, or by a sheet that failed: high limits are judged by
the highest level that any valid gauge gives, low ones by the lowest. A level that is Bad because no liquid can stand so
high, or so low, has a reason that is one itself.
"""

from typing import NamedTuple

from gateway.calculation.door import admitted
from gateway.calculation.level.chain import checked_level, gauge_level
from gateway.calculation.plan import GaugePlan, HeadPlan, TankPlan
from gateway.records import Figure, Input, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.sources import LevelSource

__all__ = ["Levels", "in_maintenance", "levels_of", "maintenance_of_level"]

_GOOD = Quality.GOOD
_BAD = Quality.BAD
_ABOVE = ReasonCode.ABOVE_REFERENCE_HEIGHT
_BELOW = ReasonCode.BELOW_DATUM
_FAILED = ReasonCode.CALCULATION_FAILED
_IN_MAINTENANCE = ReasonCode.IN_MAINTENANCE
_BY_SECOND = LevelSource.SECOND_GAUGE
_BY_DIP = LevelSource.DIP

_new = tuple.__new__


class Levels(NamedTuple):
    """In m above the datum; None where no gauge gives a level. The `sure` ones leave out gauges in maintenance."""

    highest_m: float | None
    lowest_m: float | None
    above: Reason | None
    """A gauge says more than can be."""
    below: Reason | None
    """A gauge says less than can be."""
    sure_highest_m: float | None
    sure_lowest_m: float | None
    sure_above: Reason | None
    sure_below: Reason | None
    maintenance: Reason | None
    """Of a gauge that is in maintenance."""
    only_in_maintenance: bool
    """Whether every gauge that is fitted is."""
    by_gauge: bool
    """Whether a gauge gives a level: a dip does not move."""
    by_sure_gauge: bool


class _Said(NamedTuple):
    """What one gauge says, or a dip."""

    level_m: float | None
    reasons: tuple[Reason, ...]
    """Why there is no level."""
    maintenance: Reason | None


def in_maintenance(given: Input | None) -> Reason | None:
    """Why what rests on this input alone is suppressed; None: it is not. It may be the cause of another reason."""
    if given is None or given.reason is None:
        return None
    if given.reason.code is _IN_MAINTENANCE:
        return given.reason
    causes = [value for _, value in given.reason.values if isinstance(value, Reason)]
    return next((cause for cause in causes if cause.code is _IN_MAINTENANCE), None)


def maintenance_of_level(tank: TankPlan, tank_input: TankInput, source: LevelSource) -> Reason | None:
    """That of the gauge that the level of the sheet comes from."""
    if source is _BY_DIP:
        return None
    return in_maintenance(tank_input.second_level if source is _BY_SECOND else _first_input(tank, tank_input))


def levels_of(tank: TankPlan, tank_input: TankInput, inventory: Inventory) -> Levels:
    """What every gauge of the tank says, and a dip where the sheet rests on one."""
    level = inventory.figures.level
    # What nearly every sheet is: one gauge, or two, and nothing to say of them.
    if tank.second_gauge is None and level.quality is _GOOD and inventory.sources.level is not _BY_DIP:
        level_m = level.value
        return _new(Levels, (level_m, level_m, None, None, level_m, level_m, None, None, None, False, True, True))
    second = inventory.figures.second_level
    if level.quality is _GOOD and second.quality is _GOOD and inventory.sources.level is not _BY_DIP:
        first_m, second_m = level.value, second.value
        if first_m is not None and second_m is not None and tank.gauge is not None:
            high_m, low_m = (first_m, second_m) if first_m > second_m else (second_m, first_m)
            return _new(Levels, (high_m, low_m, None, None, high_m, low_m, None, None, None, False, True, True))
    is_failed = level.value is None and bool(level.reasons) and level.reasons[0].code is _FAILED
    if is_failed:
        tank_input = admitted(tank_input)
    said: list[_Said] = []
    if tank.gauge is not None:
        is_dipped = inventory.sources.level is _BY_DIP
        density = inventory.figures.observed_density.value
        first = _by_input(tank, tank_input, density) if is_failed or is_dipped else _first(inventory)
        maintenance = in_maintenance(_first_input(tank, tank_input))
        said.append(_Said(first.value, first.reasons if first.value is None else (), maintenance))
    if tank.second_gauge is not None:
        if is_failed:
            second = gauge_level(tank_input.second_level, tank.second_gauge, tank.reference_height_m)
        said.append(_Said(second.value, second.reasons, in_maintenance(tank_input.second_level)))
    by_gauge = any(each.level_m is not None for each in said)
    by_sure = any(each.level_m is not None and each.maintenance is None for each in said)
    only = bool(said) and all(each.maintenance is not None for each in said)
    maintenance = next((each.maintenance for each in said if each.maintenance is not None), None)
    if inventory.sources.level is _BY_DIP:
        said.append(_Said(level.value, (), None))
    elif is_failed and not by_gauge and tank_input.dip_level is not None:
        said.append(_Said(tank_input.dip_level.value, (), None))
    sure = said if maintenance is None else [each for each in said if each.maintenance is None]
    return Levels(*_ends(said), *_ends(sure), maintenance, only, by_gauge, by_sure)


def _ends(said: list[_Said]) -> tuple[float | None, float | None, Reason | None, Reason | None]:
    """The highest and the lowest level, and what is said to be above or below all that can be."""
    known = [each.level_m for each in said if each.level_m is not None]
    missing = [reason for each in said if each.level_m is None for reason in each.reasons]
    above = next((reason for reason in missing if reason.code is _ABOVE), None)
    below = next((reason for reason in missing if reason.code is _BELOW), None)
    return max(known, default=None), min(known, default=None), above, below


def _first(inventory: Inventory) -> Figure:
    """What the first gauge says; where the second stands in for it, its reasons stand behind those of that one."""
    level = inventory.figures.level
    return level._replace(value=None, quality=_BAD) if inventory.sources.level is _BY_SECOND else level


def _by_input(tank: TankPlan, tank_input: TankInput, density_kg_m3: float | None) -> Figure:
    """What the first gauge says where the sheet does not tell.

    A level from pressure was Bad for a reason of its own; whether it was higher than can be is told by the weight of
    the column alone, P = rho g h, and nothing without a density.
    """
    gauge, pressure = tank.gauge, tank_input.bottom_pressure
    if isinstance(gauge, GaugePlan):
        return gauge_level(tank_input.level, gauge, tank.reference_height_m)
    lost = Figure(None, _BAD, (), 0.0)
    if gauge is None or pressure is None or pressure.value is None or pressure.quality is _BAD or not density_kg_m3:
        return lost
    above = tank_input.vapour_pressure
    gas_pa = 0.0 if above is None or above.value is None else above.value
    level_m = gauge.nozzle_height_m + (pressure.value - gas_pa) / (density_kg_m3 * tank.gravity_m_s2)
    standing = checked_level(level_m, lost, gauge.name, tank.reference_height_m, gauge.resolution_m)
    return lost if standing.value is not None else standing


def _first_input(tank: TankPlan, tank_input: TankInput) -> Input | None:
    return tank_input.bottom_pressure if isinstance(tank.gauge, HeadPlan) else tank_input.level
