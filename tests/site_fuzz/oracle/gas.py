"""Vapour of liquefied gases by CoolProp's reference equations of state."""

from functools import lru_cache

from CoolProp import CoolProp

from tests.site_fuzz.oracle.corrected import KELVIN

__all__ = ["vapour_density", "vapour_pressure"]

_FLUIDS = {"propane": "Propane", "n-butane": "n-Butane"}


@lru_cache(maxsize=4096)
def vapour_pressure(component: str, celsius: float) -> float:
    """Pa absolute."""
    return float(CoolProp.PropsSI("P", "T", celsius + KELVIN, "Q", 1, _FLUIDS[component]))


@lru_cache(maxsize=4096)
def vapour_density(component: str, absolute_pa: float, celsius: float) -> float:
    """kg/m3 of the gas; on the liquid's side of saturation as it is at saturation, in the ratio of pressures."""
    fluid, kelvin, saturated_pa = _FLUIDS[component], celsius + KELVIN, vapour_pressure(component, celsius)
    if absolute_pa < (1.0 - 1e-4) * saturated_pa:
        return float(CoolProp.PropsSI("D", "T", kelvin, "P", absolute_pa, fluid))
    return float(CoolProp.PropsSI("D", "T", kelvin, "Q", 1, fluid)) * absolute_pa / saturated_pa
