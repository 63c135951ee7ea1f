"""Pure: figures for people: no more digits than are known, a word for every doubt, `-` where there is no value.

The sheet stays in SI; a unit system is a choice of display alone. Rounding is half up, on the shortest decimal that
means the number, but room and pumpable volume are rounded down: nobody may count on the part that was rounded.
"""

from collections.abc import Mapping
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Context, Decimal
from enum import StrEnum
from typing import NamedTuple

from gateway.figures import FIGURE_DEFINITIONS, FigureDefinition, reasons_behind
from gateway.records import Figure, LevelState, Quality, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.units.quantity import Dimension, feet_inches_text, to_unit

__all__ = [
    "DEFINITIONS",
    "NO_VALUE",
    "Shown",
    "UnitSystem",
    "age_text",
    "limit_words",
    "printable",
    "quality_words",
    "reason_sentences",
    "reference_words",
    "roof_words",
    "show_figure",
    "show_value",
    "unit_of",
]

DEFINITIONS: Mapping[str, FigureDefinition] = {definition.name: definition for definition in FIGURE_DEFINITIONS}
NO_VALUE = "-"

_ROUNDED_DOWN = frozenset({"room", "pumpable"})
_PERCENTAGES = frozenset({"fill", "sediment_water"})
_EVERY_DIGIT = Context(prec=400)
"""Any float can be shown, be it one that somebody else has written to a broker."""
_SIXTY_F_IN_C = (60.0 - 32.0) / 1.8


class UnitSystem(StrEnum):
    """Which units a person sees."""

    SI = "si"
    US = "us"
    """Feet, inches and sixteenths; bbl of 42 US gallons; degF; long tons; degAPI where the reference is 60 degF."""


class _Form(NamedTuple):
    """How a quantity is shown: the unit to convert to, the sign printed beside the number, and the decimals known."""

    unit: str
    sign: str
    places: int


_FEET_AND_INCHES = _Form("ft", "", 0)
_API = _Form("degAPI", "°API", 1)
_FACTOR = _Form("1", "", 5)
_SI_FORMS = {
    Dimension.LENGTH: _Form("m", "m", 3),
    Dimension.TEMPERATURE: _Form("degC", "°C", 1),
    Dimension.TEMPERATURE_DIFFERENCE: _Form("degC", "°C", 1),
    Dimension.GAUGE_PRESSURE: _Form("kPa", "kPa", 2),
    Dimension.VOLUME: _Form("m3", "m³", 1),
    Dimension.MASS: _Form("t", "t", 1),
    Dimension.DENSITY: _Form("kg/m3", "kg/m³", 1),
    Dimension.RATIO: _FACTOR,
}
_US_FORMS = _SI_FORMS | {
    Dimension.LENGTH: _FEET_AND_INCHES,
    Dimension.TEMPERATURE: _Form("degF", "°F", 1),
    Dimension.TEMPERATURE_DIFFERENCE: _Form("degF", "°F", 1),
    Dimension.GAUGE_PRESSURE: _Form("psi", "psi", 2),
    Dimension.VOLUME: _Form("bbl", "bbl", 1),
    Dimension.MASS: _Form("long ton", "long tons", 1),
}


class Shown(NamedTuple):
    """A number as text and the unit beside it (empty where there is none, or where the number carries its own)."""

    number: str
    unit: str

    @property
    def text(self) -> str:
        return f"{self.number} {self.unit}" if self.unit else self.number


def show_figure(
    name: str, figure: Figure, system: UnitSystem = UnitSystem.SI, *, reference_temperature_c: float | None = None
) -> Shown:
    """Format the figure called `name` of `Figures`. Bad shows `-`; a Good figure without a value says why in a word."""
    if figure.quality is Quality.BAD:
        return Shown(NO_VALUE, "")
    if figure.value is not None:
        return show_value(name, figure.value, system, reference_temperature_c=reference_temperature_c)
    codes = {reason.code for reason in figure.reasons}
    return Shown("none detected" if ReasonCode.NONE_DETECTED in codes else "n/a", "")


def show_value(
    name: str, value: float, system: UnitSystem = UnitSystem.SI, *, reference_temperature_c: float | None = None
) -> Shown:
    """Format an SI value of the figure called `name`.

    `reference_temperature_c` is that of the product: API gravity is defined at 60 degF alone, so that a density at
    another reference temperature stays in kg/m3.
    """
    form = _form(name, system, reference_temperature_c)
    if form is _FEET_AND_INCHES:
        return Shown(feet_inches_text(value), "")
    dimension = Dimension(DEFINITIONS[name].quantity)
    number = Decimal(repr(to_unit(value, form.unit, dimension)))
    rounding = ROUND_FLOOR if name in _ROUNDED_DOWN else ROUND_HALF_UP
    places = form.places
    # A tenth of a cubic metre is known of a small tank only.
    if dimension is Dimension.VOLUME and abs(number.quantize(Decimal("0.1"), rounding, _EVERY_DIGIT)) >= 1000:
        places = 0
    rounded = number.quantize(Decimal(1).scaleb(-places), rounding, _EVERY_DIGIT)
    return Shown(f"{abs(rounded) if rounded.is_zero() else rounded:,}", form.sign)


def unit_of(name: str, system: UnitSystem = UnitSystem.SI, *, reference_temperature_c: float | None = None) -> str:
    """The unit in which the figure called `name` is shown; empty for a factor and for feet and inches."""
    return _form(name, system, reference_temperature_c).sign


_LIMIT_WORDS = {
    LimitState.UNKNOWN: "",
    LimitState.BELOW_MINIMUM: "below minimum",
    LimitState.NORMAL: "",
    LimitState.ABOVE_MAXIMUM_WORKING: "above maximum working",
    LimitState.ABOVE_HIGH_HIGH: "ABOVE HIGH-HIGH",
    LimitState.ABOVE_CRITICAL_HIGH: "ABOVE CRITICAL HIGH",
}
_ROOF_WORDS = {
    RoofZone.LANDED: "roof landed: vapour hazard, follow site procedure",
    RoofZone.CRITICAL: "roof in its critical zone",
    RoofZone.FLOATING: "",
}


def limit_words(state: LevelState, system: UnitSystem = UnitSystem.SI) -> str:
    """Which limit the level has passed, with that limit: `ABOVE HIGH-HIGH 13.550 m`; empty where it has passed none."""
    words, passed = _LIMIT_WORDS[state.limit], state.passed_m
    return words if passed is None else f"{words} {show_value('level', passed, system).text}"


def roof_words(state: LevelState) -> str:
    """What is to be heeded of a floating roof; empty where it floats, and where there is none."""
    return "" if state.roof is None else _ROOF_WORDS[state.roof]


def reference_words(reference_temperature_c: float) -> str:
    """A reference temperature as it is named: `15 °C`, `20 °C`, `60 °F`."""
    if abs(reference_temperature_c - _SIXTY_F_IN_C) < 0.01:
        return "60 °F"
    return f"{reference_temperature_c:g} °C"


def quality_words(quality: Quality, *, manual: bool = False, simulated: bool = False) -> str:
    """`Good`, `Uncertain` or `Bad`, with `manual` and `SIMULATED` in words: never by colour alone."""
    words = [quality.word]
    if manual:
        words.append("manual")
    if simulated:
        words.append("SIMULATED")
    return " ".join(words)


def age_text(age_s: float) -> str:
    """An age in whole seconds; `-` when there has never been a value."""
    return f"{max(0.0, age_s):,.0f} s" if age_s < float("inf") else NO_VALUE


def reason_sentences(figures: Mapping[str, Figure], worst: Quality) -> tuple[str, ...]:
    """Why a tank is not Good: the sentences of `figures.reasons_behind`, each once."""
    return tuple(dict.fromkeys(printable(reason.text) for reason in reasons_behind(figures.values(), worst)))


def printable(text: str) -> str:
    """`text` with control characters replaced, so that a name from a file or a wire cannot steer a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _form(name: str, system: UnitSystem, reference_temperature_c: float | None) -> _Form:
    if name in _PERCENTAGES:
        return _Form("%", "%", 1 if name == "fill" else 2)
    at_60f = reference_temperature_c is not None and abs(reference_temperature_c - _SIXTY_F_IN_C) < 0.01
    if system is UnitSystem.US and name == "reference_density" and at_60f:
        return _API
    return (_US_FORMS if system is UnitSystem.US else _SI_FORMS)[Dimension(DEFINITIONS[name].quantity)]
