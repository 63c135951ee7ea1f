"""Density from pressures and level: when it is measured, when it replaces the entered one, and when they part."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.column import measured_column, of_doubtful_column, surroundings, water_layer
from gateway.calculation.density import DensityBasis, correct, doubted, observed_basis
from gateway.calculation.hydrostatic import density_from_pressure, product_head
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import MeasuredDensityPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, ReasonCode, TankInput
from gateway.sources import DensitySource

__all__ = ["MeasuredDensity", "measured_density"]

_LAST_GOOD_LIMIT_S = 86_400.0
_NAME = "measured density"
_GAS_C = 20.0
"""Of a gas counted by its law while the liquid's temperature is unknown: 30 degC are a tenth of the gas's density."""
_BAND_M = 0.05
_BAND = 0.05
"""A head that was too small is enough again this far above its border, or this part of it."""


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
    is_short = memory.low_heads.density
    measured = _measured(plan, hybrid, tank_input, level, water_level, temperature, is_short)
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
    plan: TankPlan,
    hybrid: MeasuredDensityPlan,
    tank_input: TankInput,
    level: Figure,
    water_level: Figure,
    temperature: Figure,
    was_short: bool,
) -> Figure:
    column = measured_column(plan, hybrid.column, tank_input, _NAME)
    head_pa, level_m = column.pressure.value, level.value
    if head_pa is None or level_m is None:
        return figure.derive(None, (column.pressure, level))
    nozzle_m, least_m = hybrid.nozzle_height_m, hybrid.minimum_head_m
    water = water_layer(hybrid.column, water_level)
    head_m = product_head(level_m, nozzle_m, water)
    if head_m < least_m + (max(_BAND_M, _BAND * least_m) if was_short else 0.0):
        text = f"{_NAME}: {head_m:.3f} m of product above the nozzle is too little; it takes {least_m:g} m"
        return figure.bad(ReasonCode.LOW_HEAD, text, max(column.pressure.age_s, level.age_s))
    liquid_c = _GAS_C if temperature.value is None else temperature.value
    measured = figure.attempt(
        lambda: density_from_pressure(
            head_pa,
            level_m,
            nozzle_m,
            plan.gravity_m_s2,
            surroundings(plan, hybrid.column, column, liquid_c),
            least_m,
            water,
        ),
        (column.pressure, level),
    )
    return of_doubtful_column(measured, column, water_level, _NAME)


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
