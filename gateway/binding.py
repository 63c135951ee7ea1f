"""Pure: the newest readings and the manual values in force become one tank's input. Ages instead of clocks."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from gateway.records import Input, Quality, Reading, Reason, ReasonCode, TankInput

__all__ = ["Latest", "ManualValue", "Source", "TankBinding", "bind"]

Latest = Mapping[tuple[str, str], Reading]
"""The newest reading of each (instrument, signal)."""


@dataclass(frozen=True, slots=True)
class Source:
    """Which signal of which instrument feeds a quantity, and from which age on it is stale."""

    instrument: str
    signal: str
    stale_after_s: float

    @property
    def name(self) -> str:
        return f"{self.instrument}.{self.signal}"


@dataclass(frozen=True, slots=True)
class ManualValue:
    """A value entered by a person. `substitutes`: it stands in for an instrument, so it is never better than Uncertain.

    Without `entered` it is a standing value of the site file, such as a product's nominal density.
    """

    value: float
    entered: datetime | None = None
    expires: datetime | None = None
    substitutes: bool = False
    origin: str = "manual"


@dataclass(frozen=True, slots=True)
class TankBinding:
    """Where each field of a tank's input comes from. None: not fitted, or not given."""

    tank: str
    level: Source | None = None
    second_level: Source | None = None
    bottom_pressure: Source | None = None
    vapour_pressure: Source | None = None
    water: Source | None = None
    elements: tuple[Source, ...] = ()
    ambient: Source | None = None
    manual_level: ManualValue | None = None
    manual_water: ManualValue | None = None
    manual_temperature: ManualValue | None = None
    reference_density: ManualValue | None = None
    observed_density: ManualValue | None = None
    sediment_water: ManualValue | None = None
    simulated: bool = False

    @property
    def sources(self) -> tuple[Source, ...]:
        """Every source that is fitted."""
        single = (
            self.level,
            self.second_level,
            self.bottom_pressure,
            self.vapour_pressure,
            self.water,
            self.ambient,
        )
        return tuple(source for source in single if source is not None) + self.elements
