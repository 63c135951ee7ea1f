"""Density from pressures and level: when it is measured, when it replaces the entered one, and when they part."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.column import column_pressure, doubted_for_water
from gateway.calculation.density import DensityBasis, correct, doubted, observed_basis
from gateway.calculation.hydrostatic import density_from_pressure
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import MeasuredDensityPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, ReasonCode, TankInput
from gateway.sources import DensitySource

__all__ = ["MeasuredDensity", "measured_density"]

_LAST_GOOD_LIMIT_S = 86_400.0
_NAME = "measured density"


class MeasuredDensity(NamedTuple):
    measured: Figure
    difference: Figure
    basis: DensityBasis
    """What the correction rests on from here on."""


def measured_density(
    plan: TankPlan,
    tank_input: TankInput,
    entered: DensityBasis,
    level: Figure,
    water_level: Figure,
    temperature: Figure,
    memory: Memory,
    now_s: float,
) -> MeasuredDensity:
    """The measured density in kg/m3 at tank temperature, its difference from the entered one, and the basis in force.

    Below its least head, and while a pressure is missing, the last Good measured density stands in, Uncertain; after a
    day the entered one does (common practice).
    """
    hybrid = plan.measured_density
    if hybrid is None:
        none = figure.not_applicable("density is not measured")
        return MeasuredDensity(none, none, entered)
    measured = _measured(plan, hybrid, tank_input, level, water_level)
    difference = _difference(hybrid, measured, entered, temperature)
    if not hybrid.in_use:
        return MeasuredDensity(measured, difference, entered)
    in_force, source = measured, DensitySource.MEASURED
    if in_force.value is None:
        stood = _last_good(measured, memory, now_s)
        if stood is None:
            return MeasuredDensity(measured, difference, _entered_instead(entered, measured))
        in_force, source = stood, DensitySource.LAST_MEASURED
    elif difference.quality is Quality.UNCERTAIN and measured.quality is Quality.GOOD:
        in_force = in_force._replace(quality=Quality.UNCERTAIN, reasons=difference.reasons)
    basis = observed_basis(entered.product, in_force, source, entered.standing)
    return MeasuredDensity(measured, difference, basis)


def _measured(
    plan: TankPlan, hybrid: MeasuredDensityPlan, tank_input: TankInput, level: Figure, water_level: Figure
) -> Figure:
    pressure = column_pressure(tank_input, _NAME)
    head_pa, level_m = pressure.value, level.value
    if head_pa is None or level_m is None:
        return figure.derive(None, (pressure, level))
    measured = figure.attempt(
        lambda: density_from_pressure(
            head_pa,
            level_m,
            hybrid.nozzle_height_m,
            plan.gravity_m_s2,
            hybrid.surroundings,
            hybrid.minimum_head_m,
        ),
        (pressure, level),
    )
    return doubted_for_water(measured, water_level, hybrid.nozzle_height_m, _NAME)


def _difference(hybrid: MeasuredDensityPlan, measured: Figure, entered: DensityBasis, temperature: Figure) -> Figure:
    """Measured less entered density, both at tank temperature; Uncertain with its reason beyond the limit."""
    if measured.value is None or temperature.value is None or (entered.prepared is None and entered.observed is None):
        return figure.not_applicable("a measured and an entered density are needed for a comparison")
    try:
        _, corrected, doubts = correct(entered, temperature.value, 0.0)
    except LimitError as error:
        return figure.bad(ReasonCode.METHOD_LIMIT, str(error), temperature.age_s)
    expected = corrected.observed_density
    if expected is None:
        return figure.not_applicable("no density is entered")
    given = figure.undated(entered.given)
    known = (given,) if given.value is not None else ()
    difference = doubted(figure.derive(measured.value - expected, (measured, temperature, *known)), doubts)
    if abs(measured.value - expected) > hybrid.difference_limit_kg_m3:
        text = (
            f"measured density {measured.value:.1f} kg/m3 is {measured.value - expected:+.1f} kg/m3 from the entered "
            f"one at tank temperature, more than {hybrid.difference_limit_kg_m3:g} kg/m3"
        )
        return figure.lower(difference, ReasonCode.DENSITIES_DISAGREE, text)
    return difference


def _last_good(measured: Figure, memory: Memory, now_s: float) -> Figure | None:
    return figure.from_last_good(
        last_good(memory, "measured_density"), now_s, _LAST_GOOD_LIMIT_S, measured.reasons, "measured density"
    )


def _entered_instead(entered: DensityBasis, measured: Figure) -> DensityBasis:
    if entered.given.value is None:
        return entered
    taken = figure.lower(entered.given, ReasonCode.INPUT_UNCERTAIN, "the entered density is taken, none is measured")
    return entered._replace(given=taken._replace(reasons=(*taken.reasons, *measured.reasons)))
