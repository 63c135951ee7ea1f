"""The units there are: exact factors to SI, other spellings, and names that mean several things.

Factors after NIST SP 811 (2008), appendix B.8, and the international yard and pound agreement of 1959; US gallon
231 in3, barrel 42 US gallons; imperial gallon 4.54609 L (Weights and Measures Act 1985, schedule 1). Degrees API and
specific gravity 60/60 rest on water of 999.016 kg/m3 at 60 degF (API MPMS 11.1, 2004).
"""

from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

__all__ = [
    "AMBIGUOUS",
    "API",
    "API_NUMERATOR",
    "API_OFFSET",
    "AT_60F",
    "FOOT",
    "INCH",
    "SPELLINGS",
    "UNITS",
    "WATER_DENSITY_60F",
    "Dimension",
    "Unit",
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
    def si_unit(self) -> str:
        """The unit of a value inside the program, and of a number that leaves it without being made for people."""
        return _SI_UNITS[self]

    @property
    def words(self) -> str:
        return self.value.replace("_", " ")

    @property
    def with_article(self) -> str:
        return f"{'an' if self.value[0] in 'aeiou' else 'a'} {self.words}"


_SI_UNITS: dict[Dimension, str] = {
    Dimension.LENGTH: "m",
    Dimension.TEMPERATURE: "degC",
    Dimension.TEMPERATURE_DIFFERENCE: "degC",
    Dimension.GAUGE_PRESSURE: "Pa",
    Dimension.ABSOLUTE_PRESSURE: "Pa",
    Dimension.VOLUME: "m3",
    Dimension.RATIO: "1",
    Dimension.DENSITY: "kg/m3",
    Dimension.MASS: "kg",
    Dimension.TIME: "s",
    Dimension.VOLUME_FLOW: "m3/s",
    Dimension.MASS_FLOW: "kg/s",
    Dimension.CURRENT: "A",
    Dimension.RESISTANCE: "ohm",
    Dimension.ACCELERATION: "m/s2",
    Dimension.ANGLE: "rad",
    Dimension.DENSITY_SLOPE: "kg/m3/degC",
    Dimension.EXPANSION_COEFFICIENT: "/degC",
    Dimension.MOLAR_MASS: "kg/mol",
    Dimension.ELASTIC_MODULUS: "Pa",
}


class Unit(NamedTuple):
    """SI = (number + shift) * factor; degAPI alone goes by its own formula."""

    factor: Fraction
    shift: Fraction = Fraction(0)


INCH = Fraction("0.0254")
FOOT = 12 * INCH
_POUND = Fraction("0.45359237")
_GALLON = 231 * INCH**3
_IMPERIAL_GALLON = Fraction("0.00454609")
_BARREL = 42 * _GALLON
_LITRE = Fraction(1, 1000)
_HOUR = Fraction(3600)
_DAY = 24 * _HOUR
_RANKINE = Fraction(5, 9)
_STANDARD_GRAVITY = Fraction("9.80665")
_PSI = _POUND * _STANDARD_GRAVITY / INCH**2
# pi to 40 places: the only factor that is not rational; the error is far below that of a float.
_DEGREE = Fraction("3.141592653589793238462643383279502884197") / 180
_SG = Fraction("999.016")
API_NUMERATOR = Fraction("141.5") * _SG
API_OFFSET = Fraction("131.5")
API = "degAPI"
AT_60F = frozenset({API, "SG"})


def _named(factors: dict[str, Fraction | int | str]) -> dict[str, Unit]:
    return {name: Unit(Fraction(factor)) for name, factor in factors.items()}


_PRESSURES: dict[str, Fraction | int | str] = {
    "kPa": 1000,
    "Pa": 1,
    "MPa": 1_000_000,
    "mbar": 100,
    "bar": 100_000,
    "psi": _PSI,
    "kgf/cm2": _STANDARD_GRAVITY * 10_000,
}

UNITS: dict[Dimension, dict[str, Unit]] = {
    Dimension.LENGTH: _named({"m": 1, "mm": "0.001", "cm": "0.01", "ft": FOOT, "in": INCH}),
    Dimension.TEMPERATURE: {
        "degC": Unit(Fraction(1)),
        "degF": Unit(_RANKINE, Fraction(-32)),
        "K": Unit(Fraction(1), Fraction("-273.15")),
    },
    Dimension.TEMPERATURE_DIFFERENCE: _named({"degC": 1, "degF": _RANKINE, "K": 1}),
    Dimension.GAUGE_PRESSURE: _named({**_PRESSURES, "barg": 100_000, "mbarg": 100, "kPag": 1000, "psig": _PSI}),
    Dimension.ABSOLUTE_PRESSURE: _named({**_PRESSURES, "bara": 100_000, "mbara": 100, "kPaa": 1000, "psia": _PSI}),
    Dimension.VOLUME: _named(
        {
            "m3": 1,
            "L": _LITRE,
            "hL": 100 * _LITRE,
            "kL": 1,
            "bbl": _BARREL,
            "US gal": _GALLON,
            "imp gal": _IMPERIAL_GALLON,
            "ft3": FOOT**3,
        }
    ),
    Dimension.RATIO: _named({"%": "0.01", "ppm": "0.000001", "1": 1}),
    Dimension.DENSITY: {
        **_named(
            {
                "kg/m3": 1,
                "kg/L": 1000,
                "t/m3": 1000,
                "g/cm3": 1000,
                "g/mL": 1000,
                "lb/ft3": _POUND / FOOT**3,
                "lb/US gal": _POUND / _GALLON,
                "lb/imp gal": _POUND / _IMPERIAL_GALLON,
                "SG": _SG,
            }
        ),
        API: Unit(Fraction(1)),
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
            "imp gal/min": _IMPERIAL_GALLON / 60,
        }
    ),
    Dimension.MASS_FLOW: _named({"kg/s": 1, "kg/h": 1 / _HOUR, "t/h": 1000 / _HOUR, "lb/h": _POUND / _HOUR}),
    Dimension.CURRENT: _named({"mA": "0.001", "uA": "0.000001", "A": 1}),
    Dimension.RESISTANCE: _named({"ohm": 1, "kohm": 1000}),
    Dimension.ACCELERATION: _named({"m/s2": 1, "ft/s2": FOOT}),
    Dimension.ANGLE: _named({"deg": _DEGREE, "rad": 1}),
    Dimension.DENSITY_SLOPE: _named({"kg/m3/degC": 1, "kg/m3/degF": 1 / _RANKINE, "kg/L/degC": 1000}),
    Dimension.EXPANSION_COEFFICIENT: _named({"/degC": 1, "/degF": 1 / _RANKINE}),
    Dimension.MOLAR_MASS: _named({"g/mol": "0.001", "kg/mol": 1, "kg/kmol": "0.001"}),
    Dimension.ELASTIC_MODULUS: _named({"GPa": 1_000_000_000, "MPa": 1_000_000, "Pa": 1, "psi": _PSI}),
}

# Other spellings of the same unit, after the symbols have been made plain.
SPELLINGS = {
    "l": "L",
    "SG60/60": "SG",
    "SG 60/60": "SG",
    "API": API,
    "USgal": "US gal",
    "impgal": "imp gal",
    "UK gal": "imp gal",
    "UKgal": "imp gal",
    "imperial gal": "imp gal",
    "imperial gallon": "imp gal",
    "imperial gallons": "imp gal",
    "US gallon": "US gal",
    "US gallons": "US gal",
    "kg/dm3": "kg/L",
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
AMBIGUOUS = {
    "gal": "`US gal` or `imp gal`",
    "gallon": "`US gal` or `imp gal`",
    "gallons": "`US gal` or `imp gal`",
    "gal/min": "`US gal/min` or `imp gal/min`",
    "gpm": "`US gal/min` or `imp gal/min`",
    "lb/gal": "`lb/US gal` or `lb/imp gal`",
    "ton": "`t` (1000 kg), `long ton` or `short ton`",
    "tons": "`t` (1000 kg), `long ton` or `short ton`",
    "C": "`degC`",
    "F": "`degF`",
}
