"""Vapour and liquid of light hydrocarbons by the equation of state of Peng and Robinson (1976).

P = R T/(V - b) - a/(V (V + b) + b (V - b)), Ind. Eng. Chem. Fundam. 15 (1976) 59; mixtures by one fluid with kij = 0.
Saturated vapour of C2 to C5 and their mixtures comes out within 2 % of reference equations of state up to 70 degC.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from gateway.calculation.limits import outside, require_within
from gateway.calculation.vapour.mixture import GAS_CONSTANT, KELVIN_0C, Component
from gateway.errors import LimitError

__all__ = ["CLAUSE", "BubblePoint", "bubble_point", "vapour_compressibility"]

CLAUSE = "equation of state of Peng and Robinson (1976)"
_TEMPERATURE_C = (-100.0, 150.0)
_ROOT_2 = math.sqrt(2.0)
_ROUNDS = 200
_CONVERGED = 1e-9
_ONE_PHASE = 0.05
"""Compressibility factors of liquid and vapour that are nearer to each other are no longer told apart."""


class _Substance(NamedTuple):
    """What the equation needs of a component, apart from the temperature."""

    critical_k: float
    root_attraction: float
    """Square root of a at the critical temperature, in (Pa m6)^0.5/mol."""
    kappa: float
    covolume: float
    """b in m3/mol."""


class BubblePoint(NamedTuple):
    """Where the first vapour stands over a liquid."""

    pressure_pa: float
    """Absolute."""
    vapour: tuple[float, ...]
    """Mole fractions, in the order of the liquid's components."""


@lru_cache(maxsize=64)
def _substances(components: tuple[Component, ...]) -> tuple[_Substance, ...]:
    found = []
    for each in components:
        rt = GAS_CONSTANT * each.critical_k
        kappa = 0.37464 + (1.54226 - 0.26992 * each.acentric) * each.acentric
        root = math.sqrt(0.45724 * rt * rt / each.critical_pa)
        found.append(_Substance(each.critical_k, root, kappa, 0.07780 * rt / each.critical_pa))
    return tuple(found)


def vapour_compressibility(
    components: tuple[Component, ...], fractions: Sequence[float], pressure_pa: float, temperature_c: float
) -> float:
    """Z of a vapour of mole `fractions`, which sum to 1, at an absolute pressure: the largest root of the cubic.

    Limits: -100..150 degC, and pressures at which the equation has a vapour at that temperature. Raises LimitError.
    """
    require_within("vapour temperature", temperature_c, "degC", *_TEMPERATURE_C, CLAUSE)
    if not (math.isfinite(pressure_pa) and pressure_pa >= 0.0):
        raise outside("vapour pressure, absolute", pressure_pa, "Pa", 0.0, math.inf, CLAUSE)
    kelvin = temperature_c + KELVIN_0C
    roots = _roots_of_attraction(components, kelvin)
    attraction, covolume = _mixed(components, roots, fractions, kelvin)
    factor = _factors(attraction * pressure_pa, covolume * pressure_pa)[1]
    if factor is None:
        limit = f"more than a vapour bears at {temperature_c:.1f} degC"
        raise LimitError("vapour pressure, absolute", pressure_pa, "Pa", limit, CLAUSE)
    return factor


def bubble_point(components: tuple[Component, ...], liquid: Sequence[float], temperature_c: float) -> BubblePoint:
    """Vapour pressure of a liquid of mole fractions `liquid`, which sum to 1, and the vapour over it.

    By successive substitution of K = phi_liquid/phi_vapour, beginning with the estimate of Wilson (1968). Raises
    LimitError outside -100..150 degC and at and near the critical state, where no second phase is found.
    """
    require_within("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, CLAUSE)
    kelvin = temperature_c + KELVIN_0C
    estimates = [
        each.critical_pa * math.exp(5.373 * (1.0 + each.acentric) * (1.0 - each.critical_k / kelvin))
        for each in components
    ]
    pressure_pa = sum([share * estimate for share, estimate in zip(liquid, estimates, strict=True)])
    vapour = [share * estimate / pressure_pa for share, estimate in zip(liquid, estimates, strict=True)]
    roots = _roots_of_attraction(components, kelvin)
    for _ in range(_ROUNDS):
        below = _phase(components, roots, liquid, kelvin, pressure_pa, 0)
        above = _phase(components, roots, vapour, kelvin, pressure_pa, 1)
        if below is None:
            pressure_pa *= 1.2  # too low for any liquid
            continue
        if above is None:
            pressure_pa /= 1.2
            continue
        if above.factor - below.factor < _ONE_PHASE:
            break
        lifted = [
            share * math.exp(in_liquid - in_vapour)
            for share, in_liquid, in_vapour in zip(liquid, below.logarithms, above.logarithms, strict=True)
        ]
        total = sum(lifted)
        vapour = [share / total for share in lifted]
        pressure_pa *= total
        if abs(total - 1.0) < _CONVERGED:
            return BubblePoint(pressure_pa, tuple(vapour))
    raise LimitError(
        "liquid temperature", temperature_c, "degC", "at or near the critical state of this liquid", CLAUSE
    )


class _Phase(NamedTuple):
    factor: float
    logarithms: list[float]
    """Of the fugacity coefficients."""


def _phase(
    components: tuple[Component, ...],
    roots: list[float],
    fractions: Sequence[float],
    kelvin: float,
    pressure_pa: float,
    which: int,
) -> _Phase | None:
    """The liquid (0) or the vapour (1) of `fractions`; None where the equation has none at this pressure."""
    attraction, covolume = _mixed(components, roots, fractions, kelvin)
    a, b = attraction * pressure_pa, covolume * pressure_pa
    factor = _factors(a, b)[which]
    if factor is None or factor <= b:
        return None
    root = sum([share * each for share, each in zip(fractions, roots, strict=True)])
    spread = a / (2.0 * _ROOT_2 * b) * math.log((factor + (1.0 + _ROOT_2) * b) / (factor + (1.0 - _ROOT_2) * b))
    free = math.log(factor - b)
    logarithms = []
    for each, own in zip(_substances(components), roots, strict=True):
        share = each.covolume / (covolume * GAS_CONSTANT * kelvin)
        logarithms.append(share * (factor - 1.0) - free - spread * (2.0 * own / root - share))
    return _Phase(factor, logarithms)


def _roots_of_attraction(components: tuple[Component, ...], kelvin: float) -> list[float]:
    """Square root of a(T) of each component."""
    return [
        each.root_attraction * abs(1.0 + each.kappa * (1.0 - math.sqrt(kelvin / each.critical_k)))
        for each in _substances(components)
    ]


def _mixed(
    components: tuple[Component, ...], roots: list[float], fractions: Sequence[float], kelvin: float
) -> tuple[float, float]:
    """(A, B) of the mixture for a pressure of 1 Pa. With kij = 0 the sum over pairs is the square of a sum."""
    rt = GAS_CONSTANT * kelvin
    root = covolume = 0.0
    for share, own, each in zip(fractions, roots, _substances(components), strict=True):
        root += share * own
        covolume += share * each.covolume
    return (root / rt) ** 2, covolume / rt


def _factors(a: float, b: float) -> tuple[float | None, float | None]:
    """Z of the liquid and of the vapour: the least and the greatest real root of the cubic, in closed form.

    Z^3 - (1 - B) Z^2 + (A - 3 B^2 - 2 B) Z - (A B - B^2 - B^3) = 0. A single root is that of the phase on whose side of
    the cubic's inflection it stands; the other phase is None.
    """
    second, first, constant = b - 1.0, a - (3.0 * b + 2.0) * b, -(a - b - b * b) * b
    middle = -second / 3.0
    p = first - second * second / 3.0
    q = (2.0 * second * second / 27.0 - first / 3.0) * second + constant
    discriminant = q * q / 4.0 + p * p * p / 27.0
    if discriminant > 0.0:
        outer = -q / 2.0 - math.copysign(math.sqrt(discriminant), q)
        cube_root = math.copysign(abs(outer) ** (1.0 / 3.0), outer)
        above = cube_root - (p / (3.0 * cube_root) if cube_root != 0.0 else 0.0)
        factor = middle + above
        return (None, factor) if above >= 0.0 else (factor, None)
    radius = math.sqrt(-p / 3.0)
    if radius == 0.0:
        return middle, middle
    third = math.acos(max(-1.0, min(1.0, -q / (2.0 * radius**3)))) / 3.0
    return middle + 2.0 * radius * math.cos(third + 2.0 * math.pi / 3.0), middle + 2.0 * radius * math.cos(third)
