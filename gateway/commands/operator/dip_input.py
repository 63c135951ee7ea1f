"""Hand-measured values as one tank's input: the plan without its instruments, and what was measured in their place."""

from dataclasses import replace
from datetime import datetime
from typing import NamedTuple

from gateway.binding import TankBinding, bind
from gateway.calculation.density.entered import EnteredDensity
from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, HeadPlan, TankPlan
from gateway.commands.operator.density_option import as_read, known_density
from gateway.errors import UsageError
from gateway.records import Input, Quality, ReasonCode, TankInput, because

__all__ = [
    "Dip",
    "dip_input",
    "dip_plan",
    "needs_vapour_pressure",
    "takes_bottom_pressure",
]

_BY_HAND = because(ReasonCode.MANUAL, "measured by hand")
_SAME_TEMPERATURE_C = 0.1
_WIDEST_SPREAD_C = 10.0
_MOST_SEDIMENT_WATER = 0.05
_NO_WATER = because(ReasonCode.NONE_DETECTED, "no free water found by hand")


class Dip(NamedTuple):
    """What was measured, in SI. None: not measured."""

    level: float | None = None
    ullage: float | None = None
    water: float | None = None
    no_water: bool = False
    temperatures: tuple[float, ...] = ()
    density: EnteredDensity | None = None
    sediment_water: float | None = None
    pressure: float | None = None
    vapour_pressure: float | None = None
    ambient: float | None = None


def dip_plan(plan: TankPlan, dip: Dip) -> TankPlan:
    """`plan` as for a tank without instruments: the tape is the gauge, no temperature element counts.

    Raises UsageError when there is nothing that a level could come from.
    """
    gauge: GaugePlan | HeadPlan
    if dip.level is not None:
        gauge = GaugePlan(GaugeKind.INNAGE, name="hand dip")
    elif dip.ullage is not None:
        gauge = GaugePlan(GaugeKind.ULLAGE, name="hand ullage")
    elif isinstance(plan.gauge, HeadPlan) and dip.pressure is not None:
        gauge = plan.gauge
    elif isinstance(plan.gauge, HeadPlan):
        raise UsageError("no level was given", "give --level, --ullage or, as this tank is gauged, --pressure")
    else:
        raise UsageError("no level was given", "give --level (innage) or --ullage, for example --level '9.412 m'")
    # A tank that has a probe gets its water by hand here; one declared without water keeps it so until some is found.
    looked_for_water = dip.water is not None or dip.no_water or plan.free_water is not FreeWaterSource.NONE
    return replace(
        plan,
        gauge=gauge,
        second_gauge=None,
        temperature=replace(plan.temperature, elements=()),
        # One dip tells of no time in which something could have flowed.
        flows=(),
        free_water=FreeWaterSource.DIP if looked_for_water else FreeWaterSource.NONE,
        # Without a pressure there is nothing to measure a density by, and the entered one stands.
        measured_density=None if dip.pressure is None else plan.measured_density,
    )


def dip_input(plan: TankPlan, binding: TankBinding, dip: Dip, at: datetime, simulated: bool) -> TankInput:
    """The input of the sheet at `at` (UTC). `plan` is from `dip_plan`.

    Density and sediment and water that were not measured are the configured ones, with their own quality at that time.
    Raises UsageError for a value that this tank or its product has no use for.
    """
    standing = TankBinding(
        tank=binding.tank,
        reference_density=binding.reference_density,
        observed_density=binding.observed_density,
        sediment_water=binding.sediment_water,
        # A dip that the site file has, of a tank without a probe, is in force here as it is there.
        manual_water=binding.manual_water if binding.water is None else None,
        simulated=simulated,
    )
    given = bind(standing, {}, round(at.timestamp() * 1e9), 0)
    bottom, vapour = _pressures(plan, dip)
    reference, observed = _density(plan, dip, given)
    return given._replace(
        level=_by_hand(dip.level if dip.level is not None else dip.ullage),
        bottom_pressure=_by_hand(bottom),
        vapour_pressure=_by_hand(vapour),
        dip_water=_water(plan, dip, given.dip_water),
        elements=(),
        manual_temperature=_temperature(dip.temperatures),
        ambient=_by_hand(dip.ambient),
        reference_density=reference,
        observed_density=observed,
        sediment_water=given.sediment_water if dip.sediment_water is None else _sediment_water(dip.sediment_water),
    )


def _water(plan: TankPlan, dip: Dip, standing: Input | None) -> Input | None:
    """What was found by hand now; else the dip of the site file while it is in force."""
    if dip.no_water:
        return Input(None, Quality.GOOD, _NO_WATER, 0.0, "dip", True)
    if dip.water is not None or plan.free_water is not FreeWaterSource.DIP or standing is None:
        return _by_hand(dip.water)
    return standing._replace(source="site file")


def density_how(plan: TankPlan, binding: TankBinding, dip: Dip) -> str:
    """How the density in use was brought to reference temperature, in words; empty where it was entered there."""
    if dip.density is None:
        return "" if binding.reference_density is None else binding.reference_density.how
    if plan.product.method.needs_density and plan.product.method.reference_temperature_c is None:
        return ""
    return known_density(plan.product, dip.density).how


def _temperature(temperatures_c: tuple[float, ...]) -> Input | None:
    """The mean of the readings. Readings that far apart are layers, or one of them was mistyped."""
    if not temperatures_c:
        return None
    spread_c = max(temperatures_c) - min(temperatures_c)
    mean = Input(sum(temperatures_c) / len(temperatures_c), Quality.GOOD, _BY_HAND, 0.0, "dip", True)
    if spread_c <= _WIDEST_SPREAD_C:
        return mean
    reason = because(
        ReasonCode.STRATIFIED,
        "temperatures by hand differ by {spread:apart degC .1f}: layers, or one is mistyped",
        spread=spread_c,
    )
    return mean._replace(quality=Quality.UNCERTAIN, reason=reason)


def _sediment_water(share: float) -> Input:
    """0.3 % typed as 30 % is possible, so more than stored liquid has is doubted (common practice)."""
    entered = Input(share, Quality.GOOD, _BY_HAND, 0.0, "dip", True)
    if share <= _MOST_SEDIMENT_WATER:
        return entered
    reason = because(
        ReasonCode.INPUT_UNCERTAIN, "sediment and water of {share:.0%} is more than a stored liquid has", share=share
    )
    return entered._replace(quality=Quality.UNCERTAIN, reason=reason)


def takes_bottom_pressure(plan: TankPlan) -> bool:
    """Whether the pressure of the liquid column makes a level or a density of this tank."""
    return isinstance(plan.gauge, HeadPlan) or plan.measured_density is not None


def needs_vapour_pressure(plan: TankPlan) -> bool:
    """Whether figures of this tank cannot be had without the pressure above its liquid."""
    by_gas_law = plan.vapour is not None and plan.vapour.density_kg_m3 is None
    return plan.pressurised or (by_gas_law and not plan.blanketed)


def _pressures(plan: TankPlan, dip: Dip) -> tuple[float | None, float | None]:
    """(at the nozzle, above the liquid) in Pa gauge. A tank with one pressure only takes it by --pressure."""
    if takes_bottom_pressure(plan):
        return dip.pressure, dip.vapour_pressure
    if dip.pressure is not None and dip.vapour_pressure is not None:
        raise UsageError(
            f"--pressure: {plan.tank} has a vapour pressure only, and --vapour-pressure gives it", "leave one away"
        )
    given = dip.pressure if dip.vapour_pressure is None else dip.vapour_pressure
    if given is not None and not (plan.pressurised or plan.vapour is not None):
        option = "pressure" if dip.vapour_pressure is None else "vapour-pressure"
        raise UsageError(
            f"--{option}: {plan.tank} has no vapour pressure, and its level was given", f"leave --{option} away"
        )
    return None, given


def _density(plan: TankPlan, dip: Dip, given: TankInput) -> tuple[Input | None, Input | None]:
    if dip.density is None:
        return given.reference_density, given.observed_density
    if plan.product.method.needs_density and plan.product.method.reference_temperature_c is None:
        return None, _by_hand(_density_at_tank(plan, dip, dip.density))
    known = known_density(plan.product, dip.density)
    entered = Input(known.value, Quality.GOOD, _BY_HAND, 0.0, "dip", True)
    if known.doubt is None:
        return entered, None
    return entered._replace(quality=Quality.UNCERTAIN, reason=known.doubt), None


def _density_at_tank(plan: TankPlan, dip: Dip, density: EnteredDensity) -> float:
    """A density for a product without a reference temperature: it can only be that of the liquid as it is now."""
    liquid_c = sum(dip.temperatures) / len(dip.temperatures) if dip.temperatures else None
    value, at_c = as_read(density)
    if at_c is not None and (liquid_c is None or abs(at_c - liquid_c) > _SAME_TEMPERATURE_C):
        raise UsageError(
            f"--density-at: {plan.product.name} has no reference temperature, so its density must be that at tank "
            "temperature",
            "measure it at tank temperature, or set reference_temperature for the product in the site file",
        )
    return value


def _by_hand(value: float | None) -> Input | None:
    return None if value is None else Input(value, Quality.GOOD, _BY_HAND, 0.0, "dip", True)
