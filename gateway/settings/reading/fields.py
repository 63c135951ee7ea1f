"""Types of the values in a site file. Every value arrives as text; each type says what it wants in plain words."""

import re
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import PydanticCustomError

from gateway.errors import QuantityError
from gateway.units.hints import number_hint
from gateway.units.quantity import Dimension, Quantity, dimensions_of, parse, parse_quantity, unit_mistake, units_of

__all__ = [
    "AbsolutePressure",
    "Acceleration",
    "Address",
    "Angle",
    "DataSize",
    "Delay",
    "DensityQuantity",
    "DensitySlope",
    "Duration",
    "ElasticModulus",
    "ExpansionRate",
    "GaugePressure",
    "Instant",
    "Length",
    "Mass",
    "MolarMass",
    "Name",
    "Number",
    "PlainDensity",
    "Ratio",
    "RawNumber",
    "Section",
    "Temperature",
    "TemperatureDifference",
    "Text",
    "TimeZone",
    "UnitName",
    "Volume",
    "VolumeFlow",
    "Whole",
    "YesNo",
    "plain_text",
    "read_instant",
    "read_name",
    "refuse",
    "require_text",
    "text_or",
    "whole_number",
]


class Section(BaseModel):
    """A block of the site file: frozen, and no key that is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


def text_or(schema: JsonSchemaValue, *words: str) -> JsonSchemaValue:
    """The schema of a block for which a bare text is short: any text, or one of `words`."""
    return {"anyOf": [{"enum": list(words)} if words else {"type": "string"}, schema]}


def refuse(text: str) -> PydanticCustomError:
    """A validation error whose message is `text` itself."""
    return PydanticCustomError("mistake", "{text}", {"text": text})


def require_text(value: Any, wanted: str) -> str:
    if not isinstance(value, str):
        raise refuse(f"is a list or a block of keys; give {wanted}")
    if not value:
        raise refuse(f"is empty; give {wanted}")
    return value


def _checked(read: Callable[[str], Any], wanted: str) -> BeforeValidator:
    def validate(value: Any) -> Any:
        try:
            return read(require_text(value, wanted))
        except QuantityError as error:
            raise refuse(str(error)) from error

    return BeforeValidator(validate)


def _schema(
    description: str, *examples: str, pattern: str | None = None, type_: str | list[str] = "string"
) -> WithJsonSchema:
    schema: dict[str, Any] = {"type": type_, "description": description, "examples": list(examples)}
    if pattern is not None:
        schema["pattern"] = pattern
    return WithJsonSchema(schema)


def _quantity(dimension: Dimension) -> BeforeValidator:
    return _checked(
        lambda text: parse_quantity(text, dimension), f"{dimension.with_article}, for example {_example(dimension)}"
    )


def _quantity_schema(dimension: Dimension) -> WithJsonSchema:
    units = ", ".join(unit for unit in units_of(dimension) if unit != "1")
    return _schema(f"{dimension.with_article} with its unit: {units}", _example(dimension))


def _example(dimension: Dimension) -> str:
    return f"1 {units_of(dimension)[0]}"


Length = Annotated[float, _quantity(Dimension.LENGTH), _quantity_schema(Dimension.LENGTH)]
Temperature = Annotated[float, _quantity(Dimension.TEMPERATURE), _quantity_schema(Dimension.TEMPERATURE)]
TemperatureDifference = Annotated[
    float, _quantity(Dimension.TEMPERATURE_DIFFERENCE), _quantity_schema(Dimension.TEMPERATURE_DIFFERENCE)
]
GaugePressure = Annotated[float, _quantity(Dimension.GAUGE_PRESSURE), _quantity_schema(Dimension.GAUGE_PRESSURE)]
Volume = Annotated[float, _quantity(Dimension.VOLUME), _quantity_schema(Dimension.VOLUME)]
VolumeFlow = Annotated[float, _quantity(Dimension.VOLUME_FLOW), _quantity_schema(Dimension.VOLUME_FLOW)]
Ratio = Annotated[float, _quantity(Dimension.RATIO), _quantity_schema(Dimension.RATIO)]
Mass = Annotated[float, _quantity(Dimension.MASS), _quantity_schema(Dimension.MASS)]
Acceleration = Annotated[float, _quantity(Dimension.ACCELERATION), _quantity_schema(Dimension.ACCELERATION)]
DensitySlope = Annotated[float, _quantity(Dimension.DENSITY_SLOPE), _quantity_schema(Dimension.DENSITY_SLOPE)]
ExpansionRate = Annotated[
    float, _quantity(Dimension.EXPANSION_COEFFICIENT), _quantity_schema(Dimension.EXPANSION_COEFFICIENT)
]
AbsolutePressure = Annotated[
    float, _quantity(Dimension.ABSOLUTE_PRESSURE), _quantity_schema(Dimension.ABSOLUTE_PRESSURE)
]
Angle = Annotated[float, _quantity(Dimension.ANGLE), _quantity_schema(Dimension.ANGLE)]
MolarMass = Annotated[float, _quantity(Dimension.MOLAR_MASS), _quantity_schema(Dimension.MOLAR_MASS)]
ElasticModulus = Annotated[float, _quantity(Dimension.ELASTIC_MODULUS), _quantity_schema(Dimension.ELASTIC_MODULUS)]


def _read_duration(text: str) -> float:
    seconds = parse_quantity(text, Dimension.TIME)
    if not seconds > 0.0:
        raise refuse(f"{text} is not a length of time above zero; give for example 2 s")
    return seconds


Duration = Annotated[float, _checked(_read_duration, "a time, for example 2 s"), _quantity_schema(Dimension.TIME)]


def _read_delay(text: str) -> float:
    seconds = parse_quantity(text, Dimension.TIME)
    if seconds < 0.0:
        raise refuse(f"{text} is no delay; give 0 s or more")
    return seconds


Delay = Annotated[float, _checked(_read_delay, "a time, for example 10 s"), _quantity_schema(Dimension.TIME)]


# Decimal, as disks are sold; a size in powers of two differs by a fourteenth at most.
_SIZES = {"MB": 1_000_000, "GB": 1_000_000_000, "TB": 1_000_000_000_000}
_SIZE = re.compile(r"([0-9]{1,6}(?:\.[0-9]{1,6})?)\s*([A-Za-z]*)", re.ASCII)


def _read_size(text: str) -> int:
    match = _SIZE.fullmatch(text.strip())
    if match is None or match[2] not in _SIZES:
        raise refuse(f"'{text}' is no size of a file; write a number with MB, GB or TB, for example 4 GB")
    return int(Fraction(match[1]) * _SIZES[match[2]])


DataSize = Annotated[
    int, _checked(_read_size, "a size, for example 4 GB"), _schema("A size in MB, GB or TB", "4 GB", "500 MB")
]


def _read_density(text: str) -> Quantity:
    density = parse(text, Dimension.DENSITY)
    if not density.value > 0.0:
        raise refuse(f"{text} is no density; a density is above 0 kg/m3")
    return density


# Keeps the unit: degAPI and SG hold at 60 degF whatever the product's reference temperature.
DensityQuantity = Annotated[
    Quantity, _checked(_read_density, "a density, for example 838 kg/m3"), _quantity_schema(Dimension.DENSITY)
]


def plain_text(density: Quantity) -> str | None:
    """What is wrong with a density whose unit says 60 degF where the density does not hold there; None: nothing."""
    if not density.at_60f:
        return None
    return f"{density.unit} says the density at 60 degF, which is not wanted here; give kg/m3"


def _read_plain_density(text: str) -> float:
    density = _read_density(text)
    wrong = plain_text(density)
    if wrong is not None:
        raise refuse(wrong)
    return density.value


# kg/m3 at a temperature stated beside it, or at none: degAPI and SG are refused.
PlainDensity = Annotated[
    float, _checked(_read_plain_density, "a density, for example 838 kg/m3"), _quantity_schema(Dimension.DENSITY)
]

_FORBIDDEN_IN_NAMES = {"/": "a slash", "+": "a plus sign", "#": "a number sign"}


def read_name(text: str) -> str:
    for character in text:
        if character in _FORBIDDEN_IN_NAMES or not character.isprintable() or character.isspace():
            what = _FORBIDDEN_IN_NAMES.get(character, "a space" if character == " " else "an unprintable character")
            clean = "".join("-" if c in "/+# " or not c.isprintable() else c for c in text)
            raise refuse(f"the name '{text}' has {what}, which MQTT topics do not allow; write for example {clean}")
    return text


Name = Annotated[
    str,
    _checked(read_name, "a name"),
    _schema("A tag without spaces, slashes, + or #", "TK-101", pattern=r"^[^/+#\s]+$"),
]
Text = Annotated[
    str, BeforeValidator(lambda value: require_text(value, "a text")), _schema("Free text", "Diesel, cone roof")
]
TimeZone = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "a key of the IANA time zone data base")),
    _schema("Key of the IANA time zone data base", "Europe/London"),
]


_NUMBER = re.compile(r"[+-]?(\d{1,30}(\.\d{0,30})?|\.\d{1,30})([eE][+-]?\d{1,2})?|[+-]?\d{1,9}/\d{1,9}", re.ASCII)


def _read_number(text: str) -> float:
    """Plain or as a fraction: 0.0625 or 1/16."""
    number = _fraction(text)
    if number is None:
        hint = number_hint(text, lambda way: _fraction(way) is not None, "0.1 or 1/16")
        raise refuse(hint or f"'{text}' is not a number; write for example 0.1 or 1/16")
    return float(number)


def _fraction(text: str) -> Fraction | None:
    divided, _, divisor = text.rpartition("/")
    if _NUMBER.fullmatch(text) is None or (divided and int(divisor) == 0):
        return None
    return Fraction(text)


def whole_number(text: str) -> int | None:
    """A whole number, decimal or as manuals write addresses and codes: 0x7FFF. None where it is none."""
    return int(text, 0) if _WHOLE.fullmatch(text) else None


# No leading zeros: some manuals mean octal by them, some nothing.
_WHOLE = re.compile(r"-?(0|[1-9][0-9]{0,19}|0[xX][0-9A-Fa-f]{1,16})", re.ASCII)


def _read_whole(text: str) -> int:
    number = whole_number(text)
    if number is None:
        hint = number_hint(text, lambda way: whole_number(way) is not None, "1")
        raise refuse(hint or f"'{text}' is not a whole number; write for example 1")
    return number


def _read_raw_number(text: str) -> int | float:
    number = whole_number(text)
    if number is None and "/" not in text and _NUMBER.fullmatch(text) is not None:
        return float(text)
    if number is None:
        raise refuse(f"'{text}' is not a number as a device sends it; write for example 65535 or -9999.9")
    return number


RawNumber = Annotated[
    int | float,
    _checked(_read_raw_number, "a number as the device sends it, for example 65535 or -9999.9"),
    _schema("A number before scaling", "65535", type_=["integer", "number", "string"]),
]
Number = Annotated[
    float,
    _checked(_read_number, "a number, for example 0.1"),
    _schema("A plain number", "0.1", type_=["number", "string"]),
]
Whole = Annotated[
    int,
    _checked(_read_whole, "a whole number, for example 1"),
    _schema("A whole number", "1", type_=["integer", "string"]),
]


def _read_yes_no(text: str) -> bool:
    words = {"yes": True, "true": True, "no": False, "false": False}
    if text.lower() not in words:
        raise refuse(f"'{text}' is neither yes nor no; write yes or no")
    return words[text.lower()]


YesNo = Annotated[
    bool,
    _checked(_read_yes_no, "yes or no"),
    WithJsonSchema({"enum": ["yes", "no", "true", "false", True, False], "examples": ["no"]}),
]

_INSTANT_EXAMPLE = "2026-11-25T06:00Z"
_EARLIEST_YEAR, _LATEST_YEAR = 1970, 2999


def read_instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise refuse(f"'{text}' is not a date and time; write for example {_INSTANT_EXAMPLE}") from None
    if instant.tzinfo is None:
        raise refuse(f"'{text}' does not say its zone; end it with Z for UTC or with +01:00, as {_INSTANT_EXAMPLE}")
    if not _EARLIEST_YEAR <= instant.year <= _LATEST_YEAR:
        raise refuse(f"'{text}' is not of this age; give a year from {_EARLIEST_YEAR} to {_LATEST_YEAR}")
    return instant.astimezone(UTC)


Instant = Annotated[
    datetime,
    _checked(read_instant, f"a date and time, for example {_INSTANT_EXAMPLE}"),
    _schema("Date and time with zone, ISO 8601", _INSTANT_EXAMPLE, "2026-11-25T07:00+01:00"),
]


_NUMBER_BEFORE_UNIT = re.compile(r"(\d{1,9}/\d{1,9}|\d*\.?\d+)\s*(\D.*)", re.ASCII)


def _read_unit(text: str) -> str:
    wrong = unit_mistake(text)
    number = _NUMBER_BEFORE_UNIT.fullmatch(text)
    if wrong is not None and number is not None and dimensions_of(number[2]):
        raise refuse(f"'{text}' is a number and a unit; give the two apart, scale: {number[1]} and unit: {number[2]}")
    if wrong is not None:
        raise refuse(wrong)
    return text


UnitName = Annotated[str, _checked(_read_unit, "a unit, for example mm"), _schema("A unit", "mm", "degC", "bar")]


def _read_address(text: str) -> tuple[str, int]:
    host, separator, port = text.rpartition(":")
    bare = host.removeprefix("[").removesuffix("]")
    if not separator or not bare or (":" in bare and not host.startswith("[")) or any(c.isspace() for c in text):
        raise refuse(f"'{text}' is not an address; write host:port, for example 192.0.2.10:502 or [2001:db8::10]:502")
    if not port.isdecimal() or not port.isascii() or not 0 < int(port) < 65536:
        raise refuse(f"'{text}' has the port '{port}'; give one from 1 to 65535")
    return bare, int(port)


Address = Annotated[
    tuple[str, int],
    _checked(_read_address, "host:port, for example 192.0.2.10:502"),
    _schema("host:port", "192.0.2.10:502", "[2001:db8::10]:502"),
]
