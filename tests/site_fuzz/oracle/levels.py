"""The level above the datum: gauges, or the pressure of the column; and free water below it. Rules as decided."""

from collections.abc import Callable

from tests.site_fuzz.oracle.columns import column_of
from tests.site_fuzz.oracle.corrected import OutsideError
from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, Expected, best_of, of_said
from tests.site_fuzz.oracle.volumes import heel_of, table_volume
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN, Said, Shown
from tests.site_fuzz.tanks import Gauge, Tank

__all__ = ["LOWEST", "at_end", "by_pressure", "free_water", "gauged", "head_of", "volume_at", "water_level"]

LOWEST = -0.020
_LEAST_HEAD = 0.1


def gauged(tank: Tank, gauge: Gauge, said: Said | None, growth: float) -> Expected:
    """Innage + offset, or reference height - ullage + offset, with the reference height of a shell as warm as it is.

    Below -20 mm or above the reference height there is no level; up to a step of the gauge beyond it, that end.
    """
    given = of_said(said)
    if given.value is None:
        return LOST
    step = max(0.001, gauge.signal.step)
    high = tank.reference_height + growth
    level = given.value + gauge.offset if gauge.measures == "innage" else high - given.value + gauge.offset
    if level < LOWEST - 1e-9:
        return LOST
    if level > max(high, tank.reference_height) + step:
        return LOST
    # The growth of a shell is found by rounds, to a ten-thousandth of a millimetre; where an element comes in or goes
    # out with it, two levels some micrometres apart are both right.
    marks = [each.height + tank.margin * share for each in tank.elements for share in (1.0, 2.0 / 3.0)]
    rounds = 2e-5 if any(abs(level - mark) < 1e-4 for mark in marks) else 2e-7
    near_the_point = level > min(high, tank.reference_height) - 1e-6
    tolerance = 1e-9 + (rounds if growth else 0.0) + (abs(growth) if near_the_point else 0.0)
    return Expected(min(level, max(high, tank.reference_height)), given.best, tolerance)


def at_end(tank: Tank, level: Expected, step: float) -> Expected:
    """A level that is no more than a step of its instrument beyond an end of the volumes is that end."""
    if level.value is None:
        return level
    end = min(max(level.value, tank.bottom), tank.top)
    return level._replace(value=end) if abs(end - level.value) <= step else level


def volume_at(tank: Tank, level: Expected, step: float) -> Expected:
    """V(level); within a step beyond an end of the volumes that end, further beyond nothing."""
    if level.value is None:
        return LOST if level.best == BAD else Expected(None, level.best)
    height = level.value
    if not tank.bottom - step <= height <= tank.top + step:
        return LOST
    within = min(max(height, tank.bottom), tank.top)
    volume = table_volume(tank, within)
    low = table_volume(tank, max(tank.bottom, within - level.tolerance))
    high = table_volume(tank, min(tank.top, within + level.tolerance))
    return Expected(volume, level.best, high - low + 2e-9 * table_volume(tank, tank.top))


def head_of(tank: Tank, shown: Shown) -> Expected:
    """Pressure at the nozzle less that above the liquid, Pa gauge."""
    bottom, vapour = of_said(shown.bottom_pa), of_said(shown.vapour_pa)
    if bottom.value is None or (tank.vapour_pressure is not None and vapour.value is None):
        return LOST
    return Expected(bottom.value - (vapour.value or 0.0), best_of(bottom, vapour), 1e-6)


def by_pressure(tank: Tank, shown: Shown, density_at: Callable[[float, float], Expected], water: Expected) -> Expected:
    """The level at the density that belongs to the level itself. `density_at`: of a level and the gas's pressure.

    With hardly any liquid above the nozzle the tank may be empty: a transmitter's zero drifts by as much.
    """
    pressure = head_of(tank, shown)
    if pressure.value is None:
        return LOST
    gas_pa = 0.0 if shown.vapour_pa is None or shown.vapour_pa.value is None else shown.vapour_pa.value
    column, water_m = column_of(tank, gas_pa), water.value or 0.0
    level, best = column.level(pressure.value, 900.0, water_m), pressure.best
    for _ in range(12):
        try:
            density = density_at(level, gas_pa if tank.pressurised else 0.0)
        except OutsideError:
            return LOST
        if density.value is None:
            return LOST if density.best == BAD else Expected(None, density.best)
        level = column.level(pressure.value, density.value, water_m)
        best = max(pressure.best, density.best)
    if water.best != GOOD or level - column.nozzle < _LEAST_HEAD - 1e-6 or level < water_m:
        best = max(best, UNCERTAIN)
    if not LOWEST <= level <= tank.reference_height + 0.001:
        return LOST
    return Expected(min(level, tank.reference_height), best, 5e-6)


def water_level(tank: Tank, shown: Shown, level: Expected) -> Expected:
    """By probe or dip: Bad above the level or below -20 mm."""
    if tank.water == "none":
        return NOT_APPLICABLE
    given = of_said(shown.water) if tank.water == "probe" else Expected(shown.dip_water, tolerance=1e-9)
    if given.value is None:
        # The last Good level may stand in for a probe that is lost, Uncertain.
        return Expected(None, UNCERTAIN if given.best == BAD else given.best)
    if given.value < LOWEST or given.value > tank.reference_height:
        return LOST
    # A step of either instrument is no water above the liquid.
    steps = level.tolerance + max(0.001, tank.gauge.signal.step if tank.gauge.measures != "pressure" else 0.0)
    if level.value is not None and given.value > max(0.0, level.value) + steps:
        return LOST
    if level.value is not None and given.value > level.value:
        return Expected(level.value, given.best, given.value - level.value + level.tolerance + 1e-9)
    return given


def free_water(tank: Tank, water: Expected, shown: Shown) -> Expected:
    """V(water level); what a heel holds where no water stands above it must be declared, else nobody knows."""
    if tank.water == "none":
        return NOT_APPLICABLE
    if water.best != 0 and water.value is None:
        return Expected(None, water.best)
    heel = heel_of(tank)
    undeclared = heel > 0.0 and tank.heel_holds is None
    if water.value is None or water.value < tank.bottom:
        volume = heel if tank.heel_holds == "water" else 0.0
    else:
        volume = table_volume(tank, min(water.value, tank.top))
        if tank.heel_holds == "product":
            volume = max(0.0, volume - heel)
    # Water above a heel of product: it is the heavier, and cannot stay there.
    above_product = heel > 0.0 and tank.heel_holds == "product" and (water.value or 0.0) > 0.003
    best = UNCERTAIN if undeclared or above_product else water.best
    return Expected(volume, max(best, water.best), 2e-9 * table_volume(tank, tank.top))
