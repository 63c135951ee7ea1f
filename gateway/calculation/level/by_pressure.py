"""The level from the pressure of the liquid column, found together with the temperature and density at that level."""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contents import Contents, contents_at, free_water
from gateway.calculation.density.at_temperature import REFUSED_DENSITY, DensityBasis, correct, doubted
from gateway.calculation.level.chain import TAPE_RESOLUTION_M, checked_level
from gateway.calculation.level.column import (
    MeasuredColumn,
    measured_column,
    of_doubtful_column,
    surroundings,
    water_layer,
)
from gateway.calculation.level.hydrostatic import level_from_pressure, liquid_pressure
from gateway.calculation.limits import limit_reason
from gateway.calculation.memory import Memory
from gateway.calculation.plan import TOUCH_M, HeadPlan, TankPlan
from gateway.errors import LimitError
from gateway.records import Figure, Quality, ReasonCode, TankInput, because

__all__ = ["level_by_pressure"]

_ROUNDS = 5
_CONVERGED_M = 1e-6
_STARTING_DENSITY = 900.0
"""kg/m3, only to begin the fixed point where no density is entered: it does not enter the result."""
_STARTING_C = 20.0
_BAND = 0.25
"""A head that was too small is enough again this part above its border, or as much as the transmitter's error."""
_PA_PER_M = 1e4
"""A metre of water, roughly."""
_UNJUDGED = figure.not_applicable("the level is still being found")


class _Column(NamedTuple):
    """What stays the same over the rounds."""

    plan: TankPlan
    head: HeadPlan
    measured: MeasuredColumn
    head_pa: float
    water: Figure
    """As it is known without the level."""


class _Solved(NamedTuple):
    level: Figure
    liquid_pa: float
    """Pressure at the nozzle of the liquid alone."""


def level_by_pressure(
    plan: TankPlan, head: HeadPlan, tank_input: TankInput, basis: DensityBasis, memory: Memory, now_s: float
) -> tuple[Figure, Contents | None]:
    """Level by pressure: the wet elements, the density at tank temperature and the level agree with each other.

    A fixed point, at most five rounds. Where none is found, the round with fewer wet elements stands, Uncertain. With
    less liquid above the nozzle than `head.minimum_head_m` the tank may be empty: Uncertain. Where the pressure is zero
    within the transmitter's accuracy the level is at most the nozzle's height, which is shown; further below it is Bad.
    """
    measured = measured_column(plan, head.column, tank_input, head.name)
    head_pa = measured.pressure.value
    if head_pa is None:
        return measured.pressure, None
    if basis.prepared is None and basis.observed is None:
        if basis.given.value is None:
            return figure.derive(None, (basis.given,)), None
        return figure.bad(basis.refusal or REFUSED_DENSITY), None

    water, _ = free_water(plan, tank_input, memory, _UNJUDGED, now_s)
    column = _Column(plan, head, measured, head_pa, water)
    given = figure.undated(basis.given)
    known = (given,) if given.value is not None else ()
    solved = _solve(column, given.value or _STARTING_DENSITY, _STARTING_C, (measured.pressure,))
    rounds: list[tuple[_Solved, Contents]] = []
    for _ in range(_ROUNDS):
        found = contents_at(plan, tank_input, memory, solved.level, now_s)
        temperature = found.liquid.average
        liquid_c = temperature.value
        if liquid_c is None:
            return _without_temperature(column, basis, known, found, memory), found
        above_pa = max(0.0, measured.above_pa) if plan.pressurised else 0.0
        try:
            _, corrected, doubts = correct(basis, liquid_c, above_pa)
        except LimitError as error:
            return figure.bad(limit_reason(error)), found
        density = corrected.observed_density
        if density is None:
            return figure.derive(None, (given,)), found
        before_m = solved.level.value
        solved = _solve(column, density, liquid_c, (measured.pressure, temperature, *known))
        if solved.level.value is None:
            return solved.level, found
        after_m = solved.level.value
        solved = solved._replace(level=doubted(solved.level, doubts))
        rounds.append((solved, found))
        if before_m is not None and abs(after_m - before_m) < _CONVERGED_M:
            return _judged(column, solved, memory), found
    solved, found = min(rounds[-2:], key=lambda each: sum(each[1].placed.wet))
    unsettled = because(
        ReasonCode.NOT_CONVERGED,
        "level by pressure did not settle within {rounds} rounds; the lower set of elements is taken",
        rounds=_ROUNDS,
    )
    level = figure.lower(solved.level, unsettled)
    return _judged(column, solved._replace(level=level), memory), found


def _solve(column: _Column, density: float, liquid_c: float, inputs: Sequence[Figure]) -> _Solved:
    """The level of a column of that density; without liquid above the nozzle its height, which is the highest it is."""
    plan, head = column.plan, column.head
    gravity, nozzle_m = plan.gravity_m_s2, head.nozzle_height_m
    try:
        around = surroundings(plan, head.column, column.measured, liquid_c)
        liquid_pa = liquid_pressure(column.head_pa, nozzle_m, gravity, around)
        level_m = nozzle_m
        if liquid_pa > 0.0:
            water = water_layer(head.column, column.water)
            level_m = level_from_pressure(column.head_pa, density, nozzle_m, gravity, around, water)
    except LimitError as error:
        age_s = max(each.age_s for each in inputs)
        return _Solved(figure.bad(limit_reason(error), age_s), 0.0)
    return _Solved(figure.derive(level_m, inputs), liquid_pa)


def _without_temperature(
    column: _Column, basis: DensityBasis, known: Sequence[Figure], found: Contents, memory: Memory
) -> Figure:
    """Of a tank that is all but empty no element is submerged, and so little liquid needs no temperature: its density
    at the reference temperature makes millimetres. More liquid without a temperature has no level."""
    reference_c = basis.method.reference_temperature_c
    liquid_c = _STARTING_C if reference_c is None else reference_c
    lost = figure.derive(None, (found.liquid.average,))
    try:
        _, corrected, doubts = correct(basis, liquid_c, 0.0)
    except LimitError:
        return lost
    density = corrected.observed_density
    if density is None:
        return lost
    solved = _solve(column, density, liquid_c, (column.measured.pressure, *known))
    solved = solved._replace(level=doubted(solved.level, doubts))
    if solved.level.value is None or not _is_low(column, solved, memory):
        return lost
    assumed = because(
        ReasonCode.INPUT_UNCERTAIN,
        "{name}: no temperature; so little liquid is taken at {temperature:degC g}",
        name=column.head.name,
        temperature=liquid_c,
    )
    return _judged(column, solved._replace(level=figure.lower(solved.level, assumed)), memory)


def _head_m(column: _Column, solved: _Solved) -> float:
    return (solved.level.value or 0.0) - column.head.nozzle_height_m


def _is_low(column: _Column, solved: _Solved, memory: Memory) -> bool:
    """With some way back, so that ripple at the border changes nothing."""
    least_m = column.head.minimum_head_m
    if memory.low_heads.level:
        least_m += max(_BAND * least_m, column.head.accuracy_pa / _PA_PER_M)
    return _head_m(column, solved) < least_m - TOUCH_M


def _judged(column: _Column, solved: _Solved, memory: Memory) -> Figure:
    """The level as far as its column can be trusted."""
    head, level, liquid_pa = column.head, solved.level, solved.liquid_pa
    if level.value is None:
        return level
    border_pa = -head.accuracy_pa / 2.0 if memory.low_heads.below_zero else -head.accuracy_pa
    if liquid_pa < border_pa:
        reason = because(
            ReasonCode.BELOW_DATUM,
            "{name}: {pressure:Pa .0f} is further below zero than its accuracy, {accuracy:Pa .0f}, so the level is "
            "unknown: see to its zero, and to the pressure above the liquid",
            name=head.name,
            pressure=liquid_pa,
            accuracy=head.accuracy_pa,
        )
        return figure.lower(level, reason, Quality.BAD)
    is_low = _is_low(column, solved, memory)
    level_m, head_m = level.value, _head_m(column, solved)
    level = checked_level(level_m, level, head.name, column.plan.reference_height_m, head.resolution_m)
    water_m = column.water.value
    if water_m is not None and water_m > level_m + TAPE_RESOLUTION_M:
        reason = because(
            ReasonCode.INPUT_UNCERTAIN,
            "{name}: the pressure does not carry free water up to {water:m .3f}: it is taken as all water",
            name=head.name,
            water=water_m,
        )
        level = figure.lower(level, reason)
    level = of_doubtful_column(level, column.measured, column.water, head.name)
    if level.value is None or not is_low:
        return level
    if liquid_pa > 0.0:
        reason = because(
            ReasonCode.LOW_HEAD,
            "{name}: {head:mm .0f} of liquid above the nozzle, less than {least:m .3f}: the tank may be empty",
            name=head.name,
            head=head_m,
            least=head.minimum_head_m,
        )
    else:
        reason = because(
            ReasonCode.LOW_HEAD,
            "{name}: no liquid above the nozzle at {nozzle:m .3f}: the tank may be empty",
            name=head.name,
            nozzle=head.nozzle_height_m,
        )
    return figure.lower(level, reason)
