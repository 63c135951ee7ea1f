"""What the figures of a sheet rest on: where one of these becomes another, what steps is no flow."""

from operator import attrgetter
from typing import NamedTuple

from gateway.records import Inventory, TankInput
from gateway.sources import DensitySource, LevelSource, TemperatureSource, WaterSource

__all__ = ["Basis", "basis_of"]

_used = attrgetter("used")
_BY_HAND = TemperatureSource.MANUAL
_BY_DIP = WaterSource.DIP


class Basis(NamedTuple):
    """Where the main inputs come from, and those that people gave."""

    level: LevelSource
    temperature: TemperatureSource
    water: WaterSource
    density: DensitySource
    used: tuple[bool, ...]
    """Which temperature elements are averaged."""
    entered_density: float | None = None
    """kg/m3; None where it is measured or needs none."""
    entered_temperature: float | None = None
    """degC, where the temperature is by hand."""
    entered_water: float | None = None
    """m, where the free water is by dip."""


def basis_of(tank_input: TankInput, inventory: Inventory) -> Basis:
    """The basis of one sheet."""
    level, temperature, water, density = inventory.sources
    entered = None
    if density is DensitySource.REFERENCE:
        entered = tank_input.reference_density
    elif density is DensitySource.OBSERVED:
        entered = tank_input.observed_density
    hand = tank_input.manual_temperature if temperature is _BY_HAND else None
    dip = tank_input.dip_water if water is _BY_DIP else None
    return Basis(
        level,
        temperature,
        water,
        density,
        tuple(map(_used, inventory.elements)),
        None if entered is None else entered.value,
        None if hand is None else hand.value,
        None if dip is None else dip.value,
    )
