"""How a level or a density came about from the pressure of a liquid column: the relation with its numbers, in words."""

from typing import NamedTuple

from gateway.calculation.plan import ColumnPlan, HeadPlan, MeasuredDensityPlan, TankPlan
from gateway.records import Figures

__all__ = ["density_relation", "level_relation"]


class _Words(NamedTuple):
    pressure: str
    gas: str
    """Density of the gas; the same as `air` in a vented tank with air above its liquid."""
    air: str
    height: str
    """Of the vapour transmitter or the vent."""
    water: str
    inputs: tuple[str, ...]


def level_relation(plan: TankPlan, head: HeadPlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    """Relation and the figures that went in (API MPMS 3.7)."""
    words = _words(plan, head.column, head.nozzle_height_m, figures)
    nozzle, gravity = f"{head.nozzle_height_m:.3f} m", f"g {plan.gravity_m_s2:g} m/s2"
    if words.gas == words.air:
        relation = f"nozzle {nozzle} + {words.pressure} / (g (rho_obs - {words.air}))"
    else:
        gas = f"({words.gas} - {words.air}) ({words.height} - nozzle)"
        relation = f"nozzle {nozzle} + ({words.pressure} / g - {gas}) / (rho_obs - {words.gas})"
    inputs = ("bottom_pressure", *words.inputs, "observed_density")
    return f"{relation}{words.water}, {gravity}, API MPMS 3.7", inputs


def density_relation(plan: TankPlan, hybrid: MeasuredDensityPlan, figures: Figures) -> tuple[str, tuple[str, ...]]:
    """Relation and the figures that went in (API MPMS 3.6)."""
    words = _words(plan, hybrid.column, hybrid.nozzle_height_m, figures)
    nozzle, gravity = f"nozzle {hybrid.nozzle_height_m:.3f} m", f"g {plan.gravity_m_s2:g} m/s2"
    if words.gas == words.air:
        relation = f"{words.pressure} / (g (L - nozzle)) + {words.air}"
    else:
        heads = f"{words.air} ({words.height} - nozzle) - {words.gas} ({words.height} - L)"
        relation = f"({words.pressure} / g + {heads}) / (L - nozzle)"
    inputs = ("level", "bottom_pressure", *words.inputs)
    return f"{relation}{words.water}, {nozzle}, {gravity}, API MPMS 3.6", inputs


def _words(plan: TankPlan, column: ColumnPlan, nozzle_m: float, figures: Figures) -> _Words:
    is_measured = figures.vapour_pressure.value is not None
    height_m = column.vapour_transmitter_height_m
    air = f"{column.air_density_kg_m3:.4g} kg/m3"
    inputs: tuple[str, ...] = ("vapour_pressure",) if is_measured else ()
    water = ""
    water_m = figures.water_level.value
    if water_m is not None and water_m > nozzle_m:
        water = f", free water above the nozzle at {column.water_density_kg_m3:g} kg/m3"
        inputs = (*inputs, "water_level")
    return _Words(
        "(P1 - P3)" if is_measured else "P1",
        _gas(plan, column, is_measured=is_measured),
        air,
        f"{plan.capacity.top_m if height_m is None else height_m:.3f} m",
        water,
        inputs,
    )


def _gas(plan: TankPlan, column: ColumnPlan, *, is_measured: bool) -> str:
    if column.gas_density_kg_m3 is not None:
        return f"{column.gas_density_kg_m3:.4g} kg/m3"
    if plan.vapour is None or plan.blanketed:
        return "rho of air at P3" if is_measured else f"{column.air_density_kg_m3:.4g} kg/m3"
    if plan.vapour.density_kg_m3 is not None:
        return f"{plan.vapour.density_kg_m3:.4g} kg/m3"
    return "P3 M / (Z R T)"
