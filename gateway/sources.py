"""Where the main inputs of a sheet came from, as codes: what was done, for programs. Part of the payload schema."""

from enum import StrEnum
from typing import NamedTuple

__all__ = ["DensitySource", "LevelSource", "Sources", "TemperatureSource", "WaterSource"]


class LevelSource(StrEnum):
    """What the level of a sheet is."""

    NONE = "none"
    """There is none: the level is Bad."""
    GAUGE = "gauge"
    SECOND_GAUGE = "second_gauge"
    PRESSURE = "pressure"
    """The pressure of the liquid column."""
    DIP = "dip"


class TemperatureSource(StrEnum):
    """What the liquid's temperature is."""

    NONE = "none"
    ELEMENTS = "elements"
    """The mean of the submerged elements."""
    LOWEST_ELEMENT = "lowest_element"
    MANUAL = "manual"
    LAST_GOOD = "last_good"


class WaterSource(StrEnum):
    """What the free-water level is."""

    NONE = "none"
    """It is not known."""
    DECLARED_NONE = "declared_none"
    """The tank is declared without free water."""
    PROBE = "probe"
    DIP = "dip"
    LAST_GOOD = "last_good"


class DensitySource(StrEnum):
    """What the densities rest on."""

    NONE = "none"
    METHOD = "method"
    """The product's own density against temperature: none is entered."""
    REFERENCE = "reference"
    """One entered at the reference temperature."""
    OBSERVED = "observed"
    """One entered at tank temperature."""
    MEASURED = "measured"
    """Measured by pressure."""
    LAST_MEASURED = "last_measured"
    """The last Good one measured by pressure."""


class Sources(NamedTuple):
    """What was done, as codes: where the main inputs of a sheet came from."""

    level: LevelSource = LevelSource.NONE
    temperature: TemperatureSource = TemperatureSource.NONE
    water: WaterSource = WaterSource.NONE
    density: DensitySource = DensitySource.NONE
