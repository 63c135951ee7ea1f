"""Density from pressures and level: when it is measured, when it replaces the entered one, and when they part."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.density import DensityBasis, correct, observed_basis
from gateway.calculation.hydrostatic import density_from_pressure
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import MeasuredDensityPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, Reason, ReasonCode, TankInput

__all__ = ["MeasuredDensity", "measured_density"]

_LAST_GOOD_LIMIT_S = 86_400.0


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
    in_force = measured
    if in_force.value is None:
        stood = _last_good(measured, memory, now_s)
        if stood is None:
            return MeasuredDensity(measured, difference, _entered_instead(entered, measured))
        in_force = stood
    elif difference.quality is Quality.UNCERTAIN and measured.quality is Quality.GOOD:
        in_force = in_force._replace(quality=Quality.UNCERTAIN, reasons=difference.reasons)
    return MeasuredDensity(measured, difference, observed_basis(entered.method, in_force))


def _measured(
    plan: TankPlan, hybrid: MeasuredDensityPlan, tank_input: TankInput, level: Figure, water_level: Figure
) -> Figure:
    if tank_input.bottom_pressure is None:
        return figure.bad(ReasonCode.NOT_FITTED, "no bottom pressure is read, so density is not measured")
    pressure = figure.from_input(tank_input.bottom_pressure)
    inputs = [pressure, level]
    head_pa = pressure.value
    if tank_input.vapour_pressure is not None:
        vapour = figure.from_input(tank_input.vapour_pressure)
        inputs.append(vapour)
        head_pa = None if head_pa is None or vapour.value is None else head_pa - vapour.value
    level_m = level.value
    if head_pa is None or level_m is None:
        return figure.derive(None, inputs)
    head = head_pa
    measured = figure.attempt(
        lambda: density_from_pressure(
            head,
            level_m,
            hybrid.nozzle_height_m,
            plan.gravity_m_s2,
            hybrid.surroundings,
            hybrid.minimum_head_m,
        ),
        inputs,
    )
    water_m = water_level.value
    if measured.value is not None and water_m is not None and water_m > hybrid.nozzle_height_m:
        text = "free water stands above the pressure nozzle, so the column is not all product"
        return figure.lower(measured, ReasonCode.INPUT_UNCERTAIN, text)
    return measured


def _difference(hybrid: MeasuredDensityPlan, measured: Figure, entered: DensityBasis, temperature: Figure) -> Figure:
    """Measured less entered density, both at tank temperature; Uncertain with its reason beyond the limit."""
    if measured.value is None or temperature.value is None or (entered.prepared is None and entered.observed is None):
        return figure.not_applicable("a measured and an entered density are needed for a comparison")
    try:
        expected = correct(entered, temperature.value, 0.0)[1].observed_density
    except LimitError as error:
        return figure.bad(ReasonCode.METHOD_LIMIT, str(error), temperature.age_s)
    if expected is None:
        return figure.not_applicable("no density is entered")
    given = entered.given._replace(age_s=0.0, manual=False)
    known = (given,) if given.value is not None else ()
    difference = figure.derive(measured.value - expected, (measured, temperature, *known))
    if abs(measured.value - expected) > hybrid.difference_limit_kg_m3:
        text = (
            f"measured density {measured.value:.1f} kg/m3 is {measured.value - expected:+.1f} kg/m3 from the entered "
            f"one at tank temperature, more than {hybrid.difference_limit_kg_m3:g} kg/m3"
        )
        return figure.lower(difference, ReasonCode.DENSITIES_DISAGREE, text)
    return difference


def _last_good(measured: Figure, memory: Memory, now_s: float) -> Figure | None:
    last = last_good(memory, "measured_density")
    if last is None or not 0.0 <= now_s - last.time_s <= _LAST_GOOD_LIMIT_S:
        return None
    age_s = now_s - last.time_s
    cause = measured.reasons[0].text if measured.reasons else "no measured density"
    text = f"{cause}: last Good measured density, {age_s / 3600:.1f} h old"
    return Figure(last.value, Quality.UNCERTAIN, (Reason(ReasonCode.LAST_GOOD_USED, text),), age_s)


def _entered_instead(entered: DensityBasis, measured: Figure) -> DensityBasis:
    cause = measured.reasons[0].text if measured.reasons else "no measured density"
    if entered.given.value is None:
        return entered
    text = f"{cause}: the entered density is taken"
    return entered._replace(given=figure.lower(entered.given, ReasonCode.INPUT_UNCERTAIN, text))
