"""The vapour above the liquid of a pressurised tank: its density, its mass, and liquid and vapour together."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.limits import limit_reason
from gateway.calculation.memory import Memory
from gateway.calculation.plan import TankPlan, VapourPlan
from gateway.calculation.vapour.equation_of_state import vapour_compressibility
from gateway.calculation.vapour.mixture import Component, vapour_density, vapour_mass
from gateway.calculation.vapour.pressure_above import is_doubted, last_good_pressure
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["VapourFigures", "gas_density", "is_factor_assumed", "vapour_figures"]

_NOTHING_GIVEN = Reason(ReasonCode.NOT_FITTED, "neither the density nor the molar mass of the vapour is given")
_NO_PRESSURE = Reason(ReasonCode.NOT_FITTED, "the vapour's pressure is not measured")
_FACTOR_ASSUMED = Reason(
    ReasonCode.COMPRESSIBILITY_ASSUMED,
    "compressibility of the vapour taken as 1: under pressure it is a tenth to a third heavier than shown",
)
_PART_UNKNOWN = Reason(
    ReasonCode.INPUT_BAD,
    "the tank is blanketed: without the product's vapour pressure its part of the pressure is not known",
)
_NO_COMPOSITION = "the composition that the vapour stands over is not given"


class VapourFigures(NamedTuple):
    density: Figure
    mass: Figure
    total_mass: Figure


def vapour_figures(
    plan: TankPlan,
    tov: Figure,
    pressure: Figure,
    liquid_temperature: Figure,
    vapour_temperature: Figure,
    liquid: Figure,
    memory: Memory,
    now_s: float,
) -> VapourFigures:
    """Vapour and total mass in kg (idea of API MPMS 14.8): when liquid evaporates, only the total stays.

    `pressure` in Pa gauge, as compared with the product's; temperatures in degC, that of the vapour being the liquid's
    where no element is clear of it.
    """
    if plan.vapour is None:
        none = figure.not_applicable("no vapour is counted")
        return VapourFigures(none, none, none)
    density = _density(plan, plan.vapour, pressure, liquid_temperature, vapour_temperature, memory, now_s)
    tov_m3, rho = tov.value, density.value
    if tov_m3 is None or rho is None:
        vapour = figure.derive(None, (tov, density))
    else:
        vapour = figure.attempt(lambda: vapour_mass(plan.full_volume_m3 - tov_m3, rho), (tov, density))
    total_kg = None if vapour.value is None or liquid.value is None else vapour.value + liquid.value
    return VapourFigures(density, vapour, figure.derive(total_kg, (vapour, liquid)))


def _density(
    plan: TankPlan,
    vapour: VapourPlan,
    pressure: Figure,
    liquid_temperature: Figure,
    vapour_temperature: Figure,
    memory: Memory,
    now_s: float,
) -> Figure:
    if vapour.density_kg_m3 is not None:
        stated = figure.good(vapour.density_kg_m3, 0.0)
        # Stated for the state that the tank usually has: a pressure that contradicts it leaves it in doubt.
        return stated._replace(quality=pressure.quality, reasons=pressure.reasons) if is_doubted(pressure) else stated
    if vapour.molar_mass_kg_mol is None and not vapour.equilibrium:
        return figure.bad(_NOTHING_GIVEN)
    absolute = _absolute(plan, vapour, pressure, liquid_temperature, memory, now_s)
    absolute_pa, vapour_c = absolute.value, vapour_temperature.value
    if absolute_pa is None or vapour_c is None:
        lost = figure.derive(None, (absolute, vapour_temperature))
        return lost if lost.reasons else figure.bad(_NO_PRESSURE)
    gas = _gas(plan, vapour, liquid_temperature)
    if isinstance(gas, Figure):
        return gas
    found = figure.attempt(lambda: _worked_out(gas, absolute_pa, vapour_c), (absolute, vapour_temperature))
    if gas.factor is None and not gas.components:
        return figure.lower(found, _FACTOR_ASSUMED) if found.value is not None else found
    return found


def gas_density(plan: TankPlan, vapour: VapourPlan, pressure_pa: float, liquid_c: float) -> float:
    """The vapour in kg/m3 at the liquid's temperature, degC, and a gauge pressure: as stated, or by its law.

    Raises LimitError, also where it stands over a composition that is not given.
    """
    if vapour.density_kg_m3 is not None:
        return vapour.density_kg_m3
    gas = _known_gas(plan, vapour)
    if gas is None:
        try:
            gas = _gas_over(plan, vapour, liquid_c)
        except LimitError as error:
            raise LimitError("liquid temperature", liquid_c, "degC", error, "density of the vapour") from error
    if gas is None:
        raise LimitError("liquid temperature", liquid_c, "degC", _NO_COMPOSITION, "density of the vapour")
    return _worked_out(gas, pressure_pa + vapour.atmospheric_pa, liquid_c)


def is_factor_assumed(plan: TankPlan, vapour: VapourPlan) -> bool:
    """Whether its compressibility is taken as 1, because neither a factor nor a composition is given."""
    own = plan.product.vapour_pressure
    known = vapour.density_kg_m3 is not None or vapour.component is not None or vapour.equilibrium
    return not known and vapour.compressibility_factor is None and (own is None or not own.curve.components)


class _Gas(NamedTuple):
    """A vapour by its molar mass in kg/mol, and its factor Z as stated or what it is made of; with neither, Z is 1."""

    molar_mass: float
    factor: float | None
    components: tuple[Component, ...] = ()
    fractions: tuple[float, ...] = ()


def _absolute(
    plan: TankPlan, vapour: VapourPlan, pressure: Figure, liquid_temperature: Figure, memory: Memory, now_s: float
) -> Figure:
    """The absolute pressure of the product's vapour in Pa.

    Under another gas it is the product's own at the liquid's temperature, and never more than there is. Otherwise it is
    the measured one; where that is missing the product's own stands in, or the last Good one, Uncertain.
    """
    measured_pa = None if pressure.value is None else pressure.value + vapour.atmospheric_pa
    own = _own(plan, liquid_temperature)
    if plan.blanketed:
        if own is None:
            return figure.bad(_PART_UNKNOWN)
        if own.value is None or measured_pa is None:
            return own
        if measured_pa < own.value:
            return figure.derive(measured_pa, (own, pressure))
        # The other gas is not of the product: a doubt of the whole pressure is none of its part.
        return own
    if measured_pa is not None:
        return figure.derive(measured_pa, (pressure,))
    if own is not None and own.value is not None:
        reason = because(
            ReasonCode.VAPOUR_PRESSURE_ASSUMED,
            "vapour pressure unknown: that of the product at the liquid's temperature is taken, {pressure:kPa .0f} "
            "absolute",
            pressure=own.value,
        )
        return own._replace(quality=Quality.UNCERTAIN, reasons=(reason, *pressure.reasons))
    stood = last_good_pressure(memory, now_s, pressure.reasons)
    if stood is not None and stood.value is not None:
        return stood._replace(value=stood.value + vapour.atmospheric_pa)
    return pressure


def _own(plan: TankPlan, liquid_temperature: Figure) -> Figure | None:
    """The product's own vapour pressure in Pa absolute; None where the product does not give it."""
    product, liquid_c = plan.product.vapour_pressure, liquid_temperature.value
    if product is None:
        return None
    if liquid_c is None:
        return figure.derive(None, (liquid_temperature,))
    return figure.attempt(lambda: product.curve.pressure(liquid_c), (liquid_temperature,))


def _gas(plan: TankPlan, vapour: VapourPlan, liquid_temperature: Figure) -> _Gas | Figure:
    """What the vapour is; a Bad figure where it stands over a liquid of which that cannot be told."""
    known = _known_gas(plan, vapour)
    if known is not None:
        return known
    liquid_c = liquid_temperature.value
    if liquid_c is None and _is_composition_given(plan):
        return figure.derive(None, (liquid_temperature,))
    try:
        gas = None if liquid_c is None else _gas_over(plan, vapour, liquid_c)
    except LimitError as error:
        return figure.bad(limit_reason(error), liquid_temperature.age_s)
    return figure.bad(Reason(ReasonCode.NOT_FITTED, _NO_COMPOSITION)) if gas is None else gas


def _is_composition_given(plan: TankPlan) -> bool:
    own = plan.product.vapour_pressure
    return own is not None and bool(own.curve.components)


def _known_gas(plan: TankPlan, vapour: VapourPlan) -> _Gas | None:
    """What the vapour is whatever the liquid's temperature; None where that follows from the liquid."""
    if vapour.component is not None:
        return _Gas(vapour.component.molar_mass, None, (vapour.component,), (1.0,))
    if vapour.molar_mass_kg_mol is not None and (
        vapour.compressibility_factor is not None or not _is_composition_given(plan)
    ):
        return _Gas(vapour.molar_mass_kg_mol, vapour.compressibility_factor)
    return None


def _gas_over(plan: TankPlan, vapour: VapourPlan, liquid_c: float) -> _Gas | None:
    """What stands over the liquid at a temperature; None where its composition is not given. Raises LimitError."""
    molar_mass, own = vapour.molar_mass_kg_mol, plan.product.vapour_pressure
    if own is None or not own.curve.components:
        return None
    fractions = own.curve.vapour(liquid_c)
    if molar_mass is None:
        shares = zip(own.curve.components, fractions, strict=True)
        molar_mass = sum([each.molar_mass * share for each, share in shares])
    return _Gas(molar_mass, None, own.curve.components, fractions)


def _worked_out(gas: _Gas, absolute_pa: float, vapour_c: float) -> float:
    """kg/m3. Raises LimitError."""
    factor = gas.factor
    if factor is None:
        factor = 1.0
        if gas.components:
            factor = vapour_compressibility(gas.components, gas.fractions, absolute_pa, vapour_c)
    return vapour_density(absolute_pa, vapour_c, gas.molar_mass, factor)
