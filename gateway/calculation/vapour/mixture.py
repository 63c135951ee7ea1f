"""The vapour above a liquefied gas: its density, its mass, and the substances that it is made of."""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.calculation.limits import require_within

__all__ = [
    "COMPONENTS",
    "GAS_CONSTANT",
    "KELVIN_0C",
    "LIQUID_DENSITY_60F",
    "Component",
    "vapour_density",
    "vapour_mass",
]

GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""
KELVIN_0C = 273.15
_CLAUSE = "vapour density P M/(Z R T)"


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

LIQUID_DENSITY_60F: Mapping[str, float] = {
    "ethane": 355.6,
    "propylene": 522.1,
    "propane": 506.5,
    "i-butane": 562.3,
    "n-butane": 583.6,
    "i-pentane": 623.7,
    "n-pentane": 630.4,
}
"""kg/m3 of the saturated liquids, for compositions by liquid volume: GPA TP-27, and CoolProp 8.0.0 for propylene."""


def vapour_density(pressure_pa: float, temperature_c: float, molar_mass: float, compressibility_factor: float) -> float:
    """Density of the vapour in kg/m3: P M/(Z R T), with absolute pressure in Pa and molar mass in kg/mol.

    Limits (our own): 0..5 MPa absolute, -100..150 degC, molar mass 0.002..0.2 kg/mol, Z 0.3..1.1. Raises LimitError.
    """
    require_within("vapour pressure, absolute", pressure_pa, "Pa", 0.0, 5e6, _CLAUSE)
    require_within("vapour temperature", temperature_c, "degC", -100.0, 150.0, _CLAUSE)
    require_within("molar mass", molar_mass, "kg/mol", 0.002, 0.2, _CLAUSE)
    require_within("compressibility factor", compressibility_factor, "1", 0.3, 1.1, _CLAUSE)
    return pressure_pa * molar_mass / (compressibility_factor * GAS_CONSTANT * (temperature_c + KELVIN_0C))


def vapour_mass(vapour_volume_m3: float, density: float) -> float:
    """Mass of the vapour in kg: the volume above the liquid in m3 times its density in kg/m3 (idea of API MPMS 14.8).

    Raises LimitError for a volume below zero or a density outside 0..200 kg/m3.
    """
    require_within("vapour volume", vapour_volume_m3, "m3", 0.0, 1e7, _CLAUSE)
    return vapour_volume_m3 * require_within("vapour density", density, "kg/m3", 0.0, 200.0, _CLAUSE)
