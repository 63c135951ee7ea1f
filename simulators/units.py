"""Quantities written as a number with its unit, as scenario files hold them: `9.412 m`, `49 ft 6 in`, `25 degC`.

Everything is turned into one unit for each dimension: m, m3, m3/s, degC, K (differences), Pa, s, kg, kg/m3, W,
J/(kg K). Source of the factors: exact definitions (inch 0.0254 m, pound-force per square inch from the pound
0.45359237 kg and standard gravity 9.80665 m/s2, oil barrel 42 US gallons of 231 cubic inches) as in NIST SP 811,
Appendix B.
"""

import re
from typing import NamedTuple

__all__ = ["DIMENSIONS", "EXAMPLES", "parse_quantities", "parse_quantity", "parse_step"]

_INCH = 0.0254
_FOOT = 12 * _INCH
_BARREL = 42 * 231 * _INCH**3
_PSI = 0.45359237 * 9.80665 / _INCH**2
_FAHRENHEIT_ZERO_C = -32.0 * 5.0 / 9.0


class _Unit(NamedTuple):
    size: float
    """One of it, in the dimension's own unit."""
    zero: float = 0.0
    """Where its zero stands, in the dimension's own unit."""


DIMENSIONS: dict[str, dict[str, _Unit]] = {
    "length": {
        "m": _Unit(1.0),
        "cm": _Unit(0.01),
        "mm": _Unit(0.001),
        "ft": _Unit(_FOOT),
        "in": _Unit(_INCH),
        "1/16in": _Unit(_INCH / 16),
    },
    "volume": {"m3": _Unit(1.0), "L": _Unit(0.001), "bbl": _Unit(_BARREL)},
    "flow": {
        "m3/h": _Unit(1 / 3600),
        "m3/s": _Unit(1.0),
        "L/min": _Unit(0.001 / 60),
        "L/s": _Unit(0.001),
        "bbl/h": _Unit(_BARREL / 3600),
    },
    "temperature": {"degC": _Unit(1.0), "degF": _Unit(5 / 9, _FAHRENHEIT_ZERO_C), "K": _Unit(1.0, -273.15)},
    "temperature difference": {"K": _Unit(1.0), "degC": _Unit(1.0), "degF": _Unit(5 / 9)},
    "pressure": {
        "Pa": _Unit(1.0),
        "kPa": _Unit(1e3),
        "mbar": _Unit(100.0),
        "bar": _Unit(1e5),
        "psi": _Unit(_PSI),
    },
    "duration": {
        "s": _Unit(1.0),
        "ms": _Unit(0.001),
        "min": _Unit(60.0),
        "h": _Unit(3600.0),
        "d": _Unit(86400.0),
    },
    "mass": {"kg": _Unit(1.0), "t": _Unit(1000.0)},
    "density": {"kg/m3": _Unit(1.0), "kg/L": _Unit(1e3), "g/cm3": _Unit(1e3)},
    "density slope": {"kg/m3/K": _Unit(1.0)},
    "expansion": {"1/K": _Unit(1.0), "1/degC": _Unit(1.0), "1/degF": _Unit(1.8)},
    "pressure slope": {"Pa/K": _Unit(1.0), "kPa/K": _Unit(1e3), "bar/K": _Unit(1e5)},
    "power": {"W": _Unit(1.0), "kW": _Unit(1e3), "MW": _Unit(1e6)},
    "heat capacity": {"J/kg/K": _Unit(1.0), "kJ/kg/K": _Unit(1e3)},
}
"""Dimension -> unit -> size and zero."""

EXAMPLES = {
    "length": "9.412 m",
    "volume": "4.2 m3",
    "flow": "300 m3/h",
    "temperature": "25 degC",
    "temperature difference": "0.5 K",
    "pressure": "5.4 bar",
    "duration": "60 s",
    "mass": "46000 kg",
    "density": "838.0 kg/m3",
    "density slope": "-0.70 kg/m3/K",
    "expansion": "0.000846 1/K",
    "pressure slope": "0.1 bar/K",
    "power": "200 kW",
    "heat capacity": "2.0 kJ/kg/K",
}

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_QUANTITY = re.compile(rf"(?P<numbers>{_NUMBER}(?:\s+{_NUMBER})*)\s+(?P<unit>[A-Za-z1][A-Za-z0-9/]*)")
_FEET_INCHES = re.compile(
    r"(?P<feet>-?\d+)\s*ft\s+(?P<inches>\d+)(?:(?P<decimals>\.\d+)|[- ](?P<parts>\d+)/(?P<whole>[1-9]\d*))?\s*in"
)
_FRACTION = re.compile(r"(?P<sign>[-+]?)(?:(?P<inches>\d+)-)?(?P<parts>\d+)/(?P<whole>[1-9]\d*)\s+in")
_LARGEST = 1e30


def _wanted(text: str, dimension: str, many: bool = False) -> str:
    units = ", ".join(DIMENSIONS[dimension])
    what = f"one or more numbers and a unit of {dimension}" if many else f"a {dimension} with its unit"
    return f"{text!r} is not {what} ({units}); write it like '{EXAMPLES[dimension]}'"


def parse_quantities(text: str, dimension: str) -> tuple[float, ...]:
    """Read `1 3.5 6 8.5 11 m` or one quantity. Raises ValueError with what would be right."""
    text = text.strip()
    if dimension == "length" and (split := _FEET_INCHES.fullmatch(text)):
        feet, inches = float(split["feet"]), float(split["inches"] + (split["decimals"] or ""))
        inches += int(split["parts"] or 0) / int(split["whole"] or 1)
        if inches >= 12:
            raise ValueError(f"{text!r} has 12 inches or more beside the feet; write it like '49 ft 6 in'")
        return (feet * _FOOT + (-inches if split["feet"].startswith("-") else inches) * _INCH,)
    if dimension == "length" and (fraction := _inches_m(text)) is not None:
        return (fraction,)
    found = _QUANTITY.fullmatch(text)
    unit = DIMENSIONS[dimension].get(found["unit"]) if found else None
    if found is None or unit is None:
        raise ValueError(_wanted(text, dimension, many=True))
    values = tuple(float(number) * unit.size + unit.zero for number in found["numbers"].split())
    if not all(abs(value) < _LARGEST for value in values):
        raise ValueError(_wanted(text, dimension, many=True))
    return values


def _inches_m(text: str) -> float | None:
    """`1-1/2 in` or `1/16 in` in m; None for what is written otherwise."""
    found = _FRACTION.fullmatch(text)
    if found is None:
        return None
    inches = int(found["inches"] or 0) + int(found["parts"]) / int(found["whole"])
    return (-inches if found["sign"] == "-" else inches) * _INCH


def parse_quantity(text: str, dimension: str) -> float:
    """Read one quantity, for example `9.412 m` -> 9.412. Raises ValueError with what would be right."""
    try:
        values = parse_quantities(text, dimension)
    except ValueError as error:
        raise ValueError(str(error) if "12 inches" in str(error) else _wanted(text, dimension)) from None
    if len(values) != 1:
        raise ValueError(_wanted(text, dimension))
    return values[0]


def parse_step(text: str, dimension: str) -> tuple[float, float]:
    """Read the size of one count of a register, `0.1 mm` or `0.1 degF`; return (size, zero) in the dimension's unit."""
    fraction = _inches_m(text.strip()) if dimension == "length" else None
    if fraction is not None and fraction > 0.0:
        return fraction, 0.0
    found = _QUANTITY.fullmatch(text.strip())
    unit = DIMENSIONS[dimension].get(found["unit"]) if found else None
    if (
        found is None
        or unit is None
        or len(found["numbers"].split()) != 1
        or not 0 < float(found["numbers"]) < _LARGEST
    ):
        raise ValueError(f"{_wanted(text, dimension)}, above 0")
    return float(found["numbers"]) * unit.size, unit.zero
