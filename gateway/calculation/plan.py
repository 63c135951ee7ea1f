"""What is fixed for a tank until its site file changes: the frozen plan that the sheet is calculated from.

`gateway.settings` builds these; tests and `dip` may build them by hand. All values SI.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation.contracts import Capacity, CorrectionMethod
from gateway.calculation.level.hydrostatic import AIR_DENSITY, WATER_DENSITY
from gateway.calculation.quantities.liquid_head import CARBON_STEEL_MODULUS_PA, Course
from gateway.calculation.shapes.whole import whole_volume
from gateway.calculation.vapour.mixture import Component
from gateway.calculation.vapour.pressure_curve import VapourPressureCurve

__all__ = [
    "TOUCH_M",
    "AirBuoyancy",
    "AirConvention",
    "ColumnPlan",
    "DensityWindow",
    "ElementPlan",
    "FlowPlan",
    "FreeWaterSource",
    "GaugeKind",
    "GaugePlan",
    "HeadPlan",
    "HeelContents",
    "LimitPlan",
    "LiquidHeadPlan",
    "MeasuredDensityPlan",
    "PressurePlan",
    "ProductPlan",
    "RoofPlan",
    "ShellPlan",
    "TankPlan",
    "TemperaturePlan",
    "VapourPlan",
    "VapourPressurePlan",
    "Weighting",
]


_END = 0.05
"""The part of the height by which the surface near an end of the volumes is taken: right at it a round one has none."""
TOUCH_M = 1e-6
"""A level equal to a threshold in decimals must not fall short of it in binary, be it a float32 of up to 16 m."""


class GaugeKind(StrEnum):
    INNAGE = "innage"
    ULLAGE = "ullage"


class FreeWaterSource(StrEnum):
    PROBE = "probe"
    DIP = "dip"
    NONE = "none"


class Weighting(StrEnum):
    """How submerged elements are averaged."""

    EQUAL = "equal"
    SLICE_VOLUME = "slice_volume"
    """By the volume of the slice around each used element, boundaries midway between used elements."""
    SLICE_HEIGHT = "slice_height"
    """By the height of that slice: for unevenly spaced elements of an upright tank."""


@dataclass(frozen=True, slots=True)
class GaugePlan:
    """A level gauge. level = innage + offset, or reference height - ullage + offset."""

    kind: GaugeKind
    offset_m: float = 0.0
    resolution_m: float = 0.001
    name: str = "level gauge"


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """What stands above, below and beside the product of a column whose pressure is measured."""

    vapour_pressure_fitted: bool = False
    """Whether the pressure above the liquid is measured. A tank without is vented, unless it is blanketed."""
    vapour_transmitter_height_m: float | None = None
    """Of that transmitter above the datum, or of the vent. None: the top of the volumes; of no effect where the gas is
    taken as air at atmospheric pressure."""
    gas_density_kg_m3: float | None = None
    """Above the liquid. None: what the vapour's plan says; else, and under a blanket, air at the pressure measured. A
    gas that is 1 kg/m3 denser lowers the level of a liquid of 850 kg/m3 by 1.2 mm for each metre of gas."""
    air_density_kg_m3: float = AIR_DENSITY
    water_density_kg_m3: float = WATER_DENSITY
    """Of free water above the nozzle, taken as fresh."""


@dataclass(frozen=True, slots=True)
class HeadPlan:
    """Level from the pressure of the liquid column: level = nozzle + P / (g * (density at tank temperature - air))."""

    nozzle_height_m: float
    resolution_m: float = 0.001
    name: str = "pressure transmitter"
    minimum_head_m: float = 0.1
    """With less liquid above the nozzle the tank may be empty: the drift of a transmitter's zero looks the same."""
    accuracy_pa: float = 200.0
    """Of the transmitter, its zero included: that far below zero an empty tank may read."""
    column: ColumnPlan = field(default_factory=ColumnPlan)


@dataclass(frozen=True, slots=True)
class ElementPlan:
    """One temperature element, `height_m` above the datum of the table."""

    height_m: float
    name: str


@dataclass(frozen=True, slots=True)
class FlowPlan:
    """What tells of liquid flowing into the tank or out of it: a flow meter, or a contact of a pump or a valve."""

    name: str
    into: bool
    rate_m3_s: float | None = None
    """The least that flows while a contact says so; None for a meter."""
    flowing_when: bool = True
    """What the contact reads while liquid flows."""


@dataclass(frozen=True, slots=True)
class TemperaturePlan:
    """Elements lowest first, at rising heights."""

    elements: tuple[ElementPlan, ...] = ()
    immersion_margin_m: float = 0.30
    weighting: Weighting = Weighting.EQUAL
    vapour_clearance_m: float = 0.50
    """An element this far above the surface measures vapour."""
    outlier_c: float = 5.0
    stratification_c: float = 3.0
    last_good_limit_s: float = 86_400.0
    spread_c: float = 15.0
    """Elements used that differ by more than this give no average that can be trusted."""
    reach_m: float = 3.5
    """Nor do they where part of the liquid is further than this from every one of them."""
    heights_m: tuple[float, ...] = field(init=False)
    widest_gap_m: float = field(init=False)
    """Between two neighbours."""
    enters_m: tuple[float, ...] = field(init=False)
    """Level from which on each element counts as submerged."""
    leaves_m: tuple[float, ...] = field(init=False)
    """Level below which it no longer does: a third of the margin lower, so that a rippling surface does no harm."""

    def __post_init__(self) -> None:
        heights = tuple(element.height_m for element in self.elements)
        object.__setattr__(self, "heights_m", heights)
        object.__setattr__(
            self, "widest_gap_m", max([above - below for below, above in pairwise(heights)], default=0.0)
        )
        margin = self.immersion_margin_m - TOUCH_M
        object.__setattr__(self, "enters_m", tuple(element.height_m + margin for element in self.elements))
        leaving = self.immersion_margin_m * 2.0 / 3.0 - TOUCH_M
        object.__setattr__(self, "leaves_m", tuple(element.height_m + leaving for element in self.elements))


@dataclass(frozen=True, slots=True)
class ShellPlan:
    """Thermal expansion of an upright shell (API MPMS 12.1.1): CTSh = 1 + 2 a dT + a^2 dT^2."""

    linear_coefficient_per_c: float
    table_temperature_c: float
    insulated: bool = False


@dataclass(frozen=True, slots=True)
class RoofPlan:
    """A floating roof. Below `critical_low_m` it rests on its legs; above `critical_high_m` it floats."""

    mass_kg: float
    critical_low_m: float
    critical_high_m: float
    table_density_kg_m3: float | None = None
    """Density at which the capacity table already deducts the roof; None when the table leaves the roof out."""


class HeelContents(StrEnum):
    """What stands below the datum."""

    WATER = "water"
    PRODUCT = "product"


@dataclass(frozen=True, slots=True)
class VapourPlan:
    """Vapour above the liquid of a pressurised tank, counted by a stated density, or by P M / (Z R T) from the measured
    vapour pressure and temperature. Exactly one of density, molar mass and equilibrium is given."""

    density_kg_m3: float | None = None
    molar_mass_kg_mol: float | None = None
    compressibility_factor: float | None = None
    """None: worked out where the composition is known, else taken as 1, Uncertain."""
    atmospheric_pa: float = 101_325.0
    component: Component | None = None
    """Where the vapour is a pure substance with known constants: its factor is worked out at each state instead."""
    equilibrium: bool = False
    """Whether it is the vapour that stands over the product's own composition."""


@dataclass(frozen=True, slots=True)
class VapourPressurePlan:
    """What the pressure above a product must be, and how far a measured one may be from it.

    The band is the greater of the two. At 20 degC 15 % covers a tenth more or less of propane in a mixture with butane
    (12 %), and a surface 5 degC warmer than the mean of the liquid (14 %); 50 kPa covers 8 % of propane in butane
    (common practice).
    """

    curve: VapourPressureCurve
    band: float = 0.15
    """Of the curve's absolute pressure."""
    least_band_pa: float = 50e3


@dataclass(frozen=True, slots=True)
class PressurePlan:
    """The pressure above the liquid as its transmitter may get it wrong.

    Pentane, the lightest liquid of API MPMS 11.1, is at 370 kPa absolute at 80 degC. A quarter of a percent of a
    transmitter's 2 MPa is 5 kPa (common practice).
    """

    greatest_pa: float = 500e3
    """Gauge, that the tank can have at all: the set pressure of its relief valve."""
    zero_error_pa: float = 5e3
    """A reading this much below zero means zero."""


@dataclass(frozen=True, slots=True)
class MeasuredDensityPlan:
    """Density from bottom and vapour pressure and level (hybrid measurement, API MPMS 3.6)."""

    nozzle_height_m: float
    in_use: bool
    """Whether it takes the place of the entered density, or is only compared with it."""
    minimum_head_m: float = 1.0
    difference_limit_kg_m3: float = 5.0
    column: ColumnPlan = field(default_factory=ColumnPlan)


@dataclass(frozen=True, slots=True)
class LiquidHeadPlan:
    """Stretch of the shell under the liquid, beside what the capacity table contains (API MPMS 2.2A, ISO 7507-1)."""

    diameter_m: float
    courses: tuple[Course, ...]
    table_density_kg_m3: float | None
    """Density at which the table contains the stretch; None when it leaves it out."""
    modulus_pa: float = CARBON_STEEL_MODULUS_PA


class AirConvention(StrEnum):
    """How weight in air follows from mass: the formulas are in `gateway.calculation.quantities.mass`."""

    BUOYANCY = "buoyancy"
    DENSITY_REDUCTION = "density_reduction"
    TABLE_56 = "table_56"


@dataclass(frozen=True, slots=True)
class AirBuoyancy:
    """Weight in air = mass (1 - air/density) / (1 - air/weights). OIML D 28 conventional: 1.2 and 8000 kg/m3."""

    air_density_kg_m3: float = 1.2
    weights_density_kg_m3: float = 8000.0
    convention: AirConvention = AirConvention.BUOYANCY
    """The two densities serve BUOYANCY only."""


@dataclass(frozen=True, slots=True)
class LimitPlan:
    """Levels of concern, m above the datum, in rising order (API 2350 terms)."""

    minimum_m: float | None = None
    maximum_working_m: float | None = None
    high_high_m: float | None = None
    critical_high_m: float | None = None
    lowest_high_m: float = field(init=False, repr=False)
    """Below it no high limit is passed."""

    def __post_init__(self) -> None:
        highs = (self.maximum_working_m, self.high_high_m, self.critical_high_m)
        object.__setattr__(self, "lowest_high_m", min([each for each in highs if each is not None], default=math.inf))

    @property
    def given(self) -> bool:
        """Whether there is any."""
        return self.minimum_m is not None or self.lowest_high_m < math.inf


class DensityWindow(NamedTuple):
    """The densities at reference temperature that a product can have: outside it is another product, or a slip."""

    lowest_kg_m3: float
    highest_kg_m3: float


@dataclass(frozen=True, slots=True)
class ProductPlan:
    """A product as the sheet needs it."""

    name: str
    method: CorrectionMethod
    solute_fraction: float | None = None
    """Mass fraction of the dry substance in a solution (0.5 for 50 % caustic)."""
    vapour_pressure: VapourPressurePlan | None = None
    """What a measured vapour pressure is compared with."""
    density_window: DensityWindow | None = None


@dataclass(frozen=True, slots=True)
class TankPlan:
    """One tank."""

    tank: str
    product: ProductPlan
    capacity: Capacity
    reference_height_m: float
    gauge: GaugePlan | HeadPlan | None = None
    second_gauge: GaugePlan | None = None
    gauge_difference_limit_m: float = 0.010
    temperature: TemperaturePlan = field(default_factory=TemperaturePlan)
    free_water: FreeWaterSource = FreeWaterSource.NONE
    heel_holds: HeelContents | None = None
    """None: not declared, so that free water is Uncertain where there is a heel."""
    roof: RoofPlan | None = None
    shell: ShellPlan | None = None
    vapour: VapourPlan | None = None
    measured_density: MeasuredDensityPlan | None = None
    liquid_head: LiquidHeadPlan | None = None
    limits: LimitPlan = field(default_factory=LimitPlan)
    maximum_flow_in_m3_s: float | None = None
    maximum_flow_out_m3_s: float | None = None
    flows: tuple[FlowPlan, ...] = ()
    pressurised: bool = False
    """Whether the liquid is corrected for the measured vapour pressure above atmospheric."""
    blanketed: bool = False
    """Whether a gas that is not the liquid's own vapour stands above it, under a pressure of its own."""
    pressure: PressurePlan = field(default_factory=PressurePlan)
    gravity_m_s2: float = 9.80665
    buoyancy: AirBuoyancy = field(default_factory=AirBuoyancy)
    age_difference_limit_s: float = 60.0
    """Level, temperature and density may differ in age by this much while the tank moves."""
    full_volume_m3: float = field(init=False)
    """All that is inside, also above the highest level that can be measured."""
    top_volume_m3: float = field(init=False)
    """At the highest level with a volume."""
    empty_volume_m3: float = field(init=False)
    """At the lowest level with a volume."""
    top_area_m2: float = field(init=False)
    """Surface near the top of the volumes: never for a figure, only to judge how fast a level beyond them changes."""
    bottom_area_m2: float = field(init=False)
    """The same near their bottom."""
    minimum_volume_m3: float | None = field(init=False)
    """TOV at the minimum level."""
    maximum_working_volume_m3: float | None = field(init=False)
    """TOV at the maximum working level."""

    def __post_init__(self) -> None:
        """Work out the volumes that never change. Raises LimitError when a limit lies outside the capacity."""
        capacity = self.capacity
        minimum, working = self.limits.minimum_m, self.limits.maximum_working_m
        top, empty = capacity.volume(capacity.top_m), capacity.volume(capacity.bottom_m)
        end_m = _END * (capacity.top_m - capacity.bottom_m)
        below_top, above_bottom = capacity.volume(capacity.top_m - end_m), capacity.volume(capacity.bottom_m + end_m)
        object.__setattr__(self, "full_volume_m3", whole_volume(capacity))
        object.__setattr__(self, "top_volume_m3", top)
        object.__setattr__(self, "empty_volume_m3", empty)
        object.__setattr__(self, "top_area_m2", (top - below_top) / end_m)
        object.__setattr__(self, "bottom_area_m2", (above_bottom - empty) / end_m)
        object.__setattr__(self, "minimum_volume_m3", None if minimum is None else capacity.volume(minimum))
        object.__setattr__(self, "maximum_working_volume_m3", None if working is None else capacity.volume(working))
