"""History computed again by the same code, with a corrected density, temperature, water level or capacity table.

Nothing is replaced: every recalculation is a version of its own beside the records it was made from.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.calculation.density.at_temperature import density_basis, standing_doubts
from gateway.calculation.doubts.densities_apart import Densities, DensitiesState
from gateway.calculation.doubts.recurrence import Recurrence
from gateway.calculation.history.recorded import RecordedInput
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, NO_DOUBTS, Memory, last_good, low_heads, remember_good
from gateway.calculation.plan import HeadPlan, TankPlan
from gateway.calculation.temperature.average import Placement
from gateway.calculation.vapour.pressure_above import pressure_doubts
from gateway.figures import tank_quality
from gateway.records import (
    ElementUse,
    Figure,
    Figures,
    Input,
    Inventory,
    Quality,
    Reason,
    ReasonCode,
    TankInput,
    because,
)

__all__ = ["Version", "corrected", "recalculate"]

_JUDGED = frozenset(
    {
        ReasonCode.RATE_IMPLAUSIBLE,
        ReasonCode.AGES_DIFFER,
        ReasonCode.GAUGES_DISAGREE,
        ReasonCode.LEVEL_FROZEN,
        ReasonCode.LEVEL_AGAINST_FLOW,
        ReasonCode.NOT_CONVERGED,
    }
)
"""Judgements on readings against time, or on what is in no record. Records are often sparser than the readings that
were judged: they stand."""
_DIFFERENCE = Figures._fields.index("level_difference")
_MEASURED = ("liquid_temperature", "water_level", "measured_density", "vapour_pressure")
"""Figures whose last Good value may stand in. The last Good values of all others follow from the correction."""


class Version(NamedTuple):
    """One recalculation. `number` counts from 1; the records as they were delivered are version 0."""

    number: int
    reason: str
    who: str
    made_at: datetime
    """UTC."""
    changed: tuple[str, ...]
    """Each correction in words; empty where it was recalculated as recorded."""
    plan: str
    """Capacity and correction method that it rests on."""


def recalculate(
    plan: TankPlan, inputs: Iterable[TankInput | RecordedInput], memory: Memory = EMPTY_MEMORY
) -> Iterator[Inventory]:
    """The sheets of one tank again, in the order of `inputs`, each with what the one before it handed on.

    A TankInput is calculated as if it had just been read. Of a RecordedInput (its plan from `recorded_plan`) the
    submerged elements, last Good values and judgements against time are those of the record, because the readings
    between the records are gone; reasons stand word for word where value and quality are as recorded. A sheet that had
    failed comes back as it was.
    """
    by_hand = replace(plan, gauge=None) if isinstance(plan.gauge, HeadPlan) else plan
    uncompared = plan
    if plan.measured_density is not None:
        hybrid = replace(plan.measured_density, difference_limit_kg_m3=math.inf)
        uncompared = replace(plan, measured_density=hybrid)
    for given in inputs:
        if isinstance(given, TankInput):
            inventory, memory = calculate(plan, given, memory)
        elif _failed(given.recorded):
            inventory = given.recorded
        else:
            start = _start(plan, given, memory)
            # A hand dip stood in where the pressure gave no level, for reasons that need not be in the record.
            dipped = given.tank_input.dip_level is not None
            # What the record does not doubt for its density is not doubted here either, unless something else goes in.
            doubts_nothing = start.doubts.densities is None and not given.is_corrected
            again = by_hand if dipped else uncompared if doubts_nothing else plan
            inventory, memory = calculate(again, given.tank_input, start)
            inventory = _as_judged(inventory, given)
            if inventory.figures is not memory.figures:
                last = remember_good(start, inventory.figures)
                inventory = inventory._replace(last_good=last)
                standing = standing_doubts(inventory.figures.observed_density)
                memory = memory._replace(figures=inventory.figures, last_good=last, method_doubts=standing)
        yield inventory


def corrected(
    inputs: Iterable[RecordedInput],
    reason: str,
    *,
    reference_density: float | None = None,
    density_doubt: Reason | None = None,
    temperature_c: float | None = None,
    water_m: float | None = None,
    no_water: bool = False,
) -> Iterator[RecordedInput]:
    """`inputs` with what is given in place of what was recorded, each marked manual with `reason`.

    Args:
        reference_density: kg/m3 at the product's reference temperature. Good, as a dated sample is.
        density_doubt: why its being brought to reference is not vouched for; then it is Uncertain.
        temperature_c: of the liquid, in degC. Uncertain where it takes the place of elements.
        water_m: free-water level above the datum. Uncertain where it takes the place of a probe.
        no_water: none was there, which is not a level of zero: a heel may hold what was declared of it.

    With nothing given the inputs stay, for a corrected table: the last Good figures that it would change are forgotten.
    """
    why = because(ReasonCode.MANUAL, "corrected: {typed}", typed=reason)

    def by_hand(value: float, quality: Quality) -> Input:
        return Input(value, quality, why, 0.0, "correction", True)

    for each in inputs:
        given = each.tank_input
        if reference_density is not None:
            density = by_hand(reference_density, Quality.GOOD)
            if density_doubt is not None:
                density = density._replace(quality=Quality.UNCERTAIN, reason=density_doubt)
            given = given._replace(reference_density=density, observed_density=None)
        if temperature_c is not None:
            quality = Quality.UNCERTAIN if given.elements else Quality.GOOD
            given = given._replace(
                elements=_set_aside(given.elements, each.placed), manual_temperature=by_hand(temperature_c, quality)
            )
        if water_m is not None or no_water:
            quality = Quality.GOOD if given.water is None else Quality.UNCERTAIN
            none = because(ReasonCode.NONE_DETECTED, "no free water, corrected: {typed}", typed=reason)
            found = (
                Input(None, quality, none, 0.0, "correction", True) if water_m is None else by_hand(water_m, quality)
            )
            given = given._replace(water=None, dip_water=found)
        elif _refused_water(each.recorded.figures.water_level):
            given = _water_known(given)
        kept = {name: each.last_good[name] for name in _MEASURED if name in each.last_good}
        yield each._replace(tank_input=given, last_good=MappingProxyType(kept), is_corrected=True)


def _water_known(given: TankInput) -> TankInput:
    """Water that was refused only against its own level cannot be judged against another, which a level by pressure may
    become: then it is unknown."""
    if given.level is not None or given.dip_level is not None:
        return given
    return given._replace(water=_unknown(given.water), dip_water=_unknown(given.dip_water))


def _unknown(given: Input | None) -> Input | None:
    if given is None:
        return None
    return Input(None, Quality.BAD, _REFUSED_WATER, given.age_s, given.source)


_REFUSED_WATER = Reason(ReasonCode.INPUT_BAD, "the free-water level was refused, and its value is not in the record")
_SET_ASIDE = Reason(ReasonCode.MANUAL, "set aside for the corrected temperature")


def _set_aside(elements: tuple[Input, ...], placed: Placement | None) -> tuple[Input, ...]:
    """The elements without those in the liquid; where it is not known which those are, without any."""
    submerged = (True,) * len(elements) if placed is None else placed.wet
    return tuple(
        [
            Input(None, Quality.BAD, _SET_ASIDE, given.age_s, given.source) if is_wet else given
            for given, is_wet in zip(elements, submerged, strict=True)
        ]
    )


def _failed(recorded: Inventory) -> bool:
    level = recorded.figures.level
    return bool(level.reasons) and level.reasons[0].code == ReasonCode.CALCULATION_FAILED


def _densities(plan: TankPlan, given: RecordedInput) -> Densities | None:
    """The doubt about its density that a record tells of, as it was remembered; None where there was none.

    With something else in place of what was recorded the densities are compared anew.
    """
    figures = given.recorded.figures
    told = (figures.density_difference, figures.reference_density, figures.observed_density, figures.ctl)
    if given.is_corrected or not any(
        reason.code is ReasonCode.DENSITIES_DISAGREE for each in told for reason in each.reasons
    ):
        return None
    entered = density_basis(plan.product, given.tank_input).given.value
    read_s = given.recorded.instant.timestamp() - figures.bottom_pressure.age_s
    return Densities(
        entered, figures.density_difference.value or 0.0, read_s, DensitiesState.APART, Recurrence(0b11, True, True)
    )


def _start(plan: TankPlan, given: RecordedInput, memory: Memory) -> Memory:
    """The memory that the sheet is to be calculated with."""
    doubts = NO_DOUBTS._replace(densities=_densities(plan, given))
    instant_s = given.recorded.instant.timestamp()
    if memory.figures is not None and instant_s < memory.instant_s:
        # Out of order: what comes later must not stand in for what came before.
        memory = EMPTY_MEMORY
    placed = memory.placed if given.placed is None else given.placed
    # What hysteresis made of the level is in the record, not in the level alone.
    limit, roof = given.recorded.level_state.limit, given.recorded.level_state.roof
    figures = given.recorded.figures
    heads = low_heads(figures.level, figures.measured_density)
    of_pressure = pressure_doubts(figures.vapour_pressure, figures.cpl)
    told = any(getattr(figures, name).quality is not Quality.GOOD for name in _MEASURED)
    if not told and not given.last_good:
        return memory._replace(
            placed=placed, doubts=doubts, limit=limit, roof=roof, pressure_doubts=of_pressure, low_heads=heads
        )
    # The record saw every reading up to its instant, this history only those that were recorded: what could stand in
    # for a measurement is what the record says, and nothing where it says nothing.
    known = dict(given.last_good)
    for name in Figures._fields:
        last = None if name in _MEASURED or name in known else last_good(memory, name)
        if last is not None:
            known[name] = last
    return Memory(
        placed=placed,
        doubts=doubts,
        last_good=known,
        limit=limit,
        roof=roof,
        pressure_doubts=of_pressure,
        low_heads=heads,
    )


def _as_judged(inventory: Inventory, given: RecordedInput) -> Inventory:
    """`inventory` with the judgements of the record, and with its words where nothing else has changed."""
    recorded, is_corrected = given.recorded, given.is_corrected
    if inventory.figures == recorded.figures and inventory.elements == recorded.elements:
        return inventory
    was_lost, is_lost = recorded.figures.level.value is None, inventory.figures.level.value is None
    if was_lost is not is_lost and not is_corrected:
        # A level by pressure was lost for where its elements had stood, which a sheet without a level does not tell. A
        # level by ullage stood within the growth of the reference height, which is not there before the temperature.
        return inventory._replace(figures=recorded.figures, elements=recorded.elements, quality=recorded.quality)
    figures = []
    changed = False
    codes = _JUDGED
    if inventory.figures.level.quality is Quality.GOOD and recorded.figures.level.quality is Quality.UNCERTAIN:
        # The doubt of the level is put back here, and with it what it had passed on to the averages.
        codes = _JUDGED | {ReasonCode.INPUT_UNCERTAIN}
    for new, old in zip(inventory.figures, recorded.figures, strict=True):
        if new == old:
            figures.append(new)
            continue
        judged = new
        if old.reasons and (new.value != old.value or new.quality is not old.quality):
            judged = _with_judgements(new, old, codes)
        same = judged.value == old.value and judged.quality is old.quality
        # What is Bad after a correction may be so for a reason of its own.
        if same and (not is_corrected or old.quality is not Quality.BAD or _refused_water(judged)):
            judged = old
        changed = changed or judged is not new
        figures.append(judged)
    difference = recorded.figures.level_difference
    if figures[_DIFFERENCE].value == difference.value and figures[_DIFFERENCE] != difference:
        # The gauges are compared before the level is judged against time: its doubt is not theirs.
        figures[_DIFFERENCE] = difference
        changed = True
    elements = inventory.elements
    if elements != recorded.elements and len(elements) == len(recorded.elements):
        elements = tuple([_told(new, old) for new, old in zip(elements, recorded.elements, strict=True)])
    if not changed:
        return inventory._replace(elements=elements)
    whole = Figures(*figures)
    return inventory._replace(figures=whole, elements=elements, quality=tank_quality(whole))


def _with_judgements(new: Figure, old: Figure, codes: frozenset[ReasonCode]) -> Figure:
    kept = [reason for reason in old.reasons if reason.code in codes and reason not in new.reasons]
    if not kept or new.quality is Quality.BAD or new.value is None:
        return new
    return new._replace(quality=Quality.UNCERTAIN, reasons=(*new.reasons, *kept))


def _refused_water(figure: Figure) -> bool:
    """Whether it is Bad for a water level that is not in the record, so that the new words name a stand-in."""
    return any(reason.code in (ReasonCode.WATER_ABOVE_LEVEL, ReasonCode.BELOW_DATUM) for reason in figure.reasons)


def _told(new: ElementUse, old: ElementUse) -> ElementUse:
    same = new.value == old.value and new.used == old.used and new.quality is old.quality
    return new._replace(reason=old.reason) if same else new
