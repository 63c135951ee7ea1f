"""Liquefied petroleum gas and natural gas liquids: GPA TP-27 = API MPMS 11.2.4 (2007), tables 23E to 60E."""

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.calculation.methods.petroleum import REFERENCE_60F_C
from gateway.calculation.methods.root import solve_rising
from gateway.errors import LimitError

__all__ = [
    "REFERENCE_FLUIDS",
    "WATER_60F",
    "LpgCorrection",
    "PreparedLpg",
    "ReferenceFluid",
    "reference_density_60f",
]

WATER_60F = 999.016
"""Density of water at 60 degF, kg/m3, as TP-27 has it."""

_KELVIN_0C = 273.15
_TEMPERATURE_C = ((-50.8 - 32.0) / 1.8, (199.4 - 32.0) / 1.8)
"""-46..93 degC."""
_RELATIVE_DENSITY = (0.3500, 0.6880)
_ROUNDING = 1e-8
# CPL of light hydrocarbons above their equilibrium pressure (API MPMS 11.2.2) is not worked out here. Up to this much
# above equilibrium it stays within 0.01 %.
_PRESSURE_PA = (-20e3, 20e3)


class ReferenceFluid(NamedTuple):
    """A reference fluid: relative density 60/60 degF, critical constants, constants of its saturation density."""

    name: str
    gamma: float
    critical_k: float
    critical_z: float
    critical_density: float
    """mol/l."""
    k1: float
    k2: float
    k3: float
    k4: float


_CONSTANTS = (
    ("EE 68/32", 0.325022, 298.11, 0.27998, 6.25, 2.54616855327, -0.058244177754, 0.803398090807, -0.745720314137),
    ("ethane", 0.355994, 305.33, 0.2822, 6.87, 1.8911304261, -0.370305782347, -0.54486728872, 0.337876634952),
    ("EP 65/35", 0.429277, 333.67, 0.2806, 5.615, 2.20970078464, -0.294253708172, -0.405754420098, 0.319443433421),
    ("EP 35/65", 0.470381, 352.46, 0.2793, 5.11, 2.2534198132, -0.266542138024, -0.372756711655, 0.384734185665),
    ("propane", 0.507025, 369.78, 0.27626, 5.0, 1.96568366933, -0.327662435541, -0.417979702538, 0.303271602831),
    ("i-butane", 0.562827, 407.85, 0.28326, 3.86, 2.0474803441, -0.289734363425, -0.330345036434, 0.291757103132),
    ("n-butane", 0.584127, 425.16, 0.27536, 3.92, 2.03734743118, -0.299059145695, -0.418883095671, 0.380367738748),
    ("i-pentane", 0.624285, 460.44, 0.27026, 3.247, 2.06541640707, -0.23836620884, -0.161440492247, 0.258681568613),
    ("n-pentane", 0.631054, 469.65, 0.27235, 3.2, 2.11263474494, -0.26126941356, -0.291923445075, 0.308344290017),
    ("i-hexane", 0.657167, 498.05, 0.26706, 2.727, 2.02382197871, -0.423550090067, -1.15281098257, 0.950139001678),
    ("n-hexane", 0.664064, 507.35, 0.26762, 2.704, 2.17134547773, -0.232997313405, -0.267019794036, 0.378629524102),
    ("n-heptane", 0.688039, 540.15, 0.26312, 2.315, 2.19773533433, -0.275056764147, -0.447144095029, 0.493770995799),
)  # fmt: skip

REFERENCE_FLUIDS = tuple(ReferenceFluid(*row) for row in _CONSTANTS)
_GAMMAS = tuple(fluid.gamma for fluid in REFERENCE_FLUIDS)


def _saturation_density(fluid: ReferenceFluid, tau: float) -> float:
    """Saturation density of a reference fluid in mol/l at tau = 1 - T/Tc.

    k3 and k4 stand inside the fraction: outside it the result would be 0.3 % off for propane at -40 degF.
    """
    square = tau * tau
    above = fluid.k1 * math.pow(tau, 0.35) + fluid.k3 * square + fluid.k4 * square * tau
    return fluid.critical_density * (1.0 + above / (1.0 + fluid.k2 * math.pow(tau, 0.65)))


def reference_density_60f(fluid: ReferenceFluid) -> float:
    """Saturation density of a reference fluid at 60 degF, mol/l: times its molar mass, its relative density."""
    return _saturation_density(fluid, 1.0 - (REFERENCE_60F_C + _KELVIN_0C) / fluid.critical_k)


class _Between(NamedTuple):
    """A liquid between two neighbouring reference fluids."""

    lighter: ReferenceFluid
    heavier: ReferenceFluid
    share: float
    critical_k: float
    h2: float

    def relative(self, temperature_c: float) -> float | None:
        """X, proportional to the density at `temperature_c`; None at and above the pseudo-critical temperature."""
        tau = 1.0 - (temperature_c + _KELVIN_0C) / self.critical_k
        if tau <= 0.0:
            return None
        lighter = _saturation_density(self.lighter, tau)
        heavier = _saturation_density(self.heavier, tau)
        return lighter / (1.0 + self.share * (lighter / (self.h2 * heavier) - 1.0))


def _between(gamma: float) -> _Between:
    upper = max(bisect_left(_GAMMAS, gamma), 1)
    lighter, heavier = REFERENCE_FLUIDS[upper - 1], REFERENCE_FLUIDS[upper]
    share = (gamma - lighter.gamma) / (heavier.gamma - lighter.gamma)
    h2 = (lighter.critical_z * lighter.critical_density) / (heavier.critical_z * heavier.critical_density)
    critical_k = lighter.critical_k + share * (heavier.critical_k - lighter.critical_k)
    return _Between(lighter, heavier, share, critical_k, h2)


def _density(gamma: float, temperature_c: float) -> float:
    """kg/m3 at `temperature_c` of the liquid whose relative density 60/60 degF is `gamma`; 0 above its critical."""
    between = _between(gamma)
    here, at_60f = between.relative(temperature_c), between.relative(REFERENCE_60F_C)
    if here is None or at_60f is None:
        return 0.0
    return gamma * WATER_60F * here / at_60f


def _lightest_liquid(temperature_c: float) -> float:
    """The lowest relative density in range whose pseudo-critical temperature lies above `temperature_c`."""
    kelvin = temperature_c + _KELVIN_0C
    for lighter, heavier in pairwise(REFERENCE_FLUIDS):
        if kelvin < heavier.critical_k:
            share = max(0.0, (kelvin - lighter.critical_k) / (heavier.critical_k - lighter.critical_k))
            # At the critical temperature itself there is no liquid left.
            return max(_RELATIVE_DENSITY[0], lighter.gamma + share * (heavier.gamma - lighter.gamma) + 1e-9)
    return _RELATIVE_DENSITY[1]


def _relative_density(density: float, temperature_c: float) -> float:
    """Relative density 60/60 degF of the liquid that has `density` kg/m3 at `temperature_c`."""
    lowest, highest = _lightest_liquid(temperature_c), _RELATIVE_DENSITY[1]

    def at_temperature(gamma: float) -> float:
        return _density(gamma, temperature_c)

    return solve_rising(at_temperature, density, lowest, highest, at_temperature(lowest), at_temperature(highest))


@dataclass(frozen=True, slots=True)
class LpgCorrection:
    """CTL and density of LPG and NGL at equilibrium pressure, to 60 degF, 15 degC or 20 degC.

    Two reference fluids bracket the relative density 60/60 degF; d is the place between them. With
    tau = 1 - T/Tc, Tc interpolated by d, and r1, r2 the two saturation densities at tau,
    r = rhoc (1 + (k1 tau^0.35 + k3 tau^2 + k4 tau^3)/(1 + k2 tau^0.65)), h2 = Zc1 rhoc1/(Zc2 rhoc2):
    X = r1/(1 + d (r1/(h2 r2) - 1)), CTL = X(T)/X(reference). Densities at 15 or 20 degC and densities observed are
    solved for the relative density (tables 23E, 53E, 59E). Factors are not rounded; the printed tables have 5 decimals.

    Limits: relative density 0.3500..0.6880 (at 15 degC 351.7..687.8 kg/m3, at 20 degC 331.7..683.6); -46..93 degC;
    below the pseudo-critical temperature; within 20 kPa of the equilibrium pressure, as there is no CPL (our own
    bound). Raises LimitError.
    """

    reference_temperature_c: float
    _lightest: float = field(init=False, repr=False, compare=False)
    _heaviest: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        reference_c = self.reference_temperature_c
        if not any(abs(reference_c - allowed) < 1e-6 for allowed in (REFERENCE_60F_C, 15.0, 20.0)):
            limit = "not 60 degF, 15 degC or 20 degC"
            raise LimitError("reference temperature", reference_c, "degC", limit, self.clause)
        object.__setattr__(self, "_lightest", _density(_RELATIVE_DENSITY[0], reference_c))
        object.__setattr__(self, "_heaviest", _density(_RELATIVE_DENSITY[1], reference_c))

    @property
    def clause(self) -> str:
        reference_c = self.reference_temperature_c
        table = "54E" if abs(reference_c - 15.0) < 1e-6 else "60E" if abs(reference_c - 20.0) < 1e-6 else "24E"
        return f"GPA TP-27 / API MPMS 11.2.4 (2007), Table {table}"

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return True

    def from_reference_density(self, density: float | None) -> "PreparedLpg":
        """Fix the density at the reference temperature and equilibrium pressure, kg/m3. Raises LimitError."""
        if density is None:
            raise LimitError("reference density", float("nan"), "kg/m3", "missing", self.clause)
        reference_c = self.reference_temperature_c
        quantity = f"reference density at {reference_c:.4g} degC"
        require_within(quantity, density, "kg/m3", self._lightest - _ROUNDING, self._heaviest + _ROUNDING, self.clause)
        if abs(reference_c - REFERENCE_60F_C) < 1e-6:
            return self._prepare(density / WATER_60F, density)
        return self._prepare(_relative_density(density, reference_c), density)

    def from_observed_density(self, density: float, temperature_c: float, gauge_pressure_pa: float) -> "PreparedLpg":
        """Solve for the relative density 60/60 degF that gives `density` kg/m3. Raises LimitError."""
        self.require_state(temperature_c, gauge_pressure_pa)
        quantity = f"observed density at {temperature_c:.4g} degC"
        lightest = _density(_lightest_liquid(temperature_c), temperature_c)
        heaviest = _density(_RELATIVE_DENSITY[1], temperature_c)
        require_within(quantity, density, "kg/m3", lightest - _ROUNDING, heaviest + _ROUNDING, self.clause)
        return self._prepare(_relative_density(density, temperature_c), None)

    def require_state(self, temperature_c: float, pressure_pa: float) -> None:
        """Raises LimitError outside the temperature limits or too far above equilibrium pressure."""
        if not _TEMPERATURE_C[0] <= temperature_c <= _TEMPERATURE_C[1]:
            raise outside("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, self.clause)
        if not _PRESSURE_PA[0] <= pressure_pa <= _PRESSURE_PA[1]:
            raise outside("pressure above equilibrium", pressure_pa, "Pa", *_PRESSURE_PA, self.clause)

    def _prepare(self, gamma: float, reference_density: float | None) -> "PreparedLpg":
        between = _between(gamma)
        base = between.relative(self.reference_temperature_c)
        if base is None:
            limit = f"that of a liquid critical below {self.reference_temperature_c:.4g} degC"
            raise LimitError("relative density 60/60 degF", gamma, "1", limit, self.clause)
        if reference_density is None:
            reference_density = _density(gamma, self.reference_temperature_c)
        return PreparedLpg(self, reference_density, gamma, between, base)


@dataclass(frozen=True, slots=True)
class PreparedLpg:
    """An LPG with its density fixed; made by `LpgCorrection`."""

    method: LpgCorrection
    reference_density: float
    """kg/m3 at the reference temperature and equilibrium pressure."""
    relative_density_60f: float
    between: _Between
    base: float

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC) at `gauge_pressure_pa` (Pa above equilibrium). Raises LimitError."""
        self.method.require_state(temperature_c, gauge_pressure_pa)
        here = self.between.relative(temperature_c)
        if here is None:
            limit = f"at or above this liquid's pseudo-critical {self.between.critical_k - _KELVIN_0C:.1f} degC"
            raise LimitError("liquid temperature", temperature_c, "degC", limit, self.method.clause)
        ctl = here / self.base
        return Corrected(ctl, 1.0, self.reference_density * ctl)
