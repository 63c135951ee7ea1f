"""A density as a person entered it: where it holds, once the glass of a hydrometer is corrected for (section a)."""

from tests.site_fuzz.oracle.corrected import Fixed
from tests.site_fuzz.oracle.methods import fix
from tests.site_fuzz.tanks import Density, Tank

__all__ = ["fix_entered"]

_60F_C = 28.0 / 1.8


def glass(made_for_c: float, celsius: float) -> float:
    """What a reading is multiplied by: of a hydrometer for 60 degF in degF from there, of others in degC."""
    if abs(made_for_c - _60F_C) < 1e-9:
        dt = 1.8 * celsius + 32.0 - 60.0
        return 1.0 - 1.278e-5 * dt - 6.2e-9 * dt**2
    dt = celsius - made_for_c
    return 1.0 - 2.3e-5 * dt - 2e-8 * dt**2


def fix_entered(tank: Tank, density: Density, value: float, tank_c: float, gauge_pa: float) -> Fixed:
    """The product whose density was read as `value`; at tank temperature it is `tank_c` and `gauge_pa` that count."""
    if density.at == "reference":
        return fix(tank.product, value)
    if density.at == "tank":
        return fix(tank.product, value, tank_c, gauge_pa)
    at_c = float(density.at)
    if density.made_for_c is not None:
        value *= glass(density.made_for_c, at_c)
    reference_c = tank.product.method.reference_c
    return fix(tank.product, value, None if reference_c is not None and abs(at_c - reference_c) < 1e-6 else at_c)
