"""Quantities with their units: text to SI and back, by exact factors.

Every factor is an exact rational number, so that `9412 mm` and `9.412 m` give the same float. Factors after NIST SP 811
(2008), appendix B.8, and the international yard and pound agreement of 1959; US gallon 231 in3, barrel 42 US gallons.
Degrees API and specific gravity 60/60 rest on water of 999.016 kg/m3 at 60 degF (API MPMS 11.1, 2004).
"""

import re
from difflib import get_close_matches
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from gateway.errors import QuantityError

__all__ = [
    "WATER_DENSITY_60F",
    "Dimension",
    "Quantity",
    "dimensions_of",
    "feet_inches_text",
    "from_unit",
    "parse",
    "parse_quantity",
    "si_conversion",
    "to_unit",
    "units_of",
]

WATER_DENSITY_60F = 999.016
"""kg/m3 of water at 60 degF: API MPMS 11.1 (2004)."""


class Dimension(StrEnum):
    """What kind of quantity a value is. Differences of temperature, gauge and absolute pressure stand apart."""

    LENGTH = "length"
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature_difference"
    GAUGE_PRESSURE = "gauge_pressure"
    ABSOLUTE_PRESSURE = "absolute_pressure"
    VOLUME = "volume"
    RATIO = "ratio"
    DENSITY = "density"
    MASS = "mass"
    TIME = "time"
    VOLUME_FLOW = "volume_flow"
    MASS_FLOW = "mass_flow"
    CURRENT = "current"
    RESISTANCE = "resistance"
    ACCELERATION = "acceleration"
    ANGLE = "angle"
    DENSITY_SLOPE = "density_slope"
    EXPANSION_COEFFICIENT = "expansion_coefficient"
    MOLAR_MASS = "molar_mass"
    ELASTIC_MODULUS = "elastic_modulus"

    @property
    def words(self) -> str:
        return self.value.replace("_", " ")

    @property
    def with_article(self) -> str:
        return f"{'an' if self.value[0] in 'aeiou' else 'a'} {self.words}"


class Quantity(NamedTuple):
    """A parsed quantity."""

    value: float
    """SI."""
    unit: str
    """The unit it was written in, by its first name."""
    at_60f: bool
    """Whether the unit itself says that the value holds at 60 degF (degAPI, SG)."""


class _Unit(NamedTuple):
    """SI = (number + shift) * factor; degAPI alone goes by its own formula."""

    factor: Fraction
    shift: Fraction = Fraction(0)


_INCH = Fraction("0.0254")
_FOOT = 12 * _INCH
_POUND = Fraction("0.45359237")
_GALLON = 231 * _INCH**3
_BARREL = 42 * _GALLON
_LITRE = Fraction(1, 1000)
_HOUR = Fraction(3600)
_DAY = 24 * _HOUR
_RANKINE = Fraction(5, 9)
_STANDARD_GRAVITY = Fraction("9.80665")
_PSI = _POUND * _STANDARD_GRAVITY / _INCH**2
# pi to 40 places: the only factor that is not rational; the error is far below that of a float.
_DEGREE = Fraction("3.141592653589793238462643383279502884197") / 180
_SG = Fraction("999.016")
_API_NUMERATOR = Fraction("141.5") * _SG
_API_OFFSET = Fraction("131.5")
_API = "degAPI"
_AT_60F = frozenset({_API, "SG"})


def _named(factors: dict[str, Fraction | int | str]) -> dict[str, _Unit]:
    return {name: _Unit(Fraction(factor)) for name, factor in factors.items()}


_PRESSURES: dict[str, Fraction | int | str] = {
    "kPa": 1000,
    "Pa": 1,
    "MPa": 1_000_000,
    "mbar": 100,
    "bar": 100_000,
    "psi": _PSI,
    "kgf/cm2": _STANDARD_GRAVITY * 10_000,
}

_UNITS: dict[Dimension, dict[str, _Unit]] = {
    Dimension.LENGTH: _named({"m": 1, "mm": "0.001", "cm": "0.01", "ft": _FOOT, "in": _INCH}),
    Dimension.TEMPERATURE: {
        "degC": _Unit(Fraction(1)),
        "degF": _Unit(_RANKINE, Fraction(-32)),
        "K": _Unit(Fraction(1), Fraction("-273.15")),
    },
    Dimension.TEMPERATURE_DIFFERENCE: _named({"degC": 1, "degF": _RANKINE, "K": 1}),
    Dimension.GAUGE_PRESSURE: _named({**_PRESSURES, "barg": 100_000, "psig": _PSI}),
    Dimension.ABSOLUTE_PRESSURE: _named({**_PRESSURES, "bara": 100_000, "psia": _PSI}),
    Dimension.VOLUME: _named({"m3": 1, "L": _LITRE, "bbl": _BARREL, "US gal": _GALLON, "ft3": _FOOT**3}),
    Dimension.RATIO: _named({"%": "0.01", "ppm": "0.000001", "1": 1}),
    Dimension.DENSITY: {
        **_named(
            {
                "kg/m3": 1,
                "kg/L": 1000,
                "g/cm3": 1000,
                "g/mL": 1000,
                "lb/ft3": _POUND / _FOOT**3,
                "lb/US gal": _POUND / _GALLON,
                "SG": _SG,
            }
        ),
        _API: _Unit(Fraction(1)),
    },
    Dimension.MASS: _named(
        {"kg": 1, "t": 1000, "g": "0.001", "lb": _POUND, "long ton": 2240 * _POUND, "short ton": 2000 * _POUND}
    ),
    Dimension.TIME: _named({"s": 1, "ms": "0.001", "min": 60, "h": _HOUR, "d": _DAY}),
    Dimension.VOLUME_FLOW: _named(
        {
            "m3/h": 1 / _HOUR,
            "m3/min": Fraction(1, 60),
            "m3/s": 1,
            "L/s": _LITRE,
            "L/min": _LITRE / 60,
            "L/h": _LITRE / _HOUR,
            "bbl/h": _BARREL / _HOUR,
            "bbl/d": _BARREL / _DAY,
            "US gal/min": _GALLON / 60,
        }
    ),
    Dimension.MASS_FLOW: _named({"kg/s": 1, "kg/h": 1 / _HOUR, "t/h": 1000 / _HOUR, "lb/h": _POUND / _HOUR}),
    Dimension.CURRENT: _named({"mA": "0.001", "uA": "0.000001", "A": 1}),
    Dimension.RESISTANCE: _named({"ohm": 1, "kohm": 1000}),
    Dimension.ACCELERATION: _named({"m/s2": 1, "ft/s2": _FOOT}),
    Dimension.ANGLE: _named({"deg": _DEGREE, "rad": 1}),
    Dimension.DENSITY_SLOPE: _named({"kg/m3/degC": 1, "kg/m3/degF": 1 / _RANKINE, "kg/L/degC": 1000}),
    Dimension.EXPANSION_COEFFICIENT: _named({"/degC": 1, "/degF": 1 / _RANKINE}),
    Dimension.MOLAR_MASS: _named({"g/mol": "0.001", "kg/mol": 1, "kg/kmol": "0.001"}),
    Dimension.ELASTIC_MODULUS: _named({"GPa": 1_000_000_000, "MPa": 1_000_000, "Pa": 1, "psi": _PSI}),
}

# Other spellings of the same unit, after the symbols have been made plain.
_SPELLINGS = {
    "l": "L",
    "SG60/60": "SG",
    "SG 60/60": "SG",
    "API": _API,
    "USgal": "US gal",
    "bar gauge": "barg",
    "bar absolute": "bara",
    "psi gauge": "psig",
    "psi absolute": "psia",
    "1/degC": "/degC",
    "1/degF": "/degF",
    "per degC": "/degC",
    "per degF": "/degF",
    "1/K": "/degC",
    "/K": "/degC",
    "kg/m3/K": "kg/m3/degC",
    "kg/m3 per degC": "kg/m3/degC",
    "kg/m3 per degF": "kg/m3/degF",
    "kg/(m3 degC)": "kg/m3/degC",
    "kg/(m3 K)": "kg/m3/degC",
}

# Units that mean different things to different people: refused, with the names that say which.
_AMBIGUOUS = {
    "gal": "`US gal`; for imperial gallons write litres, 1 imperial gallon is 4.54609 L",
    "gal/min": "`US gal/min`; for imperial gallons write `L/min`",
    "ton": "`t` (1000 kg), `long ton` or `short ton`",
    "tons": "`t` (1000 kg), `long ton` or `short ton`",
    "C": "`degC`",
    "F": "`degF`",
}

_PLAIN = str.maketrans(
    {"°": "deg", "º": "deg", "³": "3", "²": "2", "µ": "u", "μ": "u", "\u03a9": "ohm", "\u2126": "ohm"}
)
_SIGNS = str.maketrans({"\u2212": "-", "\u2019": "'", "\u2032": "'", "\u201d": '"', "\u2033": '"', "\u00a0": " "})
# At most two digits of exponent: an exact 1e999999999 would fill the memory.
_NUMBER = re.compile(r"([+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,2})?)\s*(.*)", re.DOTALL | re.ASCII)
_INCHES = r"(?:(\d{1,9}(?:\.\d{1,15})?)(?:[- ](\d{1,3})/(\d{1,3}))?|(\d{1,3})/(\d{1,3}))\s*(?:in|\")"
_FEET_AND_INCHES = re.compile(rf"([+-]?)(?:(\d{{1,9}})\s*(?:ft|')\s*-?\s*)?{_INCHES}", re.ASCII)
_FEET_MARK = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,15})?)\s*'", re.ASCII)

_FAR_TOO_LONG_IN_METRES = 250
"""Who writes such a length without its unit means millimetres: no tank is so high or so wide."""


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """The units in which a dimension may be written, the usual one first."""
    return tuple(_UNITS[dimension])


def dimensions_of(unit: str) -> tuple[Dimension, ...]:
    """Every dimension that has this unit, the likelier one first: `degC` is a temperature before a difference."""
    name = _unit_name(unit)
    return tuple(dimension for dimension, units in _UNITS.items() if name in units)


def parse(text: str, dimension: Dimension) -> Quantity:
    """`15.240 m`, `49 ft 6 in`, `31'7-5/16"`, `34 degAPI`: the quantity in SI with the unit it was written in.

    Raises QuantityError: no number, a comma, no unit, a unit of another dimension, an unknown unit.
    """
    clean = text.translate(_SIGNS).strip()
    if "," in clean:
        raise QuantityError(_comma_text(clean))
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
    if not unit:
        raise QuantityError(
            f"'{text}' has no unit; {dimension.with_article} is wanted, for example {_example(dimension, number)}"
        )
    if unit not in _UNITS[dimension]:
        raise QuantityError(_unit_text(text, number, unit, unit_text, dimension))
    return Quantity(float(_exact_si(Fraction(number), unit, dimension, text)), unit, unit in _AT_60F)


def parse_quantity(text: str, dimension: Dimension) -> float:
    """As `parse`, the SI value only."""
    return parse(text, dimension).value


def from_unit(value: float, unit: str, dimension: Dimension) -> float:
    """A number in `unit` as SI. Raises QuantityError for a unit that the dimension does not have."""
    if _known(unit, dimension) == _API:
        if not value > -float(_API_OFFSET):
            raise QuantityError(f"{value:.7g} degAPI is no density; degrees API lie above -131.5")
        return float(_API_NUMERATOR) / (value + float(_API_OFFSET))
    factor, offset = si_conversion(unit, dimension)
    return value * factor + offset


def to_unit(value_si: float, unit: str, dimension: Dimension) -> float:
    """An SI value as a number in `unit`. Raises QuantityError for a unit that the dimension does not have."""
    name = _known(unit, dimension)
    if name == _API:
        if not value_si > 0.0:
            raise QuantityError(f"{value_si:.7g} kg/m3 has no degAPI; a density is above 0")
        return float(_API_NUMERATOR) / value_si - float(_API_OFFSET)
    entry = _UNITS[dimension][name]
    return value_si / float(entry.factor) - float(entry.shift)


def si_conversion(unit: str, dimension: Dimension) -> tuple[float, float]:
    """(factor, offset) with SI = number * factor + offset. Raises QuantityError; degAPI has no such pair."""
    name = _known(unit, dimension)
    if name == _API:
        raise QuantityError("degAPI does not rise in proportion to density; give the density in kg/m3 or SG")
    entry = _UNITS[dimension][name]
    return float(entry.factor), float(entry.shift * entry.factor)


def feet_inches_text(value_m: float, parts: int = 16) -> str:
    """A length in feet, inches and sixteenths, rounded to the nearest: `31 ft 7-5/16 in`."""
    total = round(Fraction(value_m) / _INCH * parts)
    sign = "-" if total < 0 else ""
    inches, rest = divmod(abs(total), parts)
    feet, inches = divmod(inches, 12)
    part = Fraction(rest, parts)
    fraction = f"-{part.numerator}/{part.denominator}" if part else ""
    return f"{sign}{feet} ft {inches}{fraction} in"


def _unit_name(text: str) -> str:
    plain = " ".join(text.translate(_PLAIN).split())
    return _SPELLINGS.get(plain, plain)


def _known(unit: str, dimension: Dimension) -> str:
    name = _unit_name(unit)
    if name not in _UNITS[dimension]:
        raise QuantityError(_unit_text(unit, None, name, unit, dimension))
    return name


def _exact_si(number: Fraction, unit: str, dimension: Dimension, text: str) -> Fraction:
    if unit != _API:
        entry = _UNITS[dimension][unit]
        return (number + entry.shift) * entry.factor
    if number <= -_API_OFFSET:
        raise QuantityError(f"'{text}' is no density; degrees API lie above -131.5")
    return _API_NUMERATOR / (number + _API_OFFSET)


def _feet_and_inches(text: str) -> Fraction | None:
    feet_only = _FEET_MARK.fullmatch(text)
    if feet_only is not None:
        return Fraction(feet_only.group(1)) * _FOOT
    match = _FEET_AND_INCHES.fullmatch(text)
    if match is None:
        return None
    sign, feet, whole, top, bottom, top_alone, bottom_alone = match.groups()
    inches = Fraction(whole or 0)
    numerator, denominator = top or top_alone, bottom or bottom_alone
    if numerator is not None:
        if not 0 < int(numerator) < int(denominator):
            raise QuantityError(f"'{text}' has a wrong fraction; write for example 7-5/16 in")
        inches += Fraction(int(numerator), int(denominator))
    if feet is not None and inches >= 12:
        raise QuantityError(f"'{text}' has 12 inches or more beside the feet; write for example 31 ft 7-5/16 in")
    length = Fraction(feet or 0) * _FOOT + inches * _INCH
    return -length if sign == "-" else length


def _comma_text(text: str) -> str:
    without = text.replace(",", "")
    if text.count(",") == 1:
        return f"'{text}' has a comma; write {text.replace(',', '.')} for a decimal or {without} for thousands"
    return f"'{text}' has commas; write {without}"


def _unit_text(text: str, number: str | None, unit: str, as_written: str, dimension: Dimension) -> str:
    if unit in _AMBIGUOUS:
        return f"'{text}': the unit '{as_written}' can mean several things; write {_AMBIGUOUS[unit]}"
    wanted = f"{dimension.with_article} is wanted, for example {_example(dimension, number)}"
    others = dimensions_of(unit)
    if others:
        return f"'{text}' is {others[0].with_article}; {wanted}"
    everything = {name.lower(): name for name in _UNITS[dimension]}
    close = get_close_matches(unit.lower(), list(everything), n=1, cutoff=0.5)
    suggestion = f"; did you mean '{everything[close[0]]}'?" if close else f"; {wanted}"
    return f"'{text}' has the unknown unit '{as_written}'{suggestion}"


def _example(dimension: Dimension, number: str | None) -> str:
    unit = units_of(dimension)[0]
    if dimension is Dimension.LENGTH and number is not None and abs(Fraction(number)) >= _FAR_TOO_LONG_IN_METRES:
        unit = "mm"
    return f"{number or '1'} {unit}"
