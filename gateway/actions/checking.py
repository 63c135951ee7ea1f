"""An entry against the models and rules of the site file: what one refuses the other refuses, in the same words."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Annotated, NamedTuple, TypeVar

from pydantic import BaseModel, Field

from gateway.actions.entry import Entry
from gateway.binding import Maintenance, ManualValue
from gateway.calculation.door import hand_refusal
from gateway.calculation.plan import FreeWaterSource, TankPlan
from gateway.errors import SettingsError
from gateway.settings.products.entered import EnteredDensities
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.fields import Duration, Instant, Section
from gateway.settings.reading.validation import validate
from gateway.settings.reading.yaml_tree import MappingNode, Node, Place, TextNode
from gateway.settings.tanks.by_hand import ByHand
from gateway.settings.tanks.entries import LengthEntry, RatioEntry, TankDensityEntry, TemperatureEntry
from gateway.settings.tanks.manual import ManualValues

__all__ = ["LONGEST_MAINTENANCE", "CheckedEntry", "checked_maintenance", "checked_model", "checked_value"]

LONGEST_MAINTENANCE = timedelta(days=31)
_PLACE = Place("entry", 1)
_ORIGIN = "entry"
_HAND_FIELDS = {
    "level": "dip_level",
    "water": "dip_level",
    "temperature": "manual_temperature",
    "sediment_water": "sediment_water",
}
"""Of a `TankInput`: by which rule of the door each is looked at."""
Model = TypeVar("Model", bound=BaseModel)


class CheckedEntry(NamedTuple):
    """What a value by hand becomes: a field of the tank's binding."""

    field: str
    value: ManualValue
    notes: tuple[str, ...]
    """What is not wrong and should be known."""


class MaintenanceBlock(Section):
    """From when until when somebody works on an instrument."""

    entered: Instant
    expires: Annotated[Duration, Field(description="How long, at most 31 d")]


def checked_model(model: type[Model], block: Mapping[str, str], path: KeyPath = ()) -> Model:
    """`block` as `model`. Raises SettingsError with every mistake, in the words of a site file."""
    document = _document(block, path)
    mistakes = Mistakes(document)
    checked = validate(model, document, path, mistakes)
    if mistakes.count or checked is None or checked.dropped:
        raise SettingsError(_without_place(mistakes.lines()))
    return checked.model


def checked_value(entry: Entry, plan: TankPlan, now: datetime) -> CheckedEntry:
    """What the entry becomes in the binding of the tank with that plan. Raises SettingsError with every mistake.

    `now` decides on what is to be known: that it has expired, or lies in the future.
    """
    path = _path(entry.quantity, plan)
    document = _document(entry.block, path)
    mistakes = Mistakes(document)
    notes: list[str] = []
    manual = ManualValues(document, mistakes, notes, now)
    made = _made(entry.quantity, document, path, plan, mistakes, manual)
    if mistakes.count or made is None:
        raise SettingsError(_without_place(mistakes.lines()))
    field, value = made
    return CheckedEntry(field, value, _without_place(notes))


def checked_maintenance(entry: Entry) -> Maintenance:
    """Raises SettingsError."""
    path: KeyPath = ("instruments", entry.about, "maintenance")
    model = checked_model(MaintenanceBlock, entry.block, path)
    if model.expires > LONGEST_MAINTENANCE.total_seconds():
        longest = f"{LONGEST_MAINTENANCE.days} d"
        text = f"{entry.block['expires']} is more than {longest}; give at most {longest}, and say it again then"
        raise SettingsError((f"instruments.{entry.about}.maintenance.expires: {text}",))
    return Maintenance(entry.about, model.entered + timedelta(seconds=model.expires), entry.by)


def _path(quantity: str, plan: TankPlan) -> KeyPath:
    """Where the site file has it."""
    tank: KeyPath = ("tanks", plan.tank)
    if quantity in ("density", "sediment_water"):
        return (*tank, quantity)
    if quantity == "water" and plan.free_water is FreeWaterSource.DIP:
        return (*tank, "free_water")
    return (*tank, "manual", quantity)


def _made(
    quantity: str, document: Document, path: KeyPath, plan: TankPlan, mistakes: Mistakes, manual: ManualValues
) -> tuple[str, ManualValue] | None:
    """The field of the binding, and what stands there; None where a mistake was found."""
    by_hand = ByHand(mistakes, manual)
    value: ManualValue | None = None
    field = f"manual_{quantity}"
    if quantity == "density":
        density = _valid(TankDensityEntry, document, path, mistakes)
        if density is None:
            return None
        entered = EnteredDensities(document, mistakes, manual, origin=_ORIGIN)
        reference, observed = entered.of_tank(density, plan.product, path)
        field, value = ("reference_density", reference) if observed is None else ("observed_density", observed)
    elif quantity == "sediment_water":
        share = _valid(RatioEntry, document, path, mistakes)
        field = quantity
        if share is not None:
            _refuse(quantity, share.value, document, path, plan, mistakes)
            value = by_hand.sediment_water(share, path, origin=_ORIGIN)
    elif quantity == "temperature":
        warmth = _valid(TemperatureEntry, document, path, mistakes)
        if warmth is not None:
            _refuse(quantity, warmth.value, document, path, plan, mistakes)
            value = by_hand.measured(warmth, path, fitted=bool(plan.temperature.elements))
    else:
        length = _valid(LengthEntry, document, path, mistakes)
        if quantity == "water" and plan.free_water is FreeWaterSource.NONE:
            by_hand.refuse_water(path[:2])
        elif length is not None:
            _refuse(quantity, length.value, document, path, plan, mistakes)
            if path[-1] == "free_water":
                value = by_hand.dipped_water(length, path)
            else:
                value = by_hand.measured(length, path, fitted=quantity == "water" or plan.gauge is not None)
    return None if value is None else (field, value)


def _valid(model: type[Model], document: Document, path: KeyPath, mistakes: Mistakes) -> Model | None:
    checked = validate(model, document, path, mistakes)
    return None if checked is None or checked.dropped else checked.model


def _refuse(quantity: str, value: float, document: Document, path: KeyPath, plan: TankPlan, mistakes: Mistakes) -> None:
    """What this tank cannot show is a mistake."""
    refused = hand_refusal(_HAND_FIELDS[quantity], value, plan.reference_height_m)
    if refused is not None:
        mistakes.add((*path, "value"), f"{document.text((*path, 'value'))} {refused}")


def _document(block: Mapping[str, str], path: KeyPath) -> Document:
    """A tree that holds the block at that path, and nothing else."""
    node: Node = _mapping({key: TextNode(_PLACE, text.strip()) for key, text in block.items()})
    for part in reversed(path):
        node = _mapping({str(part): node})
    assert isinstance(node, MappingNode)
    return Document(node)


def _mapping(items: Mapping[str, Node]) -> MappingNode:
    return MappingNode(_PLACE, dict(items), dict.fromkeys(items, _PLACE))


def _without_place(lines: tuple[str, ...] | list[str]) -> tuple[str, ...]:
    """An entry has no lines, so that the key alone tells where it is."""
    return tuple(line.removeprefix(f"{_PLACE}: ").removeprefix(": ") for line in lines)
