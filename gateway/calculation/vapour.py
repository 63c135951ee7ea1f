"""The vapour above a liquefied gas: its density, its mass, and an estimate of its pressure from composition."""

import math
from collections.abc import Mapping
from typing import NamedTuple

from gateway.calculation.limits import require_within
from gateway.errors import LimitError

__all__ = [
    "COMPONENTS",
    "Component",
    "compressibility",
    "fill_fraction",
    "mixture_vapour_pressure",
    "saturation_pressure",
    "vapour_density",
    "vapour_mass",
]

_GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""
_KELVIN_0C = 273.15
_CLAUSE = "vapour density P M/(Z R T)"
_ESTIMATE = "vapour pressure estimate, Lee and Kesler (1975), Raoult's law"


class Component(NamedTuple):
    """Critical constants, acentric factor and molar mass (Poling, Prausnitz, O'Connell 2001, appendix A; from memory,
    checked against an equation of state in the tests)."""

    critical_k: float
    critical_pa: float
    acentric: float
    molar_mass: float
    """kg/mol."""


COMPONENTS: Mapping[str, Component] = {
    "ethane": Component(305.32, 4.872e6, 0.0995, 0.0300690),
    "propylene": Component(364.21, 4.555e6, 0.146, 0.0420797),
    "propane": Component(369.83, 4.248e6, 0.1523, 0.0440956),
    "i-butane": Component(407.81, 3.629e6, 0.184, 0.0581222),
    "n-butane": Component(425.12, 3.796e6, 0.2002, 0.0581222),
    "i-pentane": Component(460.39, 3.381e6, 0.229, 0.0721488),
    "n-pentane": Component(469.70, 3.370e6, 0.2515, 0.0721488),
}


def vapour_density(pressure_pa: float, temperature_c: float, molar_mass: float, compressibility_factor: float) -> float:
    """Density of the vapour in kg/m3: P M/(Z R T), with absolute pressure in Pa and molar mass in kg/mol.

    Limits (our own): 0..5 MPa absolute, -100..150 degC, molar mass 0.002..0.2 kg/mol, Z 0.3..1.1. Raises LimitError.
    """
    require_within("vapour pressure, absolute", pressure_pa, "Pa", 0.0, 5e6, _CLAUSE)
    require_within("vapour temperature", temperature_c, "degC", -100.0, 150.0, _CLAUSE)
    require_within("molar mass", molar_mass, "kg/mol", 0.002, 0.2, _CLAUSE)
    require_within("compressibility factor", compressibility_factor, "1", 0.3, 1.1, _CLAUSE)
    return pressure_pa * molar_mass / (compressibility_factor * _GAS_CONSTANT * (temperature_c + _KELVIN_0C))


def vapour_mass(vapour_volume_m3: float, density: float) -> float:
    """Mass of the vapour in kg: the volume above the liquid in m3 times its density in kg/m3 (idea of API MPMS 14.8).

    Raises LimitError for a volume below zero or a density outside 0..200 kg/m3.
    """
    require_within("vapour volume", vapour_volume_m3, "m3", 0.0, 1e7, _CLAUSE)
    return vapour_volume_m3 * require_within("vapour density", density, "kg/m3", 0.0, 200.0, _CLAUSE)


def fill_fraction(liquid_volume_m3: float, full_volume_m3: float) -> float:
    """Part of the full capacity taken up by liquid. Raises LimitError outside 0..full."""
    return require_within("liquid volume", liquid_volume_m3, "m3", 0.0, full_volume_m3, "fill") / full_volume_m3


def compressibility(component: Component, pressure_pa: float, temperature_c: float) -> float:
    """Z of a vapour by the second virial coefficient of Pitzer and Curl in Abbott's form (Smith, Van Ness, Abbott).

    Z = 1 + (B0 + w B1) Pr/Tr, B0 = 0.083 - 0.422/Tr^1.6, B1 = 0.139 - 0.172/Tr^4.2; within 6 % in density up to a
    third of the critical pressure, which is the limit here. Raises LimitError.
    """
    tr = (temperature_c + _KELVIN_0C) / component.critical_k
    pr = require_within("vapour pressure, absolute", pressure_pa, "Pa", 0.0, component.critical_pa / 3.0, _CLAUSE)
    pr /= component.critical_pa
    require_within("reduced temperature", tr, "1", 0.5, 1.5, _CLAUSE)
    virial = 0.083 - 0.422 * math.pow(tr, -1.6) + component.acentric * (0.139 - 0.172 * math.pow(tr, -4.2))
    return 1.0 + virial * pr / tr


def saturation_pressure(component: Component, temperature_c: float) -> float:
    """Vapour pressure of a pure liquid in Pa absolute by Lee and Kesler, AIChE Journal 21 (1975) 510.

    ln Pr = f0 + w f1, f0 = 5.92714 - 6.09648/Tr - 1.28862 ln Tr + 0.169347 Tr^6,
    f1 = 15.2518 - 15.6875/Tr - 13.4721 ln Tr + 0.43577 Tr^6; within 2 % for 0.6 <= Tr <= 0.98, the limits here.
    Raises LimitError outside.
    """
    tr = (temperature_c + _KELVIN_0C) / component.critical_k
    require_within("reduced temperature", tr, "1", 0.6, 0.98, _ESTIMATE)
    logarithm, sixth = math.log(tr), math.pow(tr, 6.0)
    simple = 5.92714 - 6.09648 / tr - 1.28862 * logarithm + 0.169347 * sixth
    acentric = 15.2518 - 15.6875 / tr - 13.4721 * logarithm + 0.43577 * sixth
    return component.critical_pa * math.exp(simple + component.acentric * acentric)


def mixture_vapour_pressure(liquid_mole_fractions: Mapping[str, float], temperature_c: float) -> float:
    """Estimated vapour pressure of a mixture in Pa absolute: Raoult's law over `COMPONENTS`; within about 5 %.

    For judging whether a pressure reading is plausible, never in place of one. Fractions sum to 1 within 0.001.
    Raises LimitError for an unknown component, a wrong sum, or outside the range of `saturation_pressure`.
    """
    total = sum(liquid_mole_fractions.values())
    require_within("sum of the mole fractions", total, "1", 0.999, 1.001, _ESTIMATE)
    pressure = 0.0
    for name, fraction in liquid_mole_fractions.items():
        require_within(f"mole fraction of {name}", fraction, "1", 0.0, 1.0, _ESTIMATE)
        if name not in COMPONENTS:
            known = ", ".join(COMPONENTS)
            raise LimitError(f"mole fraction of {name}", fraction, "1", f"of a liquid other than {known}", _ESTIMATE)
        pressure += fraction * saturation_pressure(COMPONENTS[name], temperature_c)
    return pressure / total
