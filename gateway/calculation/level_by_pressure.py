"""The level from the pressure of the liquid column, found together with the temperature and density at that level."""

from collections.abc import Sequence

from gateway.calculation import figure
from gateway.calculation.column import column_pressure, doubted_for_water
from gateway.calculation.contents import Contents, contents_at
from gateway.calculation.density import DensityBasis, correct, doubted
from gateway.calculation.hydrostatic import level_from_pressure
from gateway.calculation.level import checked_level
from gateway.calculation.memory import Memory
from gateway.calculation.plan import HeadPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, ReasonCode, TankInput

__all__ = ["level_by_pressure"]

_ROUNDS = 5
_CONVERGED_M = 1e-6
_STARTING_DENSITY = 900.0
"""kg/m3, only to begin the fixed point where no density is entered: it does not enter the result."""


def level_by_pressure(
    plan: TankPlan, head: HeadPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> tuple[Figure, Contents | None]:
    """Level by pressure: the wet elements, the density at tank temperature and the level agree with each other.

    A fixed point, at most five rounds. Where none is found, the round with fewer wet elements stands, Uncertain.
    """
    pressure = column_pressure(tank_input, head.name)
    head_pa = pressure.value
    if head_pa is None:
        return pressure, None
    if head_pa <= 0.0:
        text = f"{head.name}: no liquid above the nozzle at {head.nozzle_height_m:.3f} m, so the level is unknown"
        return figure.lower(pressure, ReasonCode.BELOW_DATUM, text, Quality.BAD), None
    if basis.prepared is None and basis.observed is None:
        if basis.given.value is None:
            return figure.derive(None, (basis.given,)), None
        return figure.bad(ReasonCode.METHOD_LIMIT, basis.refusal or "the method refuses the density"), None

    density_given = figure.undated(basis.given)
    start = basis.given.value or _STARTING_DENSITY
    level = _head_level(plan, head, head_pa, start, (pressure,))
    rounds: list[tuple[Figure, Contents]] = []
    for _ in range(_ROUNDS):
        found = contents_at(plan, tank_input, memory, level, now_s)
        temperature = found.liquid.average
        if temperature.value is None:
            return figure.derive(None, (temperature,)), found
        try:
            _, corrected, doubts = correct(basis, temperature.value, 0.0)
        except LimitError as error:
            return figure.bad(ReasonCode.METHOD_LIMIT, str(error)), found
        density = corrected.observed_density
        if density is None:
            return figure.derive(None, (density_given,)), found
        before_m = level.value
        known = (density_given,) if density_given.value is not None else ()
        level = doubted(_head_level(plan, head, head_pa, density, (pressure, temperature, *known)), doubts)
        if level.value is None:
            return level, found
        rounds.append((level, found))
        if before_m is not None and abs(level.value - before_m) < _CONVERGED_M:
            return _head_checked(plan, head, level, found), found
    level, found = min(rounds[-2:], key=lambda each: sum(each[1].placed.wet))
    text = f"level by pressure did not settle within {_ROUNDS} rounds; the lower set of elements is taken"
    return _head_checked(plan, head, figure.lower(level, ReasonCode.NOT_CONVERGED, text), found), found


def _head_level(plan: TankPlan, head: HeadPlan, head_pa: float, density: float, inputs: Sequence[Figure]) -> Figure:
    return figure.attempt(
        lambda: level_from_pressure(head_pa, density, head.nozzle_height_m, plan.gravity_m_s2), inputs
    )


def _head_checked(plan: TankPlan, head: HeadPlan, level: Figure, found: Contents) -> Figure:
    if level.value is None:
        return level
    level = checked_level(level.value, level, head.name, plan.reference_height_m, head.resolution_m)
    return doubted_for_water(level, found.water_level, head.nozzle_height_m, head.name)
