"""Types of the values in a scenario file: text in, a value out, and what would be right where it is wrong.

A value made in Python is taken as it is, in the dimension's own unit.
"""

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema

from simulators.units import DIMENSIONS, EXAMPLES, parse_quantities, parse_quantity

__all__ = [
    "HOW_TO_WRITE",
    "Address",
    "Baud",
    "Bit",
    "Count",
    "Density",
    "DensitySlope",
    "Difference",
    "Duration",
    "Expansion",
    "Flow",
    "FlowNoise",
    "HeatCapacity",
    "Height",
    "Length",
    "Lengths",
    "Mass",
    "Number",
    "Numbers",
    "Part",
    "Port",
    "Positive",
    "PositiveDuration",
    "PositiveLength",
    "Power",
    "Pressure",
    "PressureNoise",
    "PressureSlope",
    "StopBits",
    "Temperature",
    "Temperatures",
    "Text",
    "Unit",
    "Volume",
    "Whole",
]

HOW_TO_WRITE = "x-how-to-write"
"""In the JSON Schema of a type: joined to the description of each key that has it."""
_LARGEST = 1e30


class Part(BaseModel):
    """Base of every block of a scenario file: frozen, and an unknown key is a mistake."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


def _text(value: object, wanted: str) -> str:
    if isinstance(value, list | dict):
        raise ValueError(f"a {'list' if isinstance(value, list) else 'block of keys'} stands here; give {wanted}")
    text = str(value)
    if not text:
        raise ValueError(f"is empty; give {wanted}")
    return text


def _schema(description: str, *examples: object, type_: str | list[str] = "string") -> WithJsonSchema:
    # Under a key of its own, since the description of a key would take the place of this one.
    return WithJsonSchema({"type": type_, HOW_TO_WRITE: description, "examples": list(examples)})


def _quantity(dimension: str, *, above: float | None = None, at_least: float | None = None) -> BeforeValidator:
    """In the dimension's own unit; limits too."""
    unit = next((name for name, entry in DIMENSIONS[dimension].items() if entry == (1.0, 0.0)), "")

    def read(value: object) -> float:
        if isinstance(value, int | float):
            number, text = float(value), f"{value:g} {unit}"
        else:
            text = _text(value, f"a {dimension}, like '{EXAMPLES[dimension]}'")
            number = parse_quantity(text, dimension)
        if above is not None and not number > above:
            raise ValueError(f"{text!r} is too small; give more than {above:g} {unit}")
        if at_least is not None and not number >= at_least:
            raise ValueError(f"{text!r} is too small; give {at_least:g} {unit} or more")
        return number

    return BeforeValidator(read)


def _says(dimension: str) -> WithJsonSchema:
    units = ", ".join(DIMENSIONS[dimension])
    return _schema(f"{dimension.capitalize()} with its unit: {units}", EXAMPLES[dimension])


def _many(dimension: str, example: str) -> BeforeValidator:
    def read(value: object) -> object:
        if isinstance(value, tuple):
            return value
        return parse_quantities(_text(value, f"numbers and a unit, like '{example}'"), dimension)

    return BeforeValidator(read)


def _number(wanted: str, lowest: float, highest: float, limits: str) -> BeforeValidator:
    """A number from `lowest` to `highest`, a whole one where `wanted` says so. `limits` says the range in words."""
    is_whole = "whole" in wanted

    def read(value: object) -> Any:
        text = _text(value, f"{wanted}, {limits}")
        try:
            number = int(text) if is_whole else float(text)
        except ValueError:
            raise ValueError(f"{text!r} is not {wanted}; give {limits}") from None
        if not lowest <= number <= highest:  # nor is what is no number
            raise ValueError(f"{text!r} is out of range; give {limits}")
        return number

    return BeforeValidator(read)


def _whole(lowest: int, highest: int) -> BeforeValidator:
    return _number("a whole number", lowest, highest, f"{lowest} to {highest}")


def _whole_schema(lowest: int, highest: int) -> WithJsonSchema:
    return _schema(f"Whole number, {lowest} to {highest}", lowest, type_=["integer", "string"])


def _read_numbers(value: object) -> object:
    if isinstance(value, tuple):
        return value
    text = _text(value, "one or two numbers, like '32767 -32768'")
    try:
        numbers = tuple(_exact(word) for word in text.split())
    except ValueError:
        numbers = ()
    if not 1 <= len(numbers) <= 2 or not all(abs(number) < _LARGEST for number in numbers):
        raise ValueError(f"{text!r} is not one or two numbers; give them like '32767 -32768'")
    return numbers


def _exact(text: str) -> int | float:
    """A float cannot hold every number of 64 bits."""
    try:
        return int(text)
    except ValueError:
        return float(text)


def _read_code(value: object) -> object:
    if isinstance(value, int | float):
        return value
    text = _text(value, "a number, like 65535")
    try:
        number = _exact(text)
    except ValueError:
        number = _LARGEST
    if not abs(number) < _LARGEST:
        raise ValueError(f"{text!r} is not a number; give it like 65535")
    return number


Length = Annotated[float, _quantity("length"), _says("length")]
Height = Annotated[float, _quantity("length", at_least=0.0), _says("length")]
PositiveLength = Annotated[float, _quantity("length", above=0.0), _says("length")]
Lengths = Annotated[
    tuple[float, ...],
    _many("length", "1 3.5 6 m"),
    _schema(f"Numbers and one unit of length: {', '.join(DIMENSIONS['length'])}", "1 3.5 6 m"),
]
Volume = Annotated[float, _quantity("volume", at_least=0.0), _says("volume")]
Flow = Annotated[float, _quantity("flow"), _says("flow")]
FlowNoise = Annotated[float, _quantity("flow", at_least=0.0), _says("flow")]
Temperature = Annotated[float, _quantity("temperature"), _says("temperature")]
Temperatures = Annotated[
    tuple[float, ...],
    _many("temperature", "14.1 14.3 14.8 degC"),
    _schema(f"Numbers and one unit of temperature: {', '.join(DIMENSIONS['temperature'])}", "14.1 14.3 14.8 degC"),
]
Difference = Annotated[float, _quantity("temperature difference", at_least=0.0), _says("temperature difference")]
Pressure = Annotated[float, _quantity("pressure"), _says("pressure")]
PressureNoise = Annotated[float, _quantity("pressure", at_least=0.0), _says("pressure")]
PressureSlope = Annotated[float, _quantity("pressure slope"), _says("pressure slope")]
Density = Annotated[float, _quantity("density", above=0.0), _says("density")]
DensitySlope = Annotated[float, _quantity("density slope"), _says("density slope")]
Expansion = Annotated[float, _quantity("expansion"), _says("expansion")]
Mass = Annotated[float, _quantity("mass", above=0.0), _says("mass")]
Power = Annotated[float, _quantity("power"), _says("power")]
HeatCapacity = Annotated[float, _quantity("heat capacity", above=0.0), _says("heat capacity")]
Duration = Annotated[float, _quantity("duration", at_least=0.0), _says("duration")]
PositiveDuration = Annotated[float, _quantity("duration", above=0.0), _says("duration")]

_BAUD_RATES = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400)


def _read_baud(value: object) -> int:
    text = _text(value, "a baud rate, like 9600")
    if not text.isdecimal() or int(text) not in _BAUD_RATES:
        raise ValueError(f"{text!r} is no usual baud rate; give one of: {', '.join(map(str, _BAUD_RATES))}")
    return int(text)


Baud = Annotated[
    int,
    BeforeValidator(_read_baud),
    WithJsonSchema(
        {"enum": [*_BAUD_RATES, *map(str, _BAUD_RATES)], HOW_TO_WRITE: "Bits in a second", "examples": [9600]}
    ),
]
StopBits = Annotated[int, _whole(1, 2), _whole_schema(1, 2)]
Port = Annotated[int, _whole(0, 65535), _whole_schema(0, 65535)]
Address = Annotated[int, _whole(0, 65535), _whole_schema(0, 65535)]
Unit = Annotated[int, _whole(1, 247), _whole_schema(1, 247)]
Bit = Annotated[int, _whole(0, 15), _whole_schema(0, 15)]
Count = Annotated[int, _whole(1, 1000), _whole_schema(1, 1000)]
Whole = Annotated[
    int,
    _number("a whole number", -_LARGEST, _LARGEST, "it like 20"),
    _schema("Whole number", 20, type_=["integer", "string"]),
]
Positive = Annotated[
    float,
    _number("a number above 0", 1e-9, 1e9, "0.000000001 to 1000000000"),
    _schema("Number above 0", 60, type_=["number", "string"]),
]
Number = Annotated[int | float, BeforeValidator(_read_code), _schema("Number", 65535, type_=["number", "string"])]
Numbers = Annotated[
    tuple[int | float, ...],
    BeforeValidator(_read_numbers),
    _schema("One or two numbers", "32767 -32768", 65535, type_=["number", "string"]),
]
Text = Annotated[str, BeforeValidator(lambda value: _text(value, "a text"))]
