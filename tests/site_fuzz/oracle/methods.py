"""Every method of correction behind one door, with the rounding of its standard where the product asks for it."""

from functools import lru_cache
from typing import NamedTuple

from tests.site_fuzz.oracle.by_temperature import by_temperature, fix_coefficient, fix_ethanol, fix_solution
from tests.site_fuzz.oracle.corrected import PSI, Corrected, Fixed, nearest
from tests.site_fuzz.oracle.lpg import fix_lpg
from tests.site_fuzz.oracle.petroleum_1980 import fix_1980
from tests.site_fuzz.oracle.petroleum_2004 import fix_2004
from tests.site_fuzz.products import Coefficient, Ethanol, Lpg, Petroleum1980, Petroleum2004, Product, Solution

__all__ = ["fix", "needs_density"]

_60F_C = 28.0 / 1.8


def needs_density(product: Product) -> bool:
    """Whether somebody has to give a density, or the temperature alone tells it."""
    method = product.method
    match method:
        case Petroleum2004() | Petroleum1980() | Lpg() | Coefficient():
            return True
        case Ethanol():
            return method.by_mass is None and method.by_volume is None
        case Solution():
            return method.fraction is None
        case _:
            return False


def fix(product: Product, density: float | None, at_c: float | None = None, gauge_pa: float = 0.0) -> Fixed:
    """The product at a density given at reference, or at `at_c` and `gauge_pa`. Raises OutsideError."""
    if not product.rounded or density is None:
        return _fix(product, density, at_c, gauge_pa)
    steps = _steps(product)
    if steps is None:
        return _fix(product, density, at_c, gauge_pa)
    if at_c is not None:
        given = steps.density_of(density)
        solved = _fix(product, given, steps.temperature(at_c), steps.pressure_of(gauge_pa))
        density = solved.reference_density
        assert density is not None
    return Rounded(_fix(product, steps.density_of(density), None, 0.0), steps)


def _fix(product: Product, density: float | None, at_c: float | None, gauge_pa: float) -> Fixed:
    method = product.method
    if density is None:
        return by_temperature(product)
    match method:
        case Petroleum2004():
            return fix_2004(method, density, at_c, gauge_pa)
        case Petroleum1980():
            return fix_1980(method, density, at_c, gauge_pa)
        case Lpg():
            return fix_lpg(method, density, at_c)
        case Coefficient():
            return fix_coefficient(method, density, at_c)
        case Ethanol():
            return fix_ethanol(method, density, at_c)
        case Solution():
            return fix_solution(method, density, at_c)
        case _:
            raise AssertionError(method)


class Steps(NamedTuple):
    """By what a standard rounds what goes in, and the decimals of its factors. 0: not at all."""

    density: float
    celsius: float
    fahrenheit: float
    pressure: float
    decimals: int
    relative_to: float = 1.0
    """The density step counts in this many kg/m3: of relative density it is water at 60 degF."""

    def density_of(self, density: float) -> float:
        return nearest(density / self.relative_to, self.density) * self.relative_to if self.density else density

    def temperature(self, celsius: float) -> float:
        if self.fahrenheit:
            return (nearest(1.8 * celsius + 32.0, self.fahrenheit) - 32.0) / 1.8
        return nearest(celsius, self.celsius)

    def pressure_of(self, gauge_pa: float) -> float:
        return nearest(gauge_pa, self.pressure) if self.pressure else gauge_pa


@lru_cache(maxsize=512)
def _steps(product: Product) -> Steps | None:
    """API MPMS 11.1 (2004): 0.1 kg/m3, 0.1 degF or 0.05 degC, 1 psi or 5 kPa, 5 decimals; the tables of 1980 have steps
    of density of their own and 4 decimals; GPA TP-27: 0.1 kg/m3 and 0.05 degC, to 60 degF 0.0001 of relative density
    and 0.1 degF, 5 decimals (all from memory)."""
    method = product.method
    if not isinstance(method, Petroleum2004 | Petroleum1980 | Lpg):
        return None
    by_f = abs(method.reference_c - _60F_C) < 1e-9
    celsius, fahrenheit = (0.0, 0.1) if by_f else (0.05, 0.0)
    match method:
        case Petroleum2004():
            return Steps(0.1, celsius, fahrenheit, PSI if by_f else 5000.0, 5)
        case Petroleum1980():
            return Steps(0.0, celsius, fahrenheit, PSI if by_f else 5000.0, 4)
        case Lpg():
            return Steps(0.0001, 0.0, 0.1, 0.0, 5, 999.016) if by_f else Steps(0.1, 0.05, 0.0, 0.0, 5)


class Rounded(NamedTuple):
    fixed: Fixed
    steps: Steps

    @property
    def reference_density(self) -> float | None:
        return self.fixed.reference_density

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        exact = self.fixed.at(self.steps.temperature(celsius), self.steps.pressure_of(gauge_pa))
        reference = self.fixed.reference_density
        if exact.ctl is None or exact.cpl is None or reference is None:
            return exact
        step = 10.0**-self.steps.decimals
        ctl, cpl = nearest(exact.ctl, step), nearest(exact.cpl, step)
        # Where two answers are open before rounding, they may be a step apart after it.
        slack = 1.01 * step if exact.slack else 0.0
        return Corrected(ctl, cpl, reference * ctl * cpl, slack)
