"""Products whose density follows from temperature and composition: water, ethanol, solutions, lines and points, oils.

Sections i and the constants at the end; the monotone cubic is SciPy's (Fritsch and Butland 1984), the grid SciPy's
bilinear interpolation.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import PchipInterpolator, RegularGridInterpolator
from scipy.optimize import brentq

from tests.site_fuzz.oracle.air import vacuo_from_air
from tests.site_fuzz.oracle.corrected import Corrected, OutsideError, within
from tests.site_fuzz.oracle.petroleum_2004 import ipts68
from tests.site_fuzz.products import (
    Coefficient,
    Ethanol,
    LitreWeight,
    LitreWeights,
    Points,
    Product,
    Solution,
    StraightLine,
    WaterItself,
)

__all__ = ["ByTemperature", "FixedCoefficient", "by_temperature", "fix_coefficient", "fix_ethanol", "fix_solution"]

PURE_ETHANOL = 789.24
_A = (
    998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388, 306287.4042, -613838.1234,
    747017.2998, -547846.1354, 223446.0334, -39032.85426,
)  # fmt: skip
_B = (-0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11)
_C = (
    (
        0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
        -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701, 0.2517399633803461, -2.170575700536993, 13.53034988843029, -50.29988758547014,
        109.635566657757, -142.2753946421155, 108.043594285623, -44.14153236817392, 7.442971530188783,
    ),
    (
        -0.0006802995733503803, 0.01876837790289664, -0.2002561813734156, 1.02299296671922, -2.895696483903638,
        4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812,
    ),
    (4.075376675622027e-06, -8.76305857347111e-06, 6.515031360099368e-06, -1.51578483698721e-06),
    (-2.788074354782409e-08, 1.345612883493354e-08),
)  # fmt: skip


_FREEZING = ((0.0, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30), (0.0, -2.09, -4.47, -7.36, -10.92, -15.4, -20.47))
"""By mass fraction, degC (CRC Handbook of Chemistry and Physics, aqueous solutions of ethanol; from memory)."""
_NEARLY_C = 0.4
"""The straight lines between so few rows miss the curve by less than this."""


class ByTemperature(NamedTuple):
    """A density that follows from the temperature alone, and a reference temperature where one is declared."""

    density: Callable[[float], float]
    """Raises OutsideError."""
    reference_c: float | None

    @property
    def reference_density(self) -> float | None:
        return None if self.reference_c is None else self.density(self.reference_c)

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        observed, reference = self.density(celsius), self.reference_density
        return Corrected(None, None, observed) if reference is None else Corrected(observed / reference, 1.0, observed)


class FixedCoefficient(NamedTuple):
    method: Coefficient
    reference_density: float

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        ctl = _coefficient_ctl(self.method, celsius)
        return Corrected(ctl, 1.0, self.reference_density * ctl)


def _coefficient_ctl(method: Coefficient, celsius: float) -> float:
    """Beyond the range that is stated nobody knows; where none is stated, not beyond 50 K of the reference."""
    lowest = method.reference_c - 50.0 if method.lowest_c is None else method.lowest_c
    highest = method.reference_c + 50.0 if method.highest_c is None else method.highest_c
    within(celsius, lowest - 1e-9, highest + 1e-9, "temperature")
    x = method.alpha_per_c * (celsius - method.reference_c)
    return math.exp(-x * (1.0 + 0.8 * x))


def fix_coefficient(method: Coefficient, density: float, at_c: float | None) -> FixedCoefficient:
    return FixedCoefficient(method, density if at_c is None else density / _coefficient_ctl(method, at_c))


@lru_cache(maxsize=512)
def by_temperature(product: Product) -> ByTemperature:
    """Of a product that takes no density from outside."""
    method = product.method
    match method:
        case StraightLine():
            return ByTemperature(_line(method), method.reference_c)
        case Points():
            return ByTemperature(_points(method), method.reference_c)
        case WaterItself():
            return ByTemperature(_tanaka if method.equation == "tanaka" else _kell, method.reference_c)
        case LitreWeight() | LitreWeights():
            return ByTemperature(_oil(method, product), None)
        case Ethanol():
            return ByTemperature(_spirit(_strength(method)), method.reference_c)
        case Solution():
            assert method.fraction is not None
            return ByTemperature(_solution(method, method.fraction), method.reference_c)
        case _:
            raise AssertionError(method)


def _line(method: StraightLine) -> Callable[[float], float]:
    def density(celsius: float) -> float:
        within(celsius, method.lowest_c, method.highest_c, "temperature")
        return method.density + method.slope * (celsius - method.at_c)

    return density


def _points(method: Points) -> Callable[[float], float]:
    temperatures, densities = np.array(method.temperatures_c), np.array(method.densities)
    smooth = PchipInterpolator(temperatures, densities) if method.cubic else None

    def density(celsius: float) -> float:
        within(celsius, method.temperatures_c[0], method.temperatures_c[-1], "temperature")
        return float(np.interp(celsius, temperatures, densities) if smooth is None else smooth(celsius))

    return density


def _tanaka(t: float) -> float:
    within(t, 0.0, 40.0, "temperature")
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def _kell(celsius: float) -> float:
    within(celsius, 0.0, 150.0, "temperature")
    t = ipts68(celsius)
    above = (
        999.83952
        + 16.945176 * t
        - 7.9870401e-3 * t**2
        - 46.170461e-6 * t**3
        + 105.56302e-9 * t**4
        - 280.54253e-12 * t**5
    )
    return above / (1.0 + 16.879850e-3 * t)


def _oil(method: LitreWeight | LitreWeights, product: Product) -> Callable[[float], float]:
    """In vacuo, so that the volume times the litre weight is the weight in air again."""

    def density(celsius: float) -> float:
        if isinstance(method, LitreWeight):
            within(celsius, method.at_c - method.span_c, method.at_c + method.span_c, "temperature")
            return vacuo_from_air(method.weight + method.slope * (celsius - method.at_c), product)
        within(celsius, method.temperatures_c[0], method.temperatures_c[-1], "temperature")
        if method.nearest_row:
            # Half way between two rows the warmer one is read.
            distances = [abs(celsius - each) - (1e-9 * i) for i, each in enumerate(method.temperatures_c)]
            return vacuo_from_air(method.weights[distances.index(min(distances))], product)
        return vacuo_from_air(float(np.interp(celsius, method.temperatures_c, method.weights)), product)

    return density


def _mixture(p: float) -> Callable[[float], float]:
    """R 22 as it stands, which knows nothing of ice."""
    terms = [sum(a * p**k for k, a in enumerate(_A))]
    for i, b in enumerate(_B):
        terms.append(b + (sum(c * p ** (k + 1) for k, c in enumerate(_C[i])) if i < len(_C) else 0.0))
    return lambda celsius: sum(term * (celsius - 20.0) ** power for power, term in enumerate(terms))


def _spirit(p: float) -> Callable[[float], float]:
    mixture, frozen_c = _mixture(p), float(np.interp(p, *_FREEZING)) - _NEARLY_C

    def density(celsius: float) -> float:
        within(celsius, max(-20.0, frozen_c), 40.0, "temperature")
        return mixture(celsius)

    return density


def _strength(method: Ethanol) -> float:
    """By mass: q = p rho20(p) / 789.24."""
    if method.by_mass is not None:
        return method.by_mass
    volume = method.by_volume
    assert volume is not None
    if volume >= _mixture(1.0)(20.0) / PURE_ETHANOL:
        return 1.0
    return float(brentq(lambda p: p * _mixture(p)(20.0) / PURE_ETHANOL - volume, 0.0, 1.0, xtol=1e-15))


@lru_cache(maxsize=1024)
def fix_ethanol(method: Ethanol, density: float, at_c: float | None) -> ByTemperature:
    """The strength from a density."""
    state_c = method.reference_c if at_c is None else at_c
    within(state_c, -20.0, 40.0, "temperature")
    heaviest, lightest = _mixture(0.0)(state_c), _mixture(1.0)(state_c)
    within(density, lightest - 1e-8, heaviest + 1e-8, "density")
    if not lightest < density < heaviest:
        return ByTemperature(_spirit(0.0 if density >= heaviest else 1.0), method.reference_c)
    p = float(brentq(lambda each: _mixture(each)(state_c) - density, 0.0, 1.0, xtol=1e-15))
    fixed = ByTemperature(_spirit(p), method.reference_c)
    if at_c is not None:
        fixed.density(at_c)  # frozen, it has no density
    return fixed


@lru_cache(maxsize=256)
def _grid(method: Solution) -> RegularGridInterpolator:
    return RegularGridInterpolator((method.fractions, method.temperatures_c), np.array(method.densities))


def _solution(method: Solution, fraction: float) -> Callable[[float], float]:
    within(fraction, method.fractions[0], method.fractions[-1], "mass fraction")
    grid = _grid(method)
    # At one strength the bilinear surface is made of straight lines between the temperatures.
    column = [float(grid((fraction, each))) for each in method.temperatures_c]

    def density(celsius: float) -> float:
        within(celsius, method.temperatures_c[0], method.temperatures_c[-1], "temperature")
        return float(np.interp(celsius, method.temperatures_c, column))

    return density


@lru_cache(maxsize=1024)
def fix_solution(method: Solution, density: float, at_c: float | None) -> ByTemperature:
    """The strength from a density."""
    state_c = method.reference_c if at_c is None else at_c
    if state_c is None:
        raise OutsideError("a density at reference, and no reference temperature")
    within(state_c, method.temperatures_c[0], method.temperatures_c[-1], "temperature")
    state_c = min(max(state_c, method.temperatures_c[0]), method.temperatures_c[-1])
    grid = _grid(method)
    along = [float(grid((each, state_c))) for each in method.fractions]
    within(density, min(along), max(along), "density")
    order = 1 if along[-1] > along[0] else -1
    fraction = float(np.interp(density, along[::order], method.fractions[::order]))
    return ByTemperature(_solution(method, fraction), method.reference_c)
