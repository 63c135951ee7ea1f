"""Density from pressures and level: when it is measured, when it replaces the entered one, and when they part."""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.density.at_temperature import DensityBasis, correct, doubted, observed_basis
from gateway.calculation.doubts.densities_apart import Densities, densities_reason, next_densities
from gateway.calculation.doubts.words import Doubt, Judgements
from gateway.calculation.level.column import measured_column, of_doubtful_column, surroundings, water_layer
from gateway.calculation.level.hydrostatic import density_from_pressure, product_head
from gateway.calculation.limits import limit_reason
from gateway.calculation.memory import Memory, last_good
from gateway.calculation.plan import TOUCH_M, MeasuredDensityPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Reason, ReasonCode, TankInput, because
from gateway.sources import DensitySource

__all__ = ["MeasuredDensity", "measured_density"]

_LAST_GOOD_LIMIT_S = 86_400.0
_NAME = "measured density"
_ENTERED_TAKEN = Reason(ReasonCode.INPUT_UNCERTAIN, "the entered density is taken, none is measured")
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
    doubt: Reason | None = None
    """Why what rests on the density is in doubt: the measured and the entered one differ."""
    densities: Densities | None = None
    """For the next sheet."""


def measured_density(
    plan: TankPlan,
    tank_input: TankInput,
    entered: DensityBasis,
    level: Figure,
    water_level: Figure,
    temperature: Figure,
    ages: Reason | None,
    memory: Memory,
    now_s: float,
    judgements: Judgements | None = None,
) -> MeasuredDensity:
    """The measured density in kg/m3 at tank temperature, its difference from the entered one, and the basis in force.

    `ages`: why pressure and level are not of one moment, where they are not. Below its least head, and while a pressure
    is missing, the last Good measured density stands in, Uncertain; after a day the entered one does (common practice).
    `judgements`: as they were found, in place of comparing anew.
    """
    hybrid = plan.measured_density
    if hybrid is None:
        none = figure.not_applicable("density is not measured")
        return MeasuredDensity(none, none, entered)
    made, measured = _measured(plan, hybrid, tank_input, level, water_level, temperature, memory.low_heads.density)
    if ages is not None and measured.value is not None:
        measured = figure.lower(measured, ages)
    difference = _difference(measured, entered, temperature)
    # A column of which something is not known, or a level of another moment, make the measured density wrong and not
    # the entered one.
    compared = difference.value if measured is made else None
    read_s = now_s - (0.0 if tank_input.bottom_pressure is None else tank_input.bottom_pressure.age_s)
    limit = hybrid.difference_limit_kg_m3
    densities = next_densities(memory.doubts.densities, compared, entered.given.value, limit, read_s)
    doubt = densities_reason(densities, limit, now_s, compared is not None)
    if judgements is not None:
        doubt = judgements.get(Doubt.DENSITIES)
    if doubt is not None and difference.value is not None:
        difference = figure.lower(difference, doubt)
    if not hybrid.in_use:
        return MeasuredDensity(measured, difference, entered, doubt, densities)
    in_force, source = measured, DensitySource.MEASURED
    if in_force.value is None:
        stood = _last_good(measured, memory, now_s)
        if stood is None:
            return MeasuredDensity(measured, difference, _entered_instead(entered, measured), doubt, densities)
        in_force, source = stood, DensitySource.LAST_MEASURED
    basis = observed_basis(entered.product, in_force, source, entered.standing)
    return MeasuredDensity(measured, difference, basis, doubt, densities)


def _measured(
    plan: TankPlan,
    hybrid: MeasuredDensityPlan,
    tank_input: TankInput,
    level: Figure,
    water_level: Figure,
    temperature: Figure,
    was_short: bool,
) -> tuple[Figure, Figure]:
    """The density as the pressures give it, and with what is not known of the column."""
    column = measured_column(plan, hybrid.column, tank_input, _NAME)
    head_pa, level_m = column.pressure.value, level.value
    if head_pa is None or level_m is None:
        lost = figure.derive(None, (column.pressure, level))
        return lost, lost
    nozzle_m, least_m = hybrid.nozzle_height_m, hybrid.minimum_head_m - TOUCH_M
    water = water_layer(hybrid.column, water_level)
    head_m = product_head(level_m, nozzle_m, water)
    if head_m < least_m + (max(_BAND_M, _BAND * least_m) if was_short else 0.0):
        short = because(
            ReasonCode.LOW_HEAD,
            "measured density: {head:m .3f} of product above the nozzle is too little; it takes {least:m g}",
            head=head_m,
            least=hybrid.minimum_head_m,
        )
        lost = figure.bad(short, max(column.pressure.age_s, level.age_s))
        return lost, lost
    liquid_c = _GAS_C if temperature.value is None else temperature.value
    made = figure.attempt(
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
    return made, of_doubtful_column(made, column, water_level, _NAME)


def _difference(measured: Figure, entered: DensityBasis, temperature: Figure) -> Figure:
    """Measured less entered density, both at tank temperature."""
    if measured.value is None or temperature.value is None or (entered.prepared is None and entered.observed is None):
        return figure.not_applicable("a measured and an entered density are needed for a comparison")
    try:
        _, corrected, doubts = correct(entered, temperature.value, 0.0)
    except LimitError as error:
        return figure.bad(limit_reason(error), temperature.age_s)
    expected = corrected.observed_density
    if expected is None:
        return figure.not_applicable("no density is entered")
    given = figure.undated(entered.given)
    known = (given,) if given.value is not None else ()
    return doubted(figure.derive(measured.value - expected, (measured, temperature, *known)), doubts)


def _last_good(measured: Figure, memory: Memory, now_s: float) -> Figure | None:
    return figure.from_last_good(
        last_good(memory, "measured_density"),
        now_s,
        _LAST_GOOD_LIMIT_S,
        measured.reasons,
        "the last Good measured density stands in, {age:duration} old",
    )


def _entered_instead(entered: DensityBasis, measured: Figure) -> DensityBasis:
    if entered.given.value is None:
        return entered
    taken = figure.lower(entered.given, _ENTERED_TAKEN)
    return entered._replace(given=taken._replace(reasons=(*taken.reasons, *measured.reasons)))
