"""Quantities with their units: text to SI and back, by exact factors.

Every factor is an exact rational number, so that `9412 mm` and `9.412 m` give the same float.
"""

import re
from fractions import Fraction
from typing import NamedTuple

from gateway.errors import QuantityError
from gateway.units.hints import number_hint, same_unit
from gateway.units.table import (
    AMBIGUOUS,
    API,
    API_NUMERATOR,
    API_OFFSET,
    AT_60F,
    FOOT,
    INCH,
    SPELLINGS,
    UNITS,
    WATER_DENSITY_60F,
    Dimension,
    Unit,
)

__all__ = [
    "WATER_DENSITY_60F",
    "Dimension",
    "Quantity",
    "dimensions_of",
    "feet_inches_text",
    "from_unit",
    "parse",
    "parse_any",
    "parse_quantity",
    "si_conversion",
    "si_unit",
    "to_unit",
    "unit_mistake",
    "units_of",
]


class Quantity(NamedTuple):
    """A parsed quantity."""

    value: float
    """SI."""
    unit: str
    """The unit it was written in, by its first name."""
    at_60f: bool
    """Whether the unit itself says that the value holds at 60 degF (degAPI, SG)."""


_PLAIN = str.maketrans(
    {"°": "deg", "º": "deg", "³": "3", "²": "2", "µ": "u", "μ": "u", "\u03a9": "ohm", "\u2126": "ohm"}
)
_SIGNS = str.maketrans({"\u2212": "-", "\u2019": "'", "\u2032": "'", "\u201d": '"', "\u2033": '"', "\u00a0": " "})
# At most two digits of exponent: an exact 1e999999999 would fill the memory.
_NUMBER = re.compile(r"([+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,2})?)\s*(.*)", re.DOTALL | re.ASCII)
_INCHES = r"(?:(\d{1,9})(?:(\.\d{1,15})|[- ](\d{1,3})/(\d{1,3}))?|(\d{1,3})/(\d{1,3}))\s*(?:in|\")"
_FEET_AND_INCHES = re.compile(rf"([+-]?)(?:(\d{{1,9}})\s*(?:ft|')\s*-?\s*)?{_INCHES}", re.ASCII)
# Behind what was read as the number: more of it, as in 1.500.5, 3-1/2 or 31.5 ft 6 in.
_NUMBER_GOES_ON = re.compile(r"(?:.*[-\s'])?[-.,'/\s]*\d", re.ASCII)
_FRACTION_SIGNS = {"¼": "1/4", "½": "1/2", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_FRACTION_SIGN = re.compile(rf"(\d?)\s?([{''.join(_FRACTION_SIGNS)}])", re.ASCII)
_FEET_MARK = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,15})?)\s*'", re.ASCII)

_FAR_TOO_LONG_IN_METRES = 250
"""Who writes such a length without its unit means millimetres: no tank is so high or so wide."""
_HIGHEST_KG_L, _HIGHEST_DEGREES_API = 3, 100
"""Who writes such a density without its unit does not mean kg/m3."""
_ITSELF = Unit(Fraction(1))
_PRESSURE_KINDS = (Dimension.GAUGE_PRESSURE, Dimension.ABSOLUTE_PRESSURE)


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """The units in which a dimension may be written, the usual one first."""
    return tuple(UNITS[dimension])


def dimensions_of(unit: str) -> tuple[Dimension, ...]:
    """Every dimension that has this unit, the likelier one first: `degC` is a temperature before a difference."""
    name = _unit_name(unit)
    return tuple(dimension for dimension, units in UNITS.items() if name in units)


def parse(text: str, dimension: Dimension) -> Quantity:
    """`15.240 m`, `49 ft 6 in`, `31'7-5/16"`, `34 degAPI`: the quantity in SI with the unit it was written in.

    Raises QuantityError: no number, a comma, no unit, a unit of another dimension, an unknown unit.
    """
    clean = _FRACTION_SIGN.sub(_plain_fraction, text.translate(_SIGNS)).strip()
    if "," in clean:
        raise QuantityError(_number_text(clean, dimension))
    if dimension is Dimension.LENGTH:
        length = _feet_and_inches(clean)
        if length is not None:
            return Quantity(float(length), "ft" if "ft" in clean or "'" in clean else "in", False)
    match = _NUMBER.fullmatch(clean)
    if match is None:
        raise QuantityError(
            f"'{text}' is not {dimension.with_article}; write a number and a unit, for example "
            f"{_example(dimension, None)}"
        )
    number, unit_text = match.groups()
    unit = _unit_name(unit_text)
    if unit not in UNITS[dimension] and _NUMBER_GOES_ON.match(unit_text):
        raise QuantityError(_number_text(clean, dimension))
    if not unit:
        raise QuantityError(
            f"'{text}' has no unit; {dimension.with_article} is wanted, for example {_bare_example(dimension, number)}"
        )
    if unit not in UNITS[dimension]:
        raise QuantityError(_unit_text(text, number, unit, unit_text, dimension))
    return Quantity(float(_exact_si(Fraction(number), unit, dimension, text)), unit, unit in AT_60F)


def parse_quantity(text: str, dimension: Dimension) -> float:
    """As `parse`, the SI value only."""
    return parse(text, dimension).value


def parse_any(text: str) -> tuple[Dimension, float]:
    """A quantity of whatever dimension its unit says, the likelier first, and its SI value. Raises QuantityError."""
    for dimension in Dimension:
        if _reads(text, dimension):
            return dimension, parse_quantity(text, dimension)
    clean = text.translate(_SIGNS).strip()
    hint = number_hint(clean, lambda way: any(_reads(way, dimension) for dimension in Dimension), "1 m")
    raise QuantityError(hint or f"'{text}' is not a number with a unit; write for example 0 m")


def from_unit(value: float, unit: str, dimension: Dimension) -> float:
    """A number in `unit` as SI. Raises QuantityError for a unit that the dimension does not have."""
    if _known(unit, dimension) == API:
        if not value > -float(API_OFFSET):
            raise QuantityError(f"{value:.7g} degAPI is no density; degrees API lie above -131.5 degAPI")
        return float(API_NUMERATOR) / (value + float(API_OFFSET))
    factor, offset = si_conversion(unit, dimension)
    return value * factor + offset


def to_unit(value_si: float, unit: str, dimension: Dimension) -> float:
    """An SI value as a number in `unit`. Raises QuantityError for a unit that the dimension does not have."""
    name = _known(unit, dimension)
    if name == API:
        if not value_si > 0.0:
            raise QuantityError(f"{value_si:.7g} kg/m3 has no degAPI; a density is above 0")
        return float(API_NUMERATOR) / value_si - float(API_OFFSET)
    entry = UNITS[dimension][name]
    return value_si / float(entry.factor) - float(entry.shift)


def si_conversion(unit: str, dimension: Dimension) -> tuple[float, float]:
    """(factor, offset) with SI = number * factor + offset. Raises QuantityError; degAPI has no such pair."""
    name = _known(unit, dimension)
    if name == API:
        raise QuantityError("degAPI does not rise in proportion to density; give the density in kg/m3 or SG")
    entry = UNITS[dimension][name]
    return float(entry.factor), float(entry.shift * entry.factor)


def si_unit(dimension: Dimension) -> str:
    """The unit that an SI value of a dimension is told in, by its first name; empty for a ratio."""
    if dimension is Dimension.RATIO:
        return ""
    return next(name for name, unit in UNITS[dimension].items() if unit == _ITSELF and name != API)


def feet_inches_text(value_m: float, parts: int = 16) -> str:
    """A length in feet, inches and sixteenths, rounded to the nearest: `31 ft 7-5/16 in`."""
    total = round(Fraction(value_m) / INCH * parts)
    sign = "-" if total < 0 else ""
    inches, rest = divmod(abs(total), parts)
    feet, inches = divmod(inches, 12)
    part = Fraction(rest, parts)
    fraction = f"-{part.numerator}/{part.denominator}" if part else ""
    return f"{sign}{feet} ft {inches}{fraction} in"


def _unit_name(text: str) -> str:
    plain = " ".join(text.translate(_PLAIN).split())
    return SPELLINGS.get(plain, plain)


def _known(unit: str, dimension: Dimension) -> str:
    name = _unit_name(unit)
    if name not in UNITS[dimension]:
        raise QuantityError(_unit_text(unit, None, name, unit, dimension))
    return name


def _exact_si(number: Fraction, unit: str, dimension: Dimension, text: str) -> Fraction:
    if unit != API:
        entry = UNITS[dimension][unit]
        return (number + entry.shift) * entry.factor
    if number <= -API_OFFSET:
        raise QuantityError(f"'{text}' is no density; degrees API lie above -131.5 degAPI")
    return API_NUMERATOR / (number + API_OFFSET)


def _plain_fraction(found: re.Match[str]) -> str:
    """`7½` as 7-1/2: reports that went through a word processor have it so."""
    before, sign = found.groups()
    return f"{before}-{_FRACTION_SIGNS[sign]}" if before else _FRACTION_SIGNS[sign]


def _feet_and_inches(text: str) -> Fraction | None:
    feet_only = _FEET_MARK.fullmatch(text)
    if feet_only is not None:
        return Fraction(feet_only.group(1)) * FOOT
    match = _FEET_AND_INCHES.fullmatch(text)
    if match is None:
        return None
    sign, feet, whole, decimals, top, bottom, top_alone, bottom_alone = match.groups()
    inches = Fraction(f"{whole or 0}{decimals or ''}")
    numerator, denominator = top or top_alone, bottom or bottom_alone
    if numerator is not None:
        if not 0 < int(numerator) < int(denominator):
            raise QuantityError(f"'{text}' has a wrong fraction; write for example 7-5/16 in")
        inches += Fraction(int(numerator), int(denominator))
    if feet is not None and inches >= 12:
        raise QuantityError(f"'{text}' has 12 inches or more beside the feet; write for example 31 ft 7-5/16 in")
    length = Fraction(feet or 0) * FOOT + inches * INCH
    return -length if sign == "-" else length


def _reads(text: str, dimension: Dimension) -> bool:
    try:
        parse(text, dimension)
    except QuantityError:
        return False
    return True


def _number_text(text: str, dimension: Dimension) -> str:
    example = _example(dimension, None)
    if dimension is Dimension.LENGTH:
        example += " or 31 ft 7-5/16 in"
    hint = number_hint(text, lambda way: _reads(way, dimension), example)
    return hint or f"'{text}' is not one number and a unit; write for example {example}"


def _unit_text(text: str, number: str | None, unit: str, as_written: str, dimension: Dimension) -> str:
    if unit in AMBIGUOUS:
        return f"'{text}': the unit '{as_written}' can mean several things; write {AMBIGUOUS[unit]}"
    others = dimensions_of(unit)
    if others:
        # The same number in a unit so near to the one that was written would pass, and be wrong.
        example = _example(dimension, None if others[0] in _PRESSURE_KINDS and dimension in _PRESSURE_KINDS else number)
        return f"'{text}' is {others[0].with_article}; {dimension.with_article} is wanted, for example {example}"
    unknown = f"'{text}' has the unknown unit '{as_written}'" if number else f"there is no unit '{as_written}'"
    same = same_unit(unit, UNITS[dimension])
    if same is not None:
        return f"{unknown}; did you mean '{same}'?"
    *most, last = UNITS[dimension]
    known = f"{', '.join(most)} or {last}" if most else last
    return f"{unknown}; {dimension.with_article} is wanted, in {known}"


def unit_mistake(text: str) -> str | None:
    """What is wrong with a unit that may be of any dimension; None where it is one."""
    unit = _unit_name(text)
    if dimensions_of(unit):
        return None
    if unit in AMBIGUOUS:
        return f"the unit '{text}' can mean several things; write {AMBIGUOUS[unit]}"
    same = same_unit(unit, dict.fromkeys(name for units in UNITS.values() for name in units))
    hint = f"did you mean '{same}'?" if same else "write for example m, mm, in, degC, degF, bar, kPa or uA"
    return f"the unit '{text}' is not known; {hint}"


def _example(dimension: Dimension, number: str | None) -> str:
    unit = units_of(dimension)[0]
    if dimension is Dimension.LENGTH and number is not None and abs(Fraction(number)) >= _FAR_TOO_LONG_IN_METRES:
        unit = "mm"
    return f"{number or '1'} {unit}"


def _bare_example(dimension: Dimension, number: str) -> str:
    """`number` in the unit that it was most likely meant in; a share below 1 may be one of 1 or of 100."""
    size = abs(Fraction(number))
    if dimension is Dimension.RATIO and 0 < size <= 1:
        return f"{float(Fraction(number) * 100):g} % or {number} %"
    if dimension is Dimension.DENSITY and size < _HIGHEST_DEGREES_API:
        return f"{number} {'kg/L' if size < _HIGHEST_KG_L else 'degAPI'}"
    return _example(dimension, number)
