"""The vapour above the liquid of a pressurised tank: its density, its mass, and liquid and vapour together."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.plan import TankPlan, VapourPlan
from gateway.calculation.vapour import compressibility, vapour_density, vapour_mass
from gateway.records import Figure, ReasonCode

__all__ = ["VapourFigures", "vapour_figures"]


class VapourFigures(NamedTuple):
    density: Figure
    mass: Figure
    total_mass: Figure


def vapour_figures(plan: TankPlan, tov: Figure, pressure: Figure, temperature: Figure, liquid: Figure) -> VapourFigures:
    """Vapour and total mass in kg (idea of API MPMS 14.8): when liquid evaporates, only the total stays.

    `pressure` in Pa gauge; `temperature` of the vapour in degC, or of the liquid where no element is clear of it.
    """
    if plan.vapour is None:
        none = figure.not_applicable("no vapour is counted")
        return VapourFigures(none, none, none)
    density = _density(plan.vapour, pressure, temperature)
    tov_m3, rho = tov.value, density.value
    if tov_m3 is None or rho is None:
        vapour = figure.derive(None, (tov, density))
    else:
        vapour = figure.attempt(lambda: vapour_mass(plan.full_volume_m3 - tov_m3, rho), (tov, density))
    total_kg = None if vapour.value is None or liquid.value is None else vapour.value + liquid.value
    return VapourFigures(density, vapour, figure.derive(total_kg, (vapour, liquid)))


def _density(vapour: VapourPlan, pressure: Figure, temperature: Figure) -> Figure:
    if vapour.density_kg_m3 is not None:
        return figure.good(vapour.density_kg_m3, 0.0)
    pressure_pa, vapour_c, molar_mass = pressure.value, temperature.value, vapour.molar_mass_kg_mol
    if molar_mass is None:
        return figure.bad(ReasonCode.NOT_FITTED, "neither the density nor the molar mass of the vapour is given")
    if pressure_pa is None or vapour_c is None:
        lost = figure.derive(None, (pressure, temperature))
        return lost if lost.reasons else figure.bad(ReasonCode.NOT_FITTED, "the vapour's pressure is not measured")
    absolute_pa = pressure_pa + vapour.atmospheric_pa
    return figure.attempt(
        lambda: vapour_density(absolute_pa, vapour_c, molar_mass, _factor(vapour, absolute_pa, vapour_c)),
        (pressure, temperature),
    )


def _factor(vapour: VapourPlan, absolute_pa: float, vapour_c: float) -> float:
    if vapour.component is None:
        return vapour.compressibility_factor
    return compressibility(vapour.component, absolute_pa, vapour_c)
