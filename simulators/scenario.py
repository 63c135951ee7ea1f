"""What a scenario file may say: tanks, instruments on lines, movements, faults and noise.

Every quantity is text with its unit (`9.412 m`) in a file, or a plain number in the dimension's own unit (m, m3, m3/s,
degC, K, Pa, s, kg/m3) when a scenario is made in Python.
"""

import difflib
from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from simulators.encoding import Encoding
from simulators.units import parse_quantities, parse_quantity, parse_step

__all__ = [
    "DIMENSION_OF",
    "AmbientPart",
    "DensityPart",
    "Forbidden",
    "InstrumentPart",
    "LinePart",
    "LyingShape",
    "Movement",
    "NoisePart",
    "RoofPart",
    "Scenario",
    "ScheduledFault",
    "SignalPart",
    "TankPart",
    "UprightShape",
    "VapourPressurePart",
]

DIMENSION_OF = {
    "innage": "length",
    "ullage": "length",
    "water": "length",
    "temperature": "temperature",
    "temperatures": "temperature",
    "bottom_pressure": "pressure",
    "vapour_pressure": "pressure",
    "flow": "flow",
    "contact": None,
    "pump": None,
}
"""What an instrument can measure of a tank, and its dimension. `temperatures` stands for one signal an element; `flow`
is that of the product into the tank, `pump` a contact that is closed while it flows either way."""
_DIFFERENCE = {"length": "length", "temperature": "temperature difference", "pressure": "pressure", "flow": "flow"}
QuantityName = Literal[
    "innage",
    "ullage",
    "water",
    "temperature",
    "temperatures",
    "bottom_pressure",
    "vapour_pressure",
    "flow",
    "contact",
    "pump",
]
TypeName = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"]


def _one(dimension: str) -> Callable[[object], object]:
    return lambda value: parse_quantity(value, dimension) if isinstance(value, str) else value


def _many(dimension: str) -> Callable[[object], object]:
    return lambda value: parse_quantities(value, dimension) if isinstance(value, str) else value


def _numbers(value: object) -> object:
    return tuple(value.split()) if isinstance(value, str) else value


Length = Annotated[float, BeforeValidator(_one("length"))]
Lengths = Annotated[tuple[float, ...], BeforeValidator(_many("length"))]
Volume = Annotated[float, BeforeValidator(_one("volume"))]
Flow = Annotated[float, BeforeValidator(_one("flow"))]
Temperature = Annotated[float, BeforeValidator(_one("temperature"))]
Temperatures = Annotated[tuple[float, ...], BeforeValidator(_many("temperature"))]
Difference = Annotated[float, BeforeValidator(_one("temperature difference"))]
Pressure = Annotated[float, BeforeValidator(_one("pressure"))]
Duration = Annotated[float, BeforeValidator(_one("duration"))]


class Part(BaseModel):
    """Base of every part: frozen, and an unknown key is a mistake."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    @model_validator(mode="before")
    @classmethod
    def _refuse_unknown_keys(cls, value: object) -> object:
        if not isinstance(value, dict):
            return value
        known = sorted({field.alias or name for name, field in cls.model_fields.items()} | set(cls.model_fields))
        for key in value:
            if key not in known:
                near = difflib.get_close_matches(str(key), known, n=1)
                hint = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
                raise ValueError(f"unknown key {str(key)!r}; {hint}")
        return value


class UprightShape(Part):
    """Upright cylinder with a flat bottom at the datum."""

    kind: Literal["upright"]
    diameter: Length = Field(gt=0)
    height: Length = Field(gt=0)
    heel: Volume = Field(default=0.0, ge=0)


class LyingShape(Part):
    """Lying cylinder; `length` between the tangent lines, `head_depth` of each ellipsoidal head (D/4 for "2:1")."""

    kind: Literal["lying"]
    diameter: Length = Field(gt=0)
    length: Length = Field(gt=0)
    head_depth: Length = Field(default=0.0, ge=0)
    heel: Volume = Field(default=0.0, ge=0)


class DensityPart(Part):
    """Density at a temperature, and how it falls as it warms: `expansion` (exponential) or `slope` (linear)."""

    value: Annotated[float, BeforeValidator(_one("density"))] = Field(gt=0)
    at: Temperature
    expansion: Annotated[float, BeforeValidator(_one("expansion"))] = 0.0
    slope: Annotated[float, BeforeValidator(_one("density slope"))] = 0.0


class RoofPart(Part):
    """Floating roof: afloat above one level, on its legs below another."""

    mass: Annotated[float, BeforeValidator(_one("mass"))] = Field(gt=0)
    landed: Length
    afloat: Length

    @model_validator(mode="after")
    def _in_order(self) -> "RoofPart":
        if self.landed >= self.afloat:
            raise ValueError("a roof floats above the level it lands at; give 'landed' less than 'afloat'")
        return self


class AmbientPart(Part):
    """The air outside; `swing` is half the difference between day and night."""

    mean: Temperature
    swing: Difference = 0.0
    time_constant: Duration = Field(default=1_000_000.0, gt=0)
    vapour_time_constant: Duration = Field(default=20_000.0, gt=0)


class VapourPressurePart(Part):
    """Gauge pressure above the liquid, and how it rises with the liquid's temperature."""

    value: Pressure
    slope: Annotated[float, BeforeValidator(_one("pressure slope"))] = 0.0


class TankPart(Part):
    """A tank and the state it starts in."""

    description: str = ""
    shape: Annotated[UprightShape | LyingShape, Field(discriminator="kind")]
    reference_height: Length
    density: DensityPart
    level: Length
    water: Length = 0.0
    elements: Lengths = ()
    temperatures: Temperatures = ()
    liquid_temperature: Temperature | None = None
    vapour_temperature: Temperature | None = None
    vapour_pressure: VapourPressurePart = VapourPressurePart(value=0.0)
    roof: RoofPart | None = None
    ambient: AmbientPart | None = None
    heating: Annotated[float, BeforeValidator(_one("power"))] = 0.0
    heat_capacity: Annotated[float, BeforeValidator(_one("heat capacity"))] = Field(default=2000.0, gt=0)

    @model_validator(mode="after")
    def _possible(self) -> "TankPart":
        height = self.shape.height if self.shape.kind == "upright" else self.shape.diameter
        if not 0 <= self.level <= height:
            raise ValueError(f"level: {self.level} m is not in the tank; give 0 to {height} m")
        if not 0 <= self.water <= self.level:
            raise ValueError(f"water: {self.water} m is not below the liquid; give 0 to {self.level} m")
        if list(self.elements) != sorted(set(self.elements)):
            raise ValueError("elements: give the heights from the lowest to the highest, each once")
        if len(self.temperatures) != len(self.elements):
            raise ValueError(
                f"temperatures: {len(self.temperatures)} for {len(self.elements)} elements; give one for each"
            )
        if self.liquid_temperature is None and not any(height <= self.level for height in self.elements):
            raise ValueError(
                "liquid_temperature: is needed where no element is below the level; give it like '15 degC'"
            )
        return self


class SignalPart(Part):
    """One signal and its registers.

    `step` is the value of one count (integers) or of 1.0 (floats), with its unit. `invalid` holds the code for "no
    measurement", for integers optionally a second one for a short circuit; `nothing` that for "nothing there", sent by
    a water probe without water. `loop` makes it a 4-20 mA current over that range, in steps of 1 uA.
    """

    tank: str
    quantity: QuantityName
    table: Literal["coil", "discrete", "holding", "input"]
    address: int = Field(ge=0, le=65535)
    type: TypeName
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = "ABCD"
    step: str | None = None
    bit: int | None = Field(default=None, ge=0, le=15)
    element: int | None = Field(default=None, ge=1)
    nozzle: Length = 0.0
    invalid: Annotated[tuple[float, ...], BeforeValidator(_numbers)] = Field(default=(), max_length=2)
    nothing: float | None = None
    range: tuple[float, float] | None = None
    loop: str | None = None
    resolution: str | None = None
    noise: str | None = None
    error: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _read_range(cls, value: object) -> object:
        if isinstance(value, dict) and isinstance(value.get("range"), str):
            dimension = DIMENSION_OF.get(str(value.get("quantity")))
            limits = parse_quantities(value["range"], dimension) if dimension else ()
            if len(limits) != 2:
                raise ValueError(f"range: {value['range']!r} is not two numbers and a unit; write it like '0 20 m'")
            value = value | {"range": limits}
        return value

    @model_validator(mode="after")
    def _consistent(self) -> "SignalPart":
        bits = self.table in ("coil", "discrete")
        if DIMENSION_OF[self.quantity] is None:
            if self.type != "bool":
                raise ValueError(f"type: {self.type} for a contact; give 'bool'")
            if bits == (self.bit is not None):
                raise ValueError(f"bit: {'leave it out in a table of bits' if bits else 'give the bit, 0 to 15'}")
            return self
        if self.type == "bool" or bits:
            raise ValueError("type: only a contact stands in a bit; give a number type in table 'holding' or 'input'")
        if self.step is None and self.loop is None:
            raise ValueError("step: is missing; give the value of one count with its unit, like '0.1 mm'")
        if (self.quantity == "temperature") != (self.element is not None):
            raise ValueError("element: a 'temperature' needs the number of its element (1 is the lowest); others none")
        self.encoding()
        self.in_own_unit("resolution")
        self.in_own_unit("noise")
        self.in_own_unit("error")
        return self

    def encoding(self) -> Encoding | None:
        """The encoder this part describes, None for a contact. Raises ValueError with what would be right."""
        dimension = DIMENSION_OF[self.quantity]
        if dimension is None:
            return None
        loop = None
        size, zero = 1.0, 0.0
        if self.loop is not None:
            ends = parse_quantities(self.loop, dimension)
            if len(ends) != 2 or ends[0] >= ends[1]:
                raise ValueError(f"loop: {self.loop!r} is not a range; write it like '0 8 m'")
            loop = (ends[0], ends[1])
        else:
            size, zero = parse_step(self.step or "", dimension)
        return Encoding(
            self.type,
            self.order,
            size=size,
            zero=zero,
            invalid=self.invalid,
            nothing=self.nothing,
            limits=self.range,
            loop=loop,
        )

    def in_own_unit(self, key: Literal["resolution", "noise", "error"]) -> float:
        """A difference of the quantity (`0.3 mm`, `0.05 K`) in its own unit; 0 where it is not given."""
        text: str | None = getattr(self, key)
        dimension = DIMENSION_OF[self.quantity]
        if text is None or dimension is None:
            return 0.0
        try:
            return parse_quantity(text, _DIFFERENCE[dimension])
        except ValueError as exc:
            raise ValueError(f"{key}: {exc}") from None


class Forbidden(Part):
    """Addresses the device answers with exception 2."""

    table: Literal["coil", "discrete", "holding", "input"]
    first: int = Field(ge=0, le=65535)
    last: int = Field(ge=0, le=65535)


class InstrumentPart(Part):
    """A device on a line."""

    line: str
    unit: int = Field(ge=1, le=247)
    signals: dict[str, SignalPart] = Field(min_length=1)
    forbidden: tuple[Forbidden, ...] = ()
    gaps: Literal["zeros", "exception"] = "zeros"


class LinePart(Part):
    """A listening address on this machine; port 0 is any free one."""

    port: int = Field(default=0, ge=0, le=65535)
    unknown_unit: Literal["silence", "exception"] = "silence"


class Movement(Part):
    """Liquid pumped in (`flow` positive) or out from one time until another, or until a level is reached."""

    tank: str
    at: Duration = 0.0
    flow: Flow
    temperature: Temperature | None = None
    of: Literal["product", "water"] = "product"
    until: Duration | None = None
    until_level: Length | None = None


class ScheduledFault(Part):
    """A fault of an instrument from one time until another; `options` are the fault's own fields."""

    instrument: str
    fault: str
    from_: Duration = Field(default=0.0, alias="from")
    until: Duration | None = None
    options: dict[str, str | float | int | bool] = Field(default_factory=dict)


class NoisePart(Part):
    """Standard deviation of every signal of a kind that does not give its own."""

    level: Length = Field(default=0.0, ge=0)
    water: Length = Field(default=0.0, ge=0)
    temperature: Difference = Field(default=0.0, ge=0)
    pressure: Pressure = Field(default=0.0, ge=0)
    flow: Flow = Field(default=0.0, ge=0)

    def of(self, quantity: str) -> float:
        """In the quantity's own unit."""
        if quantity in ("innage", "ullage"):
            return self.level
        dimension = DIMENSION_OF[quantity]
        return self.water if quantity == "water" else getattr(self, dimension) if dimension else 0.0


class Scenario(Part):
    """A whole simulated site. `time_factor` is scenario time per real time, `tick` the real time between two states."""

    name: str = "scenario"
    description: str = ""
    seed: int = 0
    time_factor: float = Field(default=1.0, gt=0)
    tick: Duration = Field(default=1.0, gt=0)
    noise: NoisePart = NoisePart()
    lines: dict[str, LinePart] = Field(min_length=1)
    tanks: dict[str, TankPart] = Field(min_length=1)
    instruments: dict[str, InstrumentPart] = Field(min_length=1)
    movements: tuple[Movement, ...] = ()
    faults: tuple[ScheduledFault, ...] = ()
