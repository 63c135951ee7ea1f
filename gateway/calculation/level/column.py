"""The column over a pressure nozzle: the pressure of what stands in it, and what stands above, below and beside it.

Above the liquid is outside air (a vented tank), a gas whose pressure is measured, or a gas of which nobody knows the
pressure; then what is made from the column is Uncertain.
"""

from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.level.hydrostatic import AIR_PER_PA, Surroundings, WaterLayer
from gateway.calculation.plan import ColumnPlan, TankPlan
from gateway.calculation.vapour.space import gas_density, is_factor_assumed
from gateway.records import Figure, Quality, ReasonCode, TankInput, because

__all__ = ["MeasuredColumn", "measured_column", "of_doubtful_column", "surroundings", "water_layer"]


class MeasuredColumn(NamedTuple):
    pressure: Figure
    """Bottom pressure less the pressure above the liquid, in Pa; Bad where either has no value."""
    above_pa: float
    """Gauge pressure above the liquid; 0 where the tank is vented or nobody knows it."""
    is_blanket_unknown: bool
    is_gas_assumed: bool = False
    """Whether the density of the gas rests on a compressibility that nobody gave."""


def measured_column(plan: TankPlan, around: ColumnPlan, tank_input: TankInput, name: str) -> MeasuredColumn:
    """The pressures as they were measured. `name`: of what is made from them."""
    if tank_input.bottom_pressure is None:
        unread = because(ReasonCode.NOT_FITTED, "{name} has no reading", name=name)
        return MeasuredColumn(figure.bad(unread), 0.0, False)
    bottom = figure.from_input(tank_input.bottom_pressure)
    if tank_input.vapour_pressure is None:
        unknown = plan.blanketed or around.vapour_pressure_fitted
        return MeasuredColumn(figure.derive(bottom.value, (bottom,)), 0.0, unknown)
    vapour = figure.from_input(tank_input.vapour_pressure)
    if bottom.value is None or vapour.value is None:
        return MeasuredColumn(figure.derive(None, (bottom, vapour)), 0.0, False)
    by_law = None if around.gas_density_kg_m3 is not None or plan.blanketed else plan.vapour
    assumed = by_law is not None and is_factor_assumed(plan, by_law)
    return MeasuredColumn(figure.derive(bottom.value - vapour.value, (bottom, vapour)), vapour.value, False, assumed)


def surroundings(plan: TankPlan, around: ColumnPlan, column: MeasuredColumn, liquid_c: float) -> Surroundings:
    """Gas and air of the column. A vapour counted by the gas law is taken at the liquid's temperature, degC.

    Raises LimitError where the gas law refuses the state.
    """
    height_m = around.vapour_transmitter_height_m
    return Surroundings(
        plan.capacity.top_m if height_m is None else height_m,
        _gas_density(plan, around, column, liquid_c),
        around.air_density_kg_m3,
    )


def _gas_density(plan: TankPlan, around: ColumnPlan, column: MeasuredColumn, liquid_c: float) -> float:
    """As stated; else the vapour's; else, and where another gas than the product's own stands there, that of air."""
    if around.gas_density_kg_m3 is not None:
        return around.gas_density_kg_m3
    if plan.vapour is None or plan.blanketed:
        return around.air_density_kg_m3 + AIR_PER_PA * column.above_pa
    return gas_density(plan, plan.vapour, column.above_pa, liquid_c)


def water_layer(around: ColumnPlan, water_level: Figure) -> WaterLayer | None:
    """The free water as a part of the column; None where there is none, or nobody knows how much."""
    return None if water_level.value is None else WaterLayer(water_level.value, around.water_density_kg_m3)


def of_doubtful_column(made: Figure, column: MeasuredColumn, water_level: Figure, name: str) -> Figure:
    """What was made from the column, Uncertain where it is not known what else is in it."""
    if made.value is None:
        return made
    if column.is_gas_assumed:
        reason = because(
            ReasonCode.COMPRESSIBILITY_ASSUMED,
            "{name}: compressibility of the vapour taken as 1, so the weight of the gas in the column is uncertain",
            name=name,
        )
        made = figure.lower(made, reason)
    if column.is_blanket_unknown:
        reason = because(
            ReasonCode.BLANKET_UNKNOWN,
            "{name}: the pressure of the gas above the liquid is not known; 2 kPa of it look like 0.2 m of water",
            name=name,
        )
        made = figure.lower(made, reason)
    if water_level.quality is Quality.GOOD:
        return made
    phrase = _WATER_UNKNOWN if water_level.quality is Quality.BAD else _WATER_UNCERTAIN
    return figure.lower(made, because(ReasonCode.INPUT_UNCERTAIN, phrase, name=name))


_WATER_UNKNOWN = "{name}: free water unknown: it may stand in the column"
_WATER_UNCERTAIN = "{name}: free water uncertain: it may stand in the column"
