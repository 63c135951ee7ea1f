"""What a scenario file may say of a signal of an instrument and of the registers it stands in."""

from typing import Annotated, Literal

from pydantic import Field, WithJsonSchema, model_validator

from simulators.encoding import Encoding, integer_limits
from simulators.fields import Address, Bit, Count, Length, Number, Numbers, Part, Text
from simulators.units import parse_quantities, parse_quantity, parse_step

__all__ = ["DIMENSION_OF", "SignalPart"]

DIMENSION_OF = {
    "innage": "length",
    "ullage": "length",
    "water": "length",
    "temperature": "temperature",
    "temperatures": "temperature",
    "bottom_pressure": "pressure",
    "vapour_pressure": "pressure",
    "ambient": "temperature",
    "flow": "flow",
    "contact": None,
    "pump": None,
}
"""What an instrument can measure of a tank, and its dimension."""
_DIFFERENCE = {"length": "length", "temperature": "temperature difference", "pressure": "pressure", "flow": "flow"}
_QUANTITIES = """What is measured. innage: the surface above the datum; ullage: the reference height less it; water: the
surface of the free water; temperature: at one element; temperatures: at every element, one signal each behind another,
called NAME1 and on; bottom_pressure: gauge, of the liquid and the vapour at a nozzle, less the air's beside the tank;
vapour_pressure: gauge, above the liquid; ambient: the air outside; flow: of the product into the tank, negative for
out; contact: closed while a gauge_fault lasts; pump: closed while product flows either way"""
QuantityName = Literal[
    "innage",
    "ullage",
    "water",
    "temperature",
    "temperatures",
    "bottom_pressure",
    "vapour_pressure",
    "ambient",
    "flow",
    "contact",
    "pump",
]
TypeName = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"]


class SignalPart(Part):
    """One signal and its registers."""

    tank: Annotated[Text, Field(description="Its tank")]
    quantity: Annotated[QuantityName, Field(description=" ".join(_QUANTITIES.split()))]
    table: Literal["coil", "discrete", "holding", "input"]
    address: Annotated[Address, Field(description="Zero-based, as it goes over the wire")]
    type: TypeName
    order: Annotated[
        Literal["ABCD", "CDAB", "BADC", "DCBA"],
        Field(description="ABCD big-endian, CDAB words swapped, BADC bytes swapped in each word, DCBA little-endian"),
    ] = "ABCD"
    step: Annotated[
        Text | None, Field(description="Value of one count, or of 1.0 of a float, with its unit: 0.1 mm, 1 degC")
    ] = None
    bit: Annotated[Bit | None, Field(description="Of a contact in a register, 0 the least significant")] = None
    element: Annotated[Count | None, Field(description="Of a 'temperature': its number, 1 the lowest")] = None
    nozzle: Annotated[Length, Field(description="Of a 'bottom_pressure': the nozzle's height above the datum")] = 0.0
    invalid: Annotated[
        Numbers, Field(description="Code for no measurement; of integers a second one for a short circuit")
    ] = ()
    nothing: Annotated[Number | None, Field(description="Code for nothing there: a water probe without water")] = None
    range: Annotated[
        tuple[float, float] | None,
        Field(description="What it can measure; outside it sends 'invalid'"),
        WithJsonSchema({"type": "string", "examples": ["0 20 m"]}),
    ] = None
    loop: Annotated[
        Text | None, Field(description="A 4-20 mA current over this range, like '0 8 m', in steps of 1 uA")
    ] = None
    resolution: Annotated[Text | None, Field(description="What it rounds to, like 0.1 mm")] = None
    noise: Annotated[Text | None, Field(description="Standard deviation; the scenario's for its kind unless given")] = (
        None
    )
    error: Annotated[Text | None, Field(description="How much it always reads too high, like -0.25 in")] = None

    @model_validator(mode="before")
    @classmethod
    def _read_range(cls, value: object) -> object:
        if isinstance(value, dict) and isinstance(value.get("range"), str):
            dimension = DIMENSION_OF.get(str(value.get("quantity")))
            value = value | {"range": _range(value["range"], dimension, "range") if dimension else None}
        return value

    @model_validator(mode="after")
    def _consistent(self) -> "SignalPart":
        bits = self.table in ("coil", "discrete")
        if DIMENSION_OF[self.quantity] is None:
            if self.type != "bool":
                raise ValueError(f"type: {self.type!r} is no type of a contact; give 'bool'")
            if bits == (self.bit is not None):
                raise ValueError(
                    f"bit: {'a table of bits has none to choose; leave it out' if bits else 'is missing; give 0 to 15'}"
                )
            return self
        if self.type == "bool" or bits:
            key, value = ("type", self.type) if self.type == "bool" else ("table", self.table)
            right = "a number type, like 'int16'" if self.type == "bool" else "'holding' or 'input'"
            raise ValueError(f"{key}: {value!r} is for contacts, not for {self.quantity}; give {right}")
        if self.bit is not None:
            raise ValueError(f"bit: {self.bit} is for contacts, not for {self.quantity}; leave it out")
        if (self.step is None) == (self.loop is None):
            if self.step is None:
                raise ValueError("step: is missing; give the value of one count with its unit, for example 0.1 mm")
            raise ValueError("loop: stands beside 'step', but a current has steps of 1 uA; leave one of the two out")
        if self.quantity == "temperature" and self.element is None:
            raise ValueError("element: is missing; give the number of the element, 1 for the lowest")
        if self.quantity != "temperature" and self.element is not None:
            raise ValueError(f"element: {self.element} is for a 'temperature', not for {self.quantity}; leave it out")
        self._check_codes()
        self.encoding()
        self.in_own_unit("resolution")
        self.in_own_unit("noise")
        self.in_own_unit("error")
        return self

    def _check_codes(self) -> None:
        limits = integer_limits(self.type)
        if limits is None:
            return
        for key, codes in (("invalid", self.invalid), ("nothing", (self.nothing,) if self.nothing is not None else ())):
            for code in codes:
                if not (code == int(code) and limits[0] <= code <= limits[1]):
                    raise ValueError(f"{key}: {code} is no {self.type}; give {limits[0]} to {limits[1]}")

    def encoding(self) -> Encoding | None:
        """The encoder this part describes, None for a contact. Raises ValueError with what would be right."""
        dimension = DIMENSION_OF[self.quantity]
        if dimension is None:
            return None
        size, zero = 1.0, 0.0
        loop = None if self.loop is None else _range(self.loop, dimension, "loop")
        if loop is None:
            try:
                size, zero = parse_step(self.step or "", dimension)
            except ValueError as exc:
                raise ValueError(f"step: {exc}") from None
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
            value = parse_quantity(text, _DIFFERENCE[dimension])
        except ValueError as exc:
            raise ValueError(f"{key}: {exc}") from None
        if value < 0 and key != "error":
            raise ValueError(f"{key}: {text!r} is below 0; give 0 or more")
        return value


def _range(text: str, dimension: str, key: str) -> tuple[float, float]:
    example = "write it like '0 8 m'" if dimension == "length" else "give the lower end, the upper end and the unit"
    try:
        ends = parse_quantities(text, dimension)
    except ValueError:
        ends = ()
    if len(ends) != 2 or not ends[0] < ends[1]:
        raise ValueError(f"{key}: {text!r} is not a range of {dimension}; {example}")
    return ends[0], ends[1]
