"""Which density counts, as entered or as measured by pressure, and what the method makes of it."""

from collections.abc import Callable
from typing import NamedTuple

from tests.site_fuzz.oracle.columns import column_of
from tests.site_fuzz.oracle.corrected import Corrected, Fixed, OutsideError
from tests.site_fuzz.oracle.entered import fix_entered
from tests.site_fuzz.oracle.expected import LOST, NOT_APPLICABLE, Expected, best_of
from tests.site_fuzz.oracle.levels import head_of
from tests.site_fuzz.oracle.methods import fix, needs_density
from tests.site_fuzz.products import Coefficient, Petroleum1980, Petroleum2004
from tests.site_fuzz.states import BAD, GOOD, UNCERTAIN, Shown
from tests.site_fuzz.tanks import Hybrid, Tank

__all__ = ["Basis", "Correction", "basis_of", "corrected", "density_figures"]


class Basis(NamedTuple):
    """`fixed` at a temperature and pressure: a density observed in the tank is fixed by both."""

    fixed: Callable[[float, float], Fixed]
    best: int
    """Of the density itself; Good where none has to be given."""
    given: Expected
    """The reference density as the sheet shows it, where it is given as such."""
    needed: bool
    off: float = 0.0
    """By how much the density itself may be off, kg/m3."""

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        """Raises OutsideError."""
        return self.fixed(celsius, gauge_pa).at(celsius, gauge_pa)


class Correction(NamedTuple):
    ctl: Expected
    cpl: Expected
    reference: Expected
    observed: Expected


def basis_of(tank: Tank) -> Basis:
    product, density = tank.product, tank.density
    if not needs_density(product) or density is None:
        own = fix(product, None)
        value = own.reference_density
        return Basis(lambda _c, _p: own, GOOD, Expected(value, GOOD, 1e-6), needed=False)
    best = GOOD if density.dated else UNCERTAIN
    if density.at == "tank":
        observed = density
        return Basis(lambda c, p: fix_entered(tank, observed, observed.value, c, p), best, NOT_APPLICABLE, needed=True)
    entered = fix_entered(tank, density, density.value, 0.0, 0.0)
    return Basis(lambda _c, _p: entered, best, Expected(entered.reference_density, best, 1e-6), needed=True)


def corrected(tank: Tank, basis: Basis, temperature: Expected, pressure: Expected) -> Correction:
    """CTL, CPL and densities; where the method does not hold, nothing can be Good."""
    has_reference = tank.product.method.reference_c is not None
    state = (temperature, pressure) if tank.pressurised else (temperature,)
    best = best_of(*state)
    unknown = temperature.value is None or (tank.pressurised and pressure.value is None)
    lost = Expected(None, best) if unknown and best != GOOD else LOST
    none = NOT_APPLICABLE if not has_reference else lost
    cpl_one = Expected(1.0, GOOD, 1e-12)
    if unknown or temperature.value is None:
        reference = basis.given if basis.given.enters or not basis.needed else lost
        return Correction(none, cpl_one if has_reference and not tank.pressurised else none, reference, lost)
    gauge_pa = pressure.value if tank.pressurised and pressure.value is not None else 0.0
    try:
        fixed = basis.fixed(temperature.value, gauge_pa)
        result = fixed.at(temperature.value, gauge_pa)
    except OutsideError:
        reference = basis.given if basis.given.enters or not basis.needed else LOST
        gone = LOST if has_reference else NOT_APPLICABLE
        return Correction(gone, gone if tank.pressurised else (cpl_one if has_reference else gone), reference, LOST)
    by_density = max(best, basis.best)
    slack = 2e-9 + result.slack + 3e-3 * temperature.tolerance + basis.off / result.observed
    observed = Expected(result.observed, by_density, result.observed * slack)
    reference = basis.given
    if not basis.given.enters and basis.needed:
        value = fixed.reference_density
        reference = NOT_APPLICABLE if value is None else Expected(value, by_density, value * slack)
    if result.ctl is None or result.cpl is None:
        return Correction(NOT_APPLICABLE, NOT_APPLICABLE, reference, observed)
    own_best = best if _ctl_is_free_of_density(tank) else by_density
    cpl = Expected(result.cpl, own_best, 2e-9 + result.slack) if tank.pressurised else cpl_one
    return Correction(Expected(result.ctl, own_best, result.ctl * slack), cpl, reference, observed)


def _ctl_is_free_of_density(tank: Tank) -> bool:
    method = tank.product.method
    return isinstance(method, Coefficient) or (
        isinstance(method, Petroleum2004 | Petroleum1980) and method.group == "special"
    )


def density_figures(
    tank: Tank, shown: Shown, entered: Basis, level: Expected, water: Expected, temperature: Expected
) -> tuple[Basis, dict[str, Expected]]:
    """The basis in force, and the two figures of the measured density."""
    hybrid = tank.hybrid
    if hybrid is None:
        return entered, {"measured_density": NOT_APPLICABLE, "density_difference": NOT_APPLICABLE}
    measured = _measured(tank, hybrid, shown, level, water)
    difference, apart = _difference(hybrid, measured, entered, temperature)
    figures = {"measured_density": measured, "density_difference": difference}
    if not hybrid.in_use:
        return entered._replace(best=max(entered.best, UNCERTAIN)) if apart else entered, figures
    if measured.value is None:
        # The last measured density stands in, or the entered one: doubtful either way.
        return Basis(entered.fixed, UNCERTAIN, Expected(None, UNCERTAIN), needed=True), figures
    value = measured.value
    best = max(measured.best, UNCERTAIN if apart else GOOD)
    in_use = Basis(
        lambda c, p: fix(tank.product, value, c, p), best, NOT_APPLICABLE, needed=True, off=measured.tolerance
    )
    return in_use, figures


def _measured(tank: Tank, hybrid: Hybrid, shown: Shown, level: Expected, water: Expected) -> Expected:
    """(P1 - P3)/g with the heads of gas and air, over the height of liquid (section j)."""
    pressure = head_of(tank, shown)
    if pressure.value is None or level.value is None:
        return LOST if BAD in (pressure.best, level.best) else Expected(None, UNCERTAIN)
    water_m = water.value or 0.0
    height = level.value - max(hybrid.nozzle, water_m)
    if height < hybrid.minimum_head - 1e-6:
        return LOST
    gas_pa = 0.0 if shown.vapour_pa is None or shown.vapour_pa.value is None else shown.vapour_pa.value
    density = column_of(tank, gas_pa).density(pressure.value, level.value, water_m)
    if density <= 0.0:
        return LOST
    best = max(best_of(pressure, level), UNCERTAIN if water.best != GOOD else GOOD)
    return Expected(density, best, 1e-6 + density * (level.tolerance + water.tolerance) / height)


def _difference(hybrid: Hybrid, measured: Expected, entered: Basis, temperature: Expected) -> tuple[Expected, bool]:
    """And whether the two densities are further apart than the limit."""
    if measured.value is None or temperature.value is None:
        return NOT_APPLICABLE, False
    try:
        there = entered.at(temperature.value, 0.0).observed
    except OutsideError:
        return LOST, False
    value = measured.value - there
    # A column with water in it bears no witness against the entered density.
    apart = abs(value) > hybrid.difference_limit + 1e-6 and measured.best == GOOD
    best = max(measured.best, temperature.best, entered.best, UNCERTAIN if apart else GOOD)
    return Expected(value, best, measured.tolerance + 1e-6 + there * 3e-3 * temperature.tolerance), apart
