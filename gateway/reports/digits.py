"""Pure: a figure as a report shows it: the site's unit, and no more digits than are known.

Volumes 1 m3 (0.1 under 1,000), mass 0.1 t, level 1 mm, temperature 0.1 degC. Room and pumpable volume are rounded down:
nobody may count on the part that was rounded. All others half up, on the shortest decimal that means the number.
"""

from decimal import ROUND_FLOOR, ROUND_HALF_UP, Context, Decimal
from fractions import Fraction
from typing import NamedTuple

from gateway.display import DEFINITIONS, reference_words
from gateway.reports.plan import ReportUnits
from gateway.reports.report import Column, Kind
from gateway.units.quantity import Dimension, to_unit
from gateway.units.table import API, INCH

__all__ = [
    "API_COLUMN",
    "Form",
    "api_gravity",
    "form_of",
    "in_unit",
    "places_of",
    "quantity_column",
    "rounded",
    "summed",
]

_ROUNDED_DOWN = frozenset({"room", "pumpable"})
_PERCENTAGES = frozenset({"fill", "sediment_water"})
_EVERY_DIGIT = Context(prec=400)


class Form(NamedTuple):
    """The unit, its sign, and the decimals known; `coarse` of them from `coarse_from` units on."""

    unit: str
    sign: str
    places: int
    coarse: int | None = None
    coarse_from: int = 0
    kind: Kind = Kind.NUMBER


_INCHES = Form("in", "in", 4, kind=Kind.INCHES)
_METRIC = {
    Dimension.LENGTH: Form("m", "m", 3),
    Dimension.TEMPERATURE: Form("degC", "°C", 1),
    Dimension.TEMPERATURE_DIFFERENCE: Form("degC", "°C", 1),
    Dimension.GAUGE_PRESSURE: Form("kPa", "kPa", 2),
    Dimension.VOLUME: Form("m3", "m³", 1, 0, 1000),
    Dimension.MASS: Form("t", "t", 1),
    Dimension.DENSITY: Form("kg/m3", "kg/m³", 1),
    Dimension.RATIO: Form("", "", 5),
}
_US = _METRIC | {
    Dimension.LENGTH: _INCHES,
    Dimension.TEMPERATURE: Form("degF", "°F", 1),
    Dimension.TEMPERATURE_DIFFERENCE: Form("degF", "°F", 1),
    Dimension.GAUGE_PRESSURE: Form("psi", "psi", 2),
    Dimension.VOLUME: Form("bbl", "bbl", 1, 0, 1000),
    Dimension.MASS: Form("long ton", "long tons", 1),
}
# 10 imperial gallons are 0.05 m3, 100 are 0.5 m3: no more is known than in cubic metres.
_IMPERIAL = _US | {Dimension.VOLUME: Form("imp gal", "imp gal", -1, -2, 220_000)}
_FORMS = {ReportUnits.METRIC: _METRIC, ReportUnits.US: _US, ReportUnits.IMPERIAL: _IMPERIAL}
_PERCENT = Form("%", "%", 2)
API_COLUMN = Column("api_gravity", "API gravity", Kind.NUMBER, API, "°API")
"""Beside the density where people read US units."""


def form_of(name: str, units: ReportUnits) -> Form:
    """Of the figure called `name` of the sheet."""
    if name in _PERCENTAGES:
        return _PERCENT
    return _FORMS[units][Dimension(DEFINITIONS[name].quantity)]


def rounded(name: str, value: float, units: ReportUnits, *, like: float | None = None) -> Decimal:
    """`value` in SI as it is shown. `like`: the value in SI that says how many decimals are known, where several that
    belong together must have as many; else `value` itself."""
    form = form_of(name, units)
    if form.kind is Kind.INCHES:
        return Decimal(round(Fraction(value) / INCH * 16)) / 16
    dimension = Dimension(DEFINITIONS[name].quantity)
    unit = form.unit or "1"
    rounding = ROUND_FLOOR if name in _ROUNDED_DOWN else ROUND_HALF_UP
    number = Decimal(repr(to_unit(value, unit, dimension)))
    fine = _quantized(number, form.places, rounding)
    if form.coarse is None:
        return fine
    size = fine if like is None else _quantized(Decimal(repr(to_unit(like, unit, dimension))), form.places, rounding)
    return fine if abs(size) < form.coarse_from else _quantized(number, form.coarse, rounding)


def api_gravity(density: float, reference_temperature_c: float | None) -> Decimal | None:
    """Of a density in kg/m3; None where it is not one at 60 degF, for which alone degrees API are defined."""
    if reference_temperature_c is None or reference_words(reference_temperature_c) != "60 °F" or not density > 0.0:
        return None
    return _quantized(Decimal(repr(to_unit(density, API, Dimension.DENSITY))), 1, ROUND_HALF_UP)


def places_of(name: str, like: float, units: ReportUnits) -> int:
    """The decimals known of the figure called `name` where the largest that belongs to it is `like`, in SI."""
    form = form_of(name, units)
    if form.coarse is None:
        return form.places
    size = abs(rounded(name, like, units))
    return form.places if size < form.coarse_from else form.coarse


def in_unit(name: str, value: float, units: ReportUnits) -> float:
    """An SI value as a number in the unit that people read."""
    return to_unit(value, form_of(name, units).unit or "1", Dimension(DEFINITIONS[name].quantity))


def summed(numbers: list[Decimal]) -> Decimal:
    """Exactly. The sum has as many decimals as the finest of them."""
    total = Decimal(0)
    for number in numbers:
        total = _EVERY_DIGIT.add(total, number)
    return total


def quantity_column(name: str, title: str, units: ReportUnits, *, key: str = "") -> Column:
    """A column of the figure called `name` of the sheet."""
    form = form_of(name, units)
    return Column(key or name, title, form.kind, form.unit, form.sign)


def _quantized(number: Decimal, places: int, rounding: str) -> Decimal:
    shown = number.quantize(Decimal(1).scaleb(-places), rounding, _EVERY_DIGIT)
    # A minus before nothing says nothing.
    return abs(shown) if shown.is_zero() else shown
