"""A tank as it truly is: its shape, its fittings and its instruments. SI throughout; heights above the datum."""

from dataclasses import dataclass

from tests.site_fuzz.products import Product

__all__ = [
    "Density",
    "Element",
    "End",
    "Gauge",
    "Hybrid",
    "LiquidHead",
    "Piece",
    "Roof",
    "Shape",
    "Shell",
    "Signal",
    "Table",
    "Tank",
    "Vapour",
]


@dataclass(frozen=True)
class End:
    """Bottom or top of an upright vessel. `depth` of sloped, coned and dished ends."""

    kind: str = "flat"
    depth: float = 0.0
    crown: float = 1.0
    knuckle: float = 0.06


@dataclass(frozen=True)
class Piece:
    """Deadwood, spread evenly over its levels; below zero it gives room."""

    volume: float
    lowest: float
    highest: float


@dataclass(frozen=True)
class Shape:
    """`height` is that of the shell, or the length between the tangent lines."""

    kind: str
    diameter: float = 0.0
    height: float = 0.0
    length: float = 0.0
    width: float = 0.0
    bottom: End = End()
    top: End = End()
    head: End = End()
    """Of a lying cylinder, both alike."""
    slope: float = 0.0
    gauge: float = 0.0
    """Where along a sloping cylinder the level is measured, from the low tangent line."""
    datum: float = 0.0
    """Height of the level's zero above the lowest inside point."""
    heel: float = 0.0
    """A sump below the datum, beside the shape."""
    deadwood: tuple[Piece, ...] = ()


@dataclass(frozen=True)
class Table:
    """A capacity table made of the shape: `rows` are (level, volume) as a reader of the file must find them, SI."""

    rows: tuple[tuple[float, float], ...]
    text: str
    """The CSV file."""
    temperature_c: float | None
    head_density: float | None
    """At which its volumes contain the liquid's head; None: they do not."""
    roof_density: float | None
    """At which they deduct the roof; None: they do not."""
    heel: float


@dataclass(frozen=True)
class Signal:
    """One number that an instrument holds: `number * scale`, in `unit` worth `factor` of SI, from `zero`.

    `kind` is a type of register or `loop`: 4 to 20 mA over low..high.
    """

    name: str
    unit: str
    kind: str
    scale: float = 1.0
    factor: float = 1.0
    zero: float = 0.0
    """SI value of zero in the unit: -32 degF lies apart from 0 degC."""
    ohm: float | None = None
    """Resistance at 0 degC of a platinum element, where the signal is in ohm."""

    @property
    def step(self) -> float:
        """What it resolves, in SI (for ohm: in ohm); 0 for a float."""
        return 0.0 if self.kind.startswith("float") else abs(self.scale * self.factor)


@dataclass(frozen=True)
class Gauge:
    """A level gauge, or where `measures` is `pressure` a transmitter at a nozzle."""

    measures: str
    signal: Signal
    offset: float = 0.0
    nozzle: float = 0.0


@dataclass(frozen=True)
class Element:
    height: float
    signal: Signal


@dataclass(frozen=True)
class Roof:
    mass: float
    low: float
    high: float


@dataclass(frozen=True)
class Shell:
    coefficient: float
    metal: str | None
    table_c: float
    insulated: bool


@dataclass(frozen=True)
class LiquidHead:
    courses: tuple[tuple[float, float], ...]
    """(height, thickness), lowest first."""
    modulus: float
    diameter: float


@dataclass(frozen=True)
class Hybrid:
    """Density by pressure."""

    signal: Signal
    nozzle: float
    in_use: bool
    minimum_head: float
    difference_limit: float
    vapour_height: float | None
    gas_density: float
    air_density: float


@dataclass(frozen=True)
class Vapour:
    """How vapour is counted: one of the three."""

    density: float | None = None
    molar_mass: float | None = None
    z: float = 1.0
    component: str | None = None
    atmosphere: float = 101_325.0


@dataclass(frozen=True)
class Density:
    """A density that somebody entered: `at` is reference, tank or a temperature; `dated` or merely nominal."""

    value: float
    """As it was read, kg/m3."""
    at: str | float
    dated: bool
    by_product: bool
    """It stands with the product, not with the tank."""
    text: str
    """As it is written, with its unit."""
    made_for_c: float | None = None
    """Of the glass hydrometer that read it, if one did."""


@dataclass(frozen=True)
class Tank:
    tag: str
    shape: Shape
    table: Table | None
    top: float
    """The highest level with a volume."""
    bottom: float
    reference_height: float
    product: Product
    density: Density | None
    gauge: Gauge
    second: Gauge | None = None
    difference_limit: float = 0.010
    elements: tuple[Element, ...] = ()
    margin: float = 0.30
    weighting: str | None = None
    """As the file has it; None: left to the kind of the tank."""
    manual_c: float | None = None
    """Temperature by hand: where no thermometer is fitted it is the measurement."""
    water: str = "none"
    """none, probe or dip."""
    probe: Signal | None = None
    heel_holds: str | None = None
    """water or product; None: nobody says."""
    ambient: Signal | None = None
    vapour_pressure: Signal | None = None
    pressurised: bool = False
    blanketed: bool = False
    roof: Roof | None = None
    shell: Shell | None = None
    head: LiquidHead | None = None
    hybrid: Hybrid | None = None
    vapour: Vapour | None = None
    sediment: float | None = None
    minimum: float | None = None
    working: float | None = None
    flow: float | None = None
    """Greatest flow in or out, m3/s."""
    gravity: float = 9.80665
    dip: float = 0.0
    """Water by hand dip, where that is its source."""

    @property
    def slices(self) -> str:
        """How submerged elements are averaged."""
        if self.weighting is not None:
            return self.weighting
        return "slice_volume" if self.shape.kind in ("lying_cylinder", "sphere") else "equal"
