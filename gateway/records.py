"""The frozen records that travel from stage to stage, the three qualities; reasons are in `gateway.reasons`.

Terms, expanded once: TOV total observed volume; FW free water; GOV gross observed volume; GSV gross standard volume;
NSV net standard volume; NSM net standard mass; CTL correction for the temperature of the liquid; CPL correction for
its pressure; CTSh correction for the temperature of the shell; FRA floating roof adjustment (API MPMS 12.1.1).
Ullage is the distance from the reference point down to the surface, innage the height of the surface above the datum.

Hot records are NamedTuples: as immutable as frozen dataclasses and several times cheaper to make, which is what lets
one process carry a thousand tanks a second.
"""

from collections.abc import Mapping
from datetime import datetime
from enum import IntEnum
from typing import NamedTuple

from gateway.plain_form import SteadyTime, recurring
from gateway.reasons import Reason, ReasonCode, ReasonValue, because
from gateway.sources import Sources
from gateway.states import LimitState, RoofZone

__all__ = [
    "ENTRIES",
    "ElementUse",
    "Ending",
    "Figure",
    "Figures",
    "Input",
    "Inventory",
    "LastGood",
    "LevelState",
    "Quality",
    "Reading",
    "Reason",
    "ReasonCode",
    "ReasonValue",
    "TankInput",
    "because",
]


class Quality(IntEnum):
    """How far a value may be trusted: the severity of an OPC UA status code. Ordered, so that max() is the worst."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        return _WORDS[self]


_WORDS = tuple(each.name.capitalize() for each in Quality)
"""Asked for several dozen times a sheet; a name of an enumeration takes its time."""


class Reading(NamedTuple):
    """One signal of one instrument at one read.

    `value` is SI; None when quality is Bad, and when the instrument says Good with reason `none_detected`.
    """

    instrument: str
    signal: str
    value: float | None
    quality: Quality
    reason: Reason | None
    time_ns: int
    """UTC, nanoseconds since the epoch, when the answer came (or when the attempt failed)."""
    monotonic_ns: int
    raw: tuple[int, ...]
    """The register words (or bits) behind the value, as they came; empty when nothing came."""


class Input(NamedTuple):
    """One quantity as calculation sees it: no clock, only an age."""

    value: float | None
    quality: Quality
    reason: Reason | None
    age_s: float
    source: str
    """`INSTRUMENT.signal`, or `manual`, `dip`, `site file`."""
    manual: bool = False


class Ending(NamedTuple):
    """A value entered by a person that ends soon or has ended."""

    entry: str
    """Which: a key of `ENTRIES`."""
    expires: datetime
    """UTC."""


ENTRIES = {
    "level": "level by hand",
    "water": "free-water level by hand",
    "temperature": "temperature by hand",
    "reference_density": "reference density",
    "observed_density": "density at tank temperature",
    "sediment_water": "sediment and water",
}
"""What people enter, with its name in words."""


class TankInput(NamedTuple):
    """The newest readings bound to one tank, plus the manual values in force. None: not fitted or not given."""

    tank: str
    instant: datetime
    """UTC, the instant the sheet is calculated for."""
    level: Input | None = None
    """As the gauge gives it, in m: innage or ullage as the plan says."""
    second_level: Input | None = None
    """The second gauge, in m, as its own plan says."""
    dip_level: Input | None = None
    """Innage by hand, in m above the datum of the capacity table. Used when no gauge is usable."""
    bottom_pressure: Input | None = None
    """Gauge pressure at the nozzle, in Pa."""
    vapour_pressure: Input | None = None
    """Gauge pressure above the liquid, in Pa."""
    water: Input | None = None
    """Water level by probe, in m above the datum."""
    dip_water: Input | None = None
    elements: tuple[Input, ...] = ()
    """Temperature elements in degC, in the order of the plan: lowest first."""
    manual_temperature: Input | None = None
    """Temperature by hand, in degC: taken when no submerged element can be used."""
    ambient: Input | None = None
    flows: tuple[Input, ...] = ()
    """What tells of liquid flowing in or out, in the order of the plan: m3/s by a meter, 1 or 0 by a contact."""
    reference_density: Input | None = None
    """kg/m3 at the product's reference temperature."""
    observed_density: Input | None = None
    """kg/m3 at tank temperature. At most one of the two densities is given."""
    sediment_water: Input | None = None
    """Sediment and water as a fraction of the GSV (0.003 for 0.3 %)."""
    simulated: bool = False
    steady_s: float | None = None
    """Seconds of a clock that is never set, by which sheets are spaced; None: those of `instant`."""
    clock_doubt: Reason | None = None
    """Why `instant` cannot be; None where it can."""
    endings: tuple[Ending, ...] = ()
    """Of the values entered by people, those that end soon or have ended."""


@recurring
class Figure(NamedTuple):
    """One result of the sheet, in SI.

    Bad carries no value. A Good figure without a value is `not_applicable` or `none_detected`. Never a stand-in zero.
    """

    value: float | None
    quality: Quality
    reasons: tuple[Reason, ...]
    age_s: float
    """Age of the oldest input used, at the instant of the sheet."""
    manual: bool = False


class Figures(NamedTuple):
    """Every figure of the sheet, in the order of API MPMS 12.1.1. Units and titles: gateway/figures.py."""

    level: Figure
    ullage: Figure
    second_level: Figure
    level_difference: Figure
    water_level: Figure
    liquid_temperature: Figure
    temperature_spread: Figure
    vapour_temperature: Figure
    ambient_temperature: Figure
    bottom_pressure: Figure
    vapour_pressure: Figure
    tov: Figure
    fill: Figure
    measured_density: Figure
    density_difference: Figure
    free_water: Figure
    shell_temperature: Figure
    ctsh: Figure
    reference_density: Figure
    observed_density: Figure
    ctl: Figure
    cpl: Figure
    head_adjustment: Figure
    roof_displacement: Figure
    gov: Figure
    gsv: Figure
    sediment_water: Figure
    nsv: Figure
    mass: Figure
    weight_in_air: Figure
    net_mass: Figure
    net_weight_in_air: Figure
    solute_mass: Figure
    vapour_density: Figure
    vapour_mass: Figure
    total_mass: Figure
    pumpable: Figure
    room: Figure


class ElementUse(NamedTuple):
    """What became of one temperature element: `reason` says why it is excluded, or what is odd about it."""

    height_m: float
    value: float | None
    used: bool
    weight: float
    """Share of the average; 0 when not used. The weights of the used elements sum to 1."""
    quality: Quality
    reason: Reason | None
    submerged: bool | None = None
    """Whether it counts as covered by the margin; None where the level is not known."""


class LastGood(NamedTuple):
    """The last Good value of a figure and when it was."""

    value: float
    time_s: SteadyTime
    """Of the oldest input behind it: in memory steady, in an inventory UTC, seconds since the epoch."""


class LevelState(NamedTuple):
    """The level against the limits of its tank, in m above the datum; also while the volume is Bad. It is no alarm."""

    limit: LimitState = LimitState.UNKNOWN
    roof: RoofZone | None = None
    """None: no floating roof, or no level."""
    quality: Quality = Quality.BAD
    """Of the level."""
    minimum_m: float | None = None
    maximum_working_m: float | None = None
    high_high_m: float | None = None
    critical_high_m: float | None = None

    @property
    def passed_m(self) -> float | None:
        """The limit that has been passed, in m above the datum; None where none has."""
        match self.limit:
            case LimitState.BELOW_MINIMUM:
                return self.minimum_m
            case LimitState.ABOVE_MAXIMUM_WORKING:
                return self.maximum_working_m
            case LimitState.ABOVE_HIGH_HIGH:
                return self.high_high_m
            case LimitState.ABOVE_CRITICAL_HIGH:
                return self.critical_high_m
            case _:
                return None


class Inventory(NamedTuple):
    """The calculation sheet of one tank at one instant."""

    tank: str
    product: str
    instant: datetime
    figures: Figures
    elements: tuple[ElementUse, ...]
    quality: Quality
    """Worst of the figures that count: `gateway.figures.tank_quality`."""
    simulated: bool
    last_good: Mapping[str, LastGood]
    """By figure name, for figures that are Bad now. Read only."""
    sources: Sources = Sources()
    level_state: LevelState = LevelState()
    endings: tuple[Ending, ...] = ()
    """Values entered by people that end soon or have ended."""
    reference_temperature_c: float | None = None
    """degC, to which GSV and NSV are brought; None where the product has no reference volume."""
