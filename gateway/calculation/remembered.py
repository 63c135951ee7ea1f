"""What of the memory entered a sheet, as its record carries it, and from a record back to the same sheet."""

from collections.abc import Mapping

from gateway.calculation.doubts.words import Judgements
from gateway.calculation.inventory import sheet
from gateway.calculation.memory import NO_LOW_HEADS, LowHeads, Memory, last_good
from gateway.calculation.plan import TankPlan
from gateway.calculation.temperature.average import Placement
from gateway.records import Inventory, LastGood, ReasonCode
from gateway.tank_record import Remembered, TankRecord

__all__ = ["calculated_again", "is_a_sheet", "memory_of", "remembered_of"]

_STAND_IN = ("liquid_temperature", "water_level", "measured_density", "vapour_pressure")
"""Figures whose last Good value may enter a sheet in which they are Good."""
_NO_SHEET = frozenset({ReasonCode.CALCULATION_FAILED, ReasonCode.NOT_WATCHED})


def remembered_of(before: Memory, last: Mapping[str, LastGood], judgements: Judgements) -> Remembered:
    """`before`: the memory that the sheet was given. `last`: last Good values of the figures that are not Good in it;
    `judgements`: what was found in it."""
    known = dict(last)
    for name in _STAND_IN:
        if name not in known:
            stands = last_good(before, name)
            if stands is not None:
                known[name] = stands
    wet, in_water = before.placed
    heads = before.low_heads
    return Remembered(
        wet,
        in_water,
        known,
        before.limit,
        before.roof,
        before.pressure_doubts,
        before.method_doubts,
        tuple(heads) if heads is not NO_LOW_HEADS and any(heads) else (),
        {str(doubt): reason for doubt, reason in judgements.items()} if judgements else {},
    )


def memory_of(remembered: Remembered) -> Memory:
    """A memory that makes the same of a sheet as the one that it was given."""
    return Memory(
        placed=Placement(remembered.wet, remembered.in_water),
        last_good=remembered.last_good,
        limit=remembered.limit,
        roof=remembered.roof,
        pressure_doubts=remembered.pressure_doubts,
        method_doubts=remembered.method_doubts,
        low_heads=LowHeads(*remembered.low_heads),
    )


def is_a_sheet(inventory: Inventory) -> bool:
    """Whether it was calculated: not so where that failed, nor where nobody watched any more."""
    reasons = inventory.figures.level.reasons
    return not reasons or reasons[0].code not in _NO_SHEET


def calculated_again(plan: TankPlan, record: TankRecord) -> Inventory:
    """The inventory of a record made again from what the record carries, by the plan that it names.

    One that was never calculated comes back as it is.
    """
    if not is_a_sheet(record.inventory):
        return record.inventory
    remembered = record.remembered
    return sheet(plan, record.tank_input, memory_of(remembered), remembered.judgements).inventory
