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
    """kg/m3 of the gas, also where it is a hair on the liquid's side of saturation."""
    state = _STATES[component]
    state.specify_phase(CoolProp.iphase_gas)
    state.update(CoolProp.PT_INPUTS, absolute_pa, celsius + KELVIN)
    return float(state.rhomass())


_STATES = {name: CoolProp.AbstractState("HEOS", fluid) for name, fluid in _FLUIDS.items()}
