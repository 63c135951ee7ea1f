"""The calculation sheet of one tank, in the order of API MPMS 12.1.1: level, temperature, TOV, FW, GOV, GSV, NSV, mass.

`calculate(plan, tank_input, memory) -> (inventory, memory)` is the whole of it: nothing else is read or kept.
"""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.density.at_temperature import (
    DensityBasis,
    correction_figures,
    density_basis,
    of_another_product,
    standing_doubts,
)
from gateway.calculation.density.layers import layers_of_one_sample, remarked
from gateway.calculation.density.measured import measured_density
from gateway.calculation.door import admitted
from gateway.calculation.doubts.plausibility import as_judged, judged
from gateway.calculation.doubts.words import Doubt, Judgements
from gateway.calculation.level.chain import TAPE_RESOLUTION_M, within_capacity
from gateway.calculation.level.limit_state import limit_state
from gateway.calculation.level.source import LevelAndTemperature, level_and_temperature
from gateway.calculation.limits import limit_reason
from gateway.calculation.memory import EMPTY_MEMORY, NO_LOW_HEADS, Memory, low_heads, remember_good
from gateway.calculation.plan import HeadPlan, TankPlan
from gateway.calculation.quantities.volumes import mass_figures, volume_figures
from gateway.calculation.temperature.average import chosen_by, vapour_temperature
from gateway.calculation.vapour.pressure_above import (
    compared_pressure,
    is_doubted,
    pressure_doubts,
    pressure_on_liquid,
    with_possible_pressure,
)
from gateway.calculation.vapour.space import vapour_figures
from gateway.errors import LimitError
from gateway.figures import all_good, tank_quality
from gateway.records import (
    ElementUse,
    Ending,
    Figure,
    Figures,
    Input,
    Inventory,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
    TankInput,
    because,
)
from gateway.sources import LevelSource, Sources
from gateway.states import LimitState, RoofZone

__all__ = ["Sheet", "calculate", "failed", "sheet", "unwatched"]

_BY_GAUGE = LevelSource.GAUGE
_BY_PRESSURE = LevelSource.PRESSURE
_BY_SECOND_GAUGE = LevelSource.SECOND_GAUGE
_GOOD = Quality.GOOD
_OUTSIDE_TABLE = ReasonCode.OUTSIDE_TABLE
_UNKNOWN_STATE = LimitState.UNKNOWN

_new = tuple.__new__
_NOTHING_DONE = Sources()
_NO_LEVEL = LevelState()


class Sheet(NamedTuple):
    """One sheet, and what it hands on."""

    inventory: Inventory
    memory: Memory
    """For the next."""
    judgements: Judgements
    """What was found of readings against time and against each other."""


def calculate(plan: TankPlan, tank_input: TankInput, memory: Memory = EMPTY_MEMORY) -> tuple[Inventory, Memory]:
    """`sheet` for whoever needs the inventory and the memory for the next alone."""
    inventory, after, _ = sheet(plan, tank_input, memory)
    return inventory, after


def sheet(plan: TankPlan, tank_input: TankInput, memory: Memory, judgements: Judgements | None = None) -> Sheet:
    """One sheet from one set of inputs. `judgements`: as they were found, in place of judging anew.

    Never raises for bad field data: what cannot be calculated is Bad with its reason. Bad level makes all quantities
    Bad; Bad temperature leaves level, TOV, free water and room.
    """
    tank_input = admitted(tank_input)
    now_s = _steady_s(tank_input)
    if tank_input.vapour_pressure is not None:
        tank_input = with_possible_pressure(plan, tank_input)
    basis = density_basis(plan.product, tank_input, memory.method_doubts)
    found = level_and_temperature(plan, tank_input, basis, memory, now_s)
    within = within_capacity(found.level, plan.capacity, _resolution_m(plan, found.level_source))
    if within is not found.level:
        found = found._replace(level=within)
    pressure = _optional(tank_input.vapour_pressure, _NO_VAPOUR_PRESSURE)
    pressure = compared_pressure(plan, pressure, found.liquid.average, memory.pressure_doubts)
    if is_doubted(pressure):
        tank_input, found = _with_doubted_pressure(plan, tank_input, found, pressure)
    seen = _total_observed_volume(plan, found.level)
    level, second_level, tov, temperature, ages, doubts, told_of = (
        judged(plan, tank_input, found, seen, memory.doubts, now_s)
        if judgements is None
        else as_judged(found, seen, memory.doubts, judgements, now_s)
    )

    density = measured_density(
        plan, tank_input, basis, level, found.water_level, temperature, ages, memory, now_s, judgements
    )
    on_liquid = pressure_on_liquid(plan, density.basis, temperature, pressure, memory, now_s)
    correction = correction_figures(density.basis, temperature, on_liquid)
    if density.doubt is not None:
        correction = of_another_product(correction, density.doubt)
        told_of = {**told_of, Doubt.DENSITIES: density.doubt}
    ambient = _optional(tank_input.ambient, _NO_AMBIENT)
    volumes = volume_figures(plan, level, tov, found.water_level, temperature, ambient, correction, memory.roof)
    masses = mass_figures(volumes.gov, correction, _optional(tank_input.sediment_water, _NONE_GIVEN), plan)
    vapour_c = _vapour(plan, tank_input, level)
    gas_c = temperature if vapour_c.value is None else vapour_c
    vapour = vapour_figures(plan, tov, pressure, temperature, gas_c, masses.mass, memory, now_s)
    layers = layers_of_one_sample(found.liquid.spread, plan.temperature.stratification_c, density.basis.source)
    if layers is not None:
        reference, observed = (remarked(each, layers) for each in correction[:2])
        correction = correction._replace(reference_density=reference, observed_density=observed)
        masses = masses._replace(mass=remarked(masses.mass, layers))
    # In the order of the fields, and as a tuple: made by name they cost a thirtieth of a sheet more.
    figures = _new(
        Figures,
        (
            level,
            _ullage(found.reference_height, level),
            second_level,
            found.difference,
            found.water_level,
            temperature,
            chosen_by(level, found.liquid.spread),
            vapour_c,
            ambient,
            _optional(tank_input.bottom_pressure, _NO_BOTTOM_PRESSURE),
            pressure,
            tov,
            figure.derive(None if tov.value is None else tov.value / plan.full_volume_m3, (tov,)),
            density.measured,
            density.difference,
            volumes.free_water,
            volumes.shell_temperature,
            volumes.ctsh,
            correction.reference_density,
            correction.observed_density,
            correction.ctl,
            correction.cpl,
            volumes.head_adjustment,
            volumes.roof_displacement,
            volumes.gov,
            masses.gsv,
            masses.sediment_water,
            masses.nsv,
            masses.mass,
            masses.weight_in_air,
            masses.net_mass,
            masses.net_weight_in_air,
            masses.solute_mass,
            vapour.density,
            vapour.mass,
            vapour.total_mass,
            volumes.pumpable,
            volumes.room,
        ),
    )
    is_sound = all_good(figures)
    last: Mapping[str, LastGood] = {} if is_sound else remember_good(memory, figures)
    told, quality = figures, _GOOD
    if tank_input.clock_doubt is not None:
        told, is_sound = _of_unknown_time(figures, tank_input.clock_doubt), False
    if not is_sound:
        quality = tank_quality(told)
    state = _level_state(plan, level, found.level_source, volumes.zone, memory)
    sources = _sources(found, density.basis)
    inventory = _inventory(plan, tank_input, told, quality, found.liquid.uses, last, sources, state, tank_input.endings)
    known = level.value is not None
    by_column = isinstance(plan.gauge, HeadPlan) or plan.measured_density is not None
    after = Memory(
        found.placed,
        doubts if density.densities is doubts.densities else doubts._replace(densities=density.densities),
        figures,
        now_s,
        last,
        state.limit if known else memory.limit,
        volumes.zone if known else memory.roof,
        pressure_doubts(pressure, on_liquid),
        standing_doubts(correction.observed_density),
        low_heads(found.first_level, density.measured) if by_column else NO_LOW_HEADS,
    )
    return Sheet(inventory, after, told_of)


def _with_doubted_pressure(
    plan: TankPlan, tank_input: TankInput, found: LevelAndTemperature, pressure: Figure
) -> tuple[TankInput, LevelAndTemperature]:
    """The doubt of the pressure above the liquid passed on to a density and a level that rest on it."""
    reason, given = pressure.reasons[-1], tank_input.vapour_pressure
    if given is not None:
        tank_input = tank_input._replace(vapour_pressure=given._replace(quality=pressure.quality, reason=reason))
    if found.level_source is LevelSource.PRESSURE and found.level.value is not None:
        found = found._replace(level=figure.lower(found.level, reason))
    return tank_input, found


def _level_state(
    plan: TankPlan, level: Figure, source: LevelSource, zone: RoofZone | None, memory: Memory
) -> LevelState:
    limits, level_m = plan.limits, level.value
    limit = _UNKNOWN_STATE
    if level_m is not None:
        limit = limit_state(limits, level_m, memory.limit, _resolution_m(plan, source))
    return LevelState(
        limit,
        zone,
        level.quality,
        limits.minimum_m,
        limits.maximum_working_m,
        limits.high_high_m,
        limits.critical_high_m,
    )


def _resolution_m(plan: TankPlan, source: LevelSource) -> float:
    """The step of the instrument that the level comes from."""
    if plan.gauge is not None and (source is _BY_GAUGE or source is _BY_PRESSURE):
        return plan.gauge.resolution_m
    if plan.second_gauge is not None and source is _BY_SECOND_GAUGE:
        return plan.second_gauge.resolution_m
    return TAPE_RESOLUTION_M


def _of_unknown_time(figures: Figures, doubt: Reason) -> Figures:
    """What is measured is right, but nobody can say of when it is."""

    def told(each: Figure) -> Figure:
        return each if each.value is None else figure.lower(each, doubt)

    return Figures(*[told(each) for each in figures])


def failed(plan: TankPlan, tank_input: TankInput, memory: Memory, error: str) -> Inventory:
    """The sheet when calculating it went wrong in a way nobody foresaw: every figure Bad, none invented."""
    lost = figure.bad(because(ReasonCode.CALCULATION_FAILED, "the calculation failed: {error}", error=error))
    figures = Figures(*[lost] * len(Figures._fields))
    state = _level_state(plan, lost, LevelSource.NONE, None, memory)
    last = remember_good(memory, figures)
    return _inventory(plan, tank_input, figures, lost.quality, (), last, level_state=state)


def unwatched(
    plan: TankPlan, tank_input: TankInput, memory: Memory, newest: Inventory, phrase: str = "the gateway was stopped"
) -> Inventory:
    """The last sheet of a tank that is no longer watched: `newest` with nothing known of now, last good values kept.

    `phrase`: why.
    """
    why = Reason(ReasonCode.NOT_WATCHED, phrase)
    reason = because(ReasonCode.NOT_WATCHED, "{why}: nobody watches this tank from here", why=why)
    lost = figure.bad(reason)
    figures = Figures(*[lost] * len(Figures._fields))
    elements = tuple([ElementUse(use.height_m, None, False, 0.0, lost.quality, reason) for use in newest.elements])
    state = newest.level_state._replace(limit=LimitState.UNKNOWN, roof=None, quality=lost.quality)
    last = remember_good(memory, figures)
    return _inventory(plan, tank_input, figures, lost.quality, elements, last, _NOTHING_DONE, state, newest.endings)


def _inventory(
    plan: TankPlan,
    tank_input: TankInput,
    figures: Figures,
    quality: Quality,
    uses: tuple[ElementUse, ...],
    last: Mapping[str, LastGood],
    sources: Sources = _NOTHING_DONE,
    level_state: LevelState = _NO_LEVEL,
    endings: tuple[Ending, ...] = (),
) -> Inventory:
    if last:
        # Memory keeps the steady time; the world is told by the clock as it is set now, so that ages stay right.
        to_utc_s = tank_input.instant.timestamp() - _steady_s(tank_input)
        last = {name: LastGood(good.value, good.time_s + to_utc_s) for name, good in last.items()}
    return Inventory(
        plan.tank,
        plan.product.name,
        tank_input.instant,
        figures,
        uses,
        quality,
        tank_input.simulated,
        last,
        sources,
        level_state,
        endings,
        plan.product.method.reference_temperature_c,
    )


def _sources(found: LevelAndTemperature, basis: DensityBasis) -> Sources:
    """What was done. A source that gave no value is none."""
    return Sources(
        LevelSource.NONE if found.level.value is None else found.level_source,
        found.liquid.source,
        found.water_source,
        basis.source,
    )


def _steady_s(tank_input: TankInput) -> float:
    """The time by which sheets are spaced: setting the clock must neither end a doubt nor begin one."""
    return tank_input.instant.timestamp() if tank_input.steady_s is None else tank_input.steady_s


def _optional(given: Input | None, absent: Figure) -> Figure:
    return absent if given is None else figure.from_input(given)


_NO_VAPOUR_PRESSURE = figure.not_applicable("no vapour pressure is measured")
_NO_BOTTOM_PRESSURE = figure.not_applicable("no bottom pressure is measured")
_NO_AMBIENT = figure.not_applicable("no ambient temperature is measured")
_NONE_GIVEN = figure.not_applicable("none given")


def _ullage(height: Figure, level: Figure) -> Figure:
    if level.value is None or height.value is None:
        return figure.derive(None, (level,))
    return figure.derive(height.value - level.value, (level, height))


def _vapour(plan: TankPlan, tank_input: TankInput, level: Figure) -> Figure:
    if level.value is None:
        return figure.derive(None, (level,))
    return chosen_by(level, vapour_temperature(plan.temperature, tank_input.elements, level.value))


def _total_observed_volume(plan: TankPlan, level: Figure) -> Figure:
    """TOV in m3, with any heel (API MPMS 12.1.1); Bad outside the capacity table."""
    level_m = level.value
    if level_m is None:
        return figure.derive(None, (level,))
    try:
        return figure.derive(plan.capacity.volume(level_m), (level,))
    except LimitError as error:
        return figure.bad(limit_reason(error, _OUTSIDE_TABLE), level.age_s)
