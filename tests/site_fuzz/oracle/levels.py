"""The level above the datum: gauges, or the pressure of the column; and free water below it. Rules as decided."""

from collections.abc import Callable

from tests.site_fuzz.oracle.corrected import OutsideError
from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, Expected, best_of, of_said
from tests.site_fuzz.oracle.volumes import heel_of, table_volume
from tests.site_fuzz.states import BAD, UNCERTAIN, Said, Shown
from tests.site_fuzz.tanks import Gauge, Tank

__all__ = ["AIR", "LOWEST", "at_end", "by_pressure", "column", "free_water", "gauged", "volume_at", "water_level"]

AIR = 1.2
"""kg/m3 of outside air, which stands beside the column of a vented tank."""
LOWEST = -0.020


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
    tolerance = 1e-9 + (abs(growth) if level > tank.reference_height else 0.0)
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


def column(tank: Tank, shown: Shown) -> Expected:
    """Pressure at the nozzle less that above the liquid, Pa gauge."""
    bottom, vapour = of_said(shown.bottom_pa), of_said(shown.vapour_pa)
    if bottom.value is None or (tank.vapour_pressure is not None and vapour.value is None):
        return LOST
    return Expected(bottom.value - (vapour.value or 0.0), best_of(bottom, vapour), 1e-6)


def outside_air(tank: Tank) -> float:
    """Of a tank that is open to the air; with gas above the liquid its pressure is measured, or it is said so."""
    return AIR if tank.vapour_pressure is None and not tank.blanketed else 0.0


def by_pressure(tank: Tank, pressure: Expected, density_at: Callable[[float], Expected], water: Expected) -> Expected:
    """Level = nozzle + P / (g (rho - air)), at the density that belongs to the level itself."""
    if pressure.value is None or pressure.value <= 0.0:
        return LOST
    nozzle = tank.gauge.nozzle
    level = nozzle + pressure.value / (tank.gravity * 900.0)
    best = pressure.best
    for _ in range(12):
        try:
            density = density_at(level)
        except OutsideError:
            return LOST
        if density.value is None:
            return LOST if density.best == BAD else Expected(None, density.best)
        level = nozzle + pressure.value / (tank.gravity * (density.value - outside_air(tank)))
        best = max(pressure.best, density.best)
    if water.value is not None and water.value > nozzle:
        best = max(best, UNCERTAIN)
    if water.best == BAD:
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
    if level.value is not None and given.value > level.value + steps:
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
    best = UNCERTAIN if undeclared else water.best
    return Expected(volume, max(best, water.best), 2e-9 * table_volume(tank, tank.top))
