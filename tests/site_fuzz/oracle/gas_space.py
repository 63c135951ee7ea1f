"""Vapour above a liquefied gas: P M/(Z R T), or a published equation of state; liquid and vapour together."""

import math

from tests.site_fuzz.oracle.corrected import KELVIN
from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, OPEN, Expected, best_of
from tests.site_fuzz.oracle.gas import vapour_density, vapour_pressure
from tests.site_fuzz.oracle.volumes import full_volume
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN
from tests.site_fuzz.tanks import Tank

__all__ = ["EQUATION_OF_STATE", "vapour_figures"]

EQUATION_OF_STATE = 0.03
"""How far an equation of state of the trade may be from the reference equation."""
_R = 8.314462618


def vapour_figures(
    tank: Tank, tov: Expected, pressure: Expected, vapour_c: Expected, liquid_c: Expected, mass: Expected
) -> dict[str, Expected]:
    if tank.vapour is None:
        none = NOT_APPLICABLE
        return {"vapour_density": none, "vapour_mass": none, "total_mass": none}
    density = _density(tank, pressure, vapour_c if vapour_c.enters else liquid_c)
    if density.value is None or tov.value is None:
        best = best_of(density, tov)
        vapour = LOST if best == BAD else Expected(None, max(UNCERTAIN, best))
    else:
        space = max(0.0, full_volume(tank) - tov.value)
        tolerance = space * density.tolerance + tov.tolerance * density.value
        vapour = Expected(space * density.value, best_of(density, tov), tolerance + 1e-6)
    if vapour.value is None or mass.value is None:
        # A vapour pressure that is lost need not take the liquid's mass with it: the effect can be bounded.
        best = BAD if mass.best == BAD else UNCERTAIN
        return {"vapour_density": density, "vapour_mass": vapour, "total_mass": Expected(None, best)}
    total = Expected(vapour.value + mass.value, best_of(vapour, mass), vapour.tolerance + mass.tolerance)
    return {"vapour_density": density, "vapour_mass": vapour, "total_mass": total}


def _density(tank: Tank, pressure: Expected, celsius: Expected) -> Expected:
    vapour = tank.vapour
    assert vapour is not None
    if vapour.density is not None:
        return Expected(vapour.density, GOOD, 1e-9)
    if celsius.tolerance == math.inf:
        return OPEN
    best = best_of(pressure, celsius)
    if pressure.value is None or celsius.value is None:
        return LOST if best == BAD else Expected(None, max(UNCERTAIN, best))
    absolute_pa = pressure.value + vapour.atmosphere
    if absolute_pa <= 0.0:
        return LOST
    if vapour.component is not None:
        density = vapour_density(vapour.component, absolute_pa, celsius.value)
        # Above saturation at the temperature that is measured there is no gas, and no two equations need agree.
        beyond = max(0.0, absolute_pa / vapour_pressure(vapour.component, celsius.value) - 1.0)
        return Expected(density, best, (EQUATION_OF_STATE + beyond) * density)
    assert vapour.molar_mass is not None
    density = absolute_pa * vapour.molar_mass / (vapour.z * _R * (celsius.value + KELVIN))
    return Expected(density, best, 1e-7 * density + density * celsius.tolerance)
