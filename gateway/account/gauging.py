"""Pure: what was in a tank at one instant, as accounts keep it: of a sheet the figures that somebody may sign for."""

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from gateway.plain_form import PlainForm
from gateway.records import Figure, Quality, Reason
from gateway.sources import Sources
from gateway.states import RoofZone
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = ["GAUGED", "GAUGING", "MASSES", "MEASURES", "Gauging", "gauging_of"]

MEASURES = (
    "tov",
    "free_water",
    "gov",
    "gsv",
    "nsv",
    "mass",
    "weight_in_air",
    "net_mass",
    "net_weight_in_air",
    "total_mass",
)
"""Figures of the sheet of which amounts are moved and balances drawn: m3, and kg."""
MASSES = frozenset({"mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass"})
"""Those in kg."""
GAUGED = (
    "level",
    "ullage",
    "water_level",
    "liquid_temperature",
    "temperature_spread",
    "vapour_pressure",
    "reference_density",
    "observed_density",
    "ctl",
    "cpl",
    "sediment_water",
    *MEASURES,
    "pumpable",
    "room",
)
"""Figures of the sheet that an opening, a closing and the close of a day keep."""


class Gauging(NamedTuple):
    """A part of one record: its identity names the whole, with all its inputs, in the ledger."""

    tank: str
    product: str
    instant: datetime
    """UTC."""
    boot: str
    sequence: int
    plan: str
    """Which plan the sheet was made by: table, limits, product and its densities."""
    quality: Quality
    figures: Mapping[str, Figure]
    """By name: those of `GAUGED`, SI."""
    simulated: bool
    motion: Motion
    sources: Sources
    roof: RoofZone | None
    """None: no floating roof, or no level."""
    elements: tuple[int, int]
    """How many temperature elements were used, of how many."""
    clock_doubt: Reason | None
    """Why `instant` cannot be; None where it can."""
    reference_temperature_c: float | None = None
    basis: str = ""
    """Of the plan what two sheets have to share to be subtracted: table, product, gauges, and not what is entered."""

    def value(self, name: str) -> float | None:
        """SI; None where the figure is Bad or does not apply."""
        return self.figures[name].value


GAUGING = PlainForm(Gauging)


def gauging_of(record: TankRecord) -> Gauging:
    """What accounts keep of a record."""
    identity, inventory, state = record.identity, record.inventory, record.state
    return Gauging(
        tank=identity.tank,
        product=inventory.product,
        instant=inventory.instant,
        boot=identity.boot,
        sequence=identity.sequence,
        plan=record.plan,
        quality=inventory.quality,
        figures={name: getattr(inventory.figures, name) for name in GAUGED},
        simulated=inventory.simulated,
        motion=Motion.UNKNOWN if state is None else state.motion,
        sources=inventory.sources,
        roof=inventory.level_state.roof,
        elements=(sum(element.used for element in inventory.elements), len(inventory.elements)),
        clock_doubt=record.tank_input.clock_doubt,
        reference_temperature_c=inventory.reference_temperature_c,
        basis=record.basis,
    )
