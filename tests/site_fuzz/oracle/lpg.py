"""GPA TP-27 / API MPMS 11.2.4 (2007), from section b: two reference fluids bracket the relative density."""

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from scipy.optimize import brentq

from tests.site_fuzz.oracle.corrected import KELVIN, Corrected, OutsideError, within
from tests.site_fuzz.products import Lpg

__all__ = ["FixedLpg", "fix_lpg"]

WATER = 999.016
_60F_C = 28.0 / 1.8
_RANGE = (0.3500, 0.6880)


class Fluid(NamedTuple):
    gamma: float
    tc: float
    zc: float
    rhoc: float
    k1: float
    k2: float
    k3: float
    k4: float

    def saturated(self, tau: float) -> float:
        above = self.k1 * tau**0.35 + self.k3 * tau**2 + self.k4 * tau**3
        return float(self.rhoc * (1.0 + above / (1.0 + self.k2 * tau**0.65)))


_FLUIDS = (
    Fluid(0.325022, 298.11, 0.27998, 6.25, 2.54616855327, -0.058244177754, 0.803398090807, -0.745720314137),
    Fluid(0.355994, 305.33, 0.2822, 6.87, 1.8911304261, -0.370305782347, -0.54486728872, 0.337876634952),
    Fluid(0.429277, 333.67, 0.2806, 5.615, 2.20970078464, -0.294253708172, -0.405754420098, 0.319443433421),
    Fluid(0.470381, 352.46, 0.2793, 5.11, 2.2534198132, -0.266542138024, -0.372756711655, 0.384734185665),
    Fluid(0.507025, 369.78, 0.27626, 5.0, 1.96568366933, -0.327662435541, -0.417979702538, 0.303271602831),
    Fluid(0.562827, 407.85, 0.28326, 3.86, 2.0474803441, -0.289734363425, -0.330345036434, 0.291757103132),
    Fluid(0.584127, 425.16, 0.27536, 3.92, 2.03734743118, -0.299059145695, -0.418883095671, 0.380367738748),
    Fluid(0.624285, 460.44, 0.27026, 3.247, 2.06541640707, -0.23836620884, -0.161440492247, 0.258681568613),
    Fluid(0.631054, 469.65, 0.27235, 3.2, 2.11263474494, -0.26126941356, -0.291923445075, 0.308344290017),
    Fluid(0.657167, 498.05, 0.26706, 2.727, 2.02382197871, -0.423550090067, -1.15281098257, 0.950139001678),
    Fluid(0.664064, 507.35, 0.26762, 2.704, 2.17134547773, -0.232997313405, -0.267019794036, 0.378629524102),
    Fluid(0.688039, 540.15, 0.26312, 2.315, 2.19773533433, -0.275056764147, -0.447144095029, 0.493770995799),
)


def _relative(gamma: float, celsius: float) -> float:
    """X, proportional to the density. Raises OutsideError at and above the pseudo-critical temperature."""
    index = next(i for i, fluid in enumerate(_FLUIDS) if fluid.gamma >= gamma)
    one, two = _FLUIDS[max(0, index - 1)], _FLUIDS[max(1, index)]
    d = (gamma - one.gamma) / (two.gamma - one.gamma)
    tau = 1.0 - (celsius + KELVIN) / (one.tc + d * (two.tc - one.tc))
    if tau <= 0.0:
        raise OutsideError(f"{celsius} degC is above the critical temperature of relative density {gamma}")
    h2 = one.zc * one.rhoc / (two.zc * two.rhoc)
    r1, r2 = one.saturated(tau), two.saturated(tau)
    return r1 / (1.0 + d * (r1 / (h2 * r2) - 1.0))


def _density(gamma: float, celsius: float) -> float:
    return gamma * WATER * _relative(gamma, celsius) / _relative(gamma, _60F_C)


class FixedLpg(NamedTuple):
    reference_density: float
    reference_c: float
    gamma: float

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        within(celsius, -46.0, 93.0, "temperature")
        ctl = _relative(self.gamma, celsius) / _relative(self.gamma, self.reference_c)
        return Corrected(ctl, 1.0, self.reference_density * ctl)


@lru_cache(maxsize=4096)
def fix_lpg(method: Lpg, density: float, at_c: float | None) -> FixedLpg:
    state_c = method.reference_c if at_c is None else at_c
    if at_c is not None:
        within(at_c, -46.0, 93.0, "temperature")
    if abs(state_c - _60F_C) < 1e-9:
        gamma = density / WATER
    else:
        low, high = _lightest(state_c), _RANGE[1] + 1e-7
        within(density, _density(low, state_c), _density(high, state_c), "density")
        gamma = float(brentq(lambda each: _density(each, state_c) - density, low, high, xtol=1e-15))
    within(gamma, _RANGE[0] - 1e-9, _RANGE[1] + 1e-9, "relative density")
    reference = density if at_c is None else _density(gamma, method.reference_c)
    return FixedLpg(reference, method.reference_c, gamma)


def _lightest(celsius: float) -> float:
    """The lowest relative density in range that is a liquid at the temperature."""
    kelvin = celsius + KELVIN
    for one, two in pairwise(_FLUIDS):
        if kelvin < two.tc:
            share = max(0.0, (kelvin - one.tc) / (two.tc - one.tc))
            return max(_RANGE[0] - 1e-7, one.gamma + share * (two.gamma - one.gamma) + 1e-8)
    raise OutsideError(f"no liquid at {celsius} degC")
