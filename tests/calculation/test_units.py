"""Quantities: every factor against pint (a general-purpose units library) and printed values of NIST SP 811."""

import math
import re
from fractions import Fraction

import pint
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.errors import QuantityError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.units.quantity import (
    Dimension,
    dimensions_of,
    feet_inches_text,
    from_unit,
    parse,
    parse_any,
    parse_quantity,
    si_conversion,
    to_unit,
    unit_mistake,
    units_of,
)

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)

SI_UNITS = {
    Dimension.LENGTH: "m",
    Dimension.TEMPERATURE: "degC",
    Dimension.TEMPERATURE_DIFFERENCE: "delta_degC",
    Dimension.GAUGE_PRESSURE: "Pa",
    Dimension.ABSOLUTE_PRESSURE: "Pa",
    Dimension.VOLUME: "m**3",
    Dimension.RATIO: "dimensionless",
    Dimension.DENSITY: "kg/m**3",
    Dimension.MASS: "kg",
    Dimension.TIME: "s",
    Dimension.VOLUME_FLOW: "m**3/s",
    Dimension.MASS_FLOW: "kg/s",
    Dimension.CURRENT: "A",
    Dimension.RESISTANCE: "ohm",
    Dimension.ACCELERATION: "m/s**2",
    Dimension.ANGLE: "rad",
    Dimension.DENSITY_SLOPE: "kg/m**3/delta_degC",
    Dimension.EXPANSION_COEFFICIENT: "1/delta_degC",
    Dimension.MOLAR_MASS: "kg/mol",
    Dimension.ELASTIC_MODULUS: "Pa",
}

# Our name of a unit where pint has another.
IN_PINT = {
    "in": "inch",
    "ft": "foot",
    "bbl": "oil_barrel",
    "US gal": "US_liquid_gallon",
    "imp gal": "imperial_gallon",
    "ft3": "foot**3",
    "m3": "m**3",
    "%": "percent",
    "1": "dimensionless",
    "lb": "pound",
    "t": "metric_ton",
    "long ton": "long_ton",
    "short ton": "short_ton",
    "d": "day",
    "barg": "bar",
    "bara": "bar",
    "mbarg": "mbar",
    "mbara": "mbar",
    "kPag": "kPa",
    "kPaa": "kPa",
    "psig": "psi",
    "psia": "psi",
    "kgf/cm2": "kilogram_force/cm**2",
    "kg/m3": "kg/m**3",
    "g/cm3": "g/cm**3",
    "lb/ft3": "pound/foot**3",
    "t/m3": "metric_ton/m**3",
    "lb/US gal": "pound/US_liquid_gallon",
    "lb/imp gal": "pound/imperial_gallon",
    "m3/h": "m**3/hour",
    "m3/min": "m**3/minute",
    "m3/s": "m**3/second",
    "L/h": "L/hour",
    "bbl/h": "oil_barrel/hour",
    "bbl/d": "oil_barrel/day",
    "US gal/min": "US_liquid_gallon/minute",
    "imp gal/min": "imperial_gallon/minute",
    "kg/h": "kg/hour",
    "t/h": "metric_ton/hour",
    "lb/h": "pound/hour",
    "m/s2": "m/s**2",
    "ft/s2": "foot/s**2",
    "kg/m3/degC": "kg/m**3/delta_degC",
    "kg/m3/degF": "kg/m**3/delta_degF",
    "kg/L/degC": "kg/L/delta_degC",
    "/degC": "1/delta_degC",
    "/degF": "1/delta_degF",
    "h": "hour",
}
DIFFERENCES = {"degC": "delta_degC", "degF": "delta_degF", "K": "kelvin"}
AT_60F = ("degAPI", "SG")

EVERY_UNIT = [(dimension, unit) for dimension in Dimension for unit in units_of(dimension)]


@pytest.mark.outside("pint")
@pytest.mark.parametrize(
    ("dimension", "unit"), [pair for pair in EVERY_UNIT if pair[1] not in AT_60F], ids=lambda part: str(part)
)
def test_every_factor_agrees_with_pint(dimension: Dimension, unit: str) -> None:
    name = IN_PINT.get(unit, unit)
    if dimension is Dimension.TEMPERATURE_DIFFERENCE:
        name = DIFFERENCES[unit]
    for number in (1.0, 37.25):
        expected = REGISTRY.Quantity(number, name).to(SI_UNITS[dimension]).magnitude
        assert from_unit(number, unit, dimension) == pytest.approx(expected, rel=1e-12, abs=1e-10)
        assert parse_quantity(f"{number} {unit}", dimension) == pytest.approx(expected, rel=1e-12, abs=1e-10)


# NIST SP 811 (2008), appendix B.8: factors printed in full or exact (boldface there).
NIST_SP_811 = [
    ("1 ft", Dimension.LENGTH, 0.3048, 0.0),
    ("1 in", Dimension.LENGTH, 0.0254, 0.0),
    ("1 bbl", Dimension.VOLUME, 1.589873e-1, 5e-8),
    ("1 US gal", Dimension.VOLUME, 3.785412e-3, 5e-10),
    ("1 imp gal", Dimension.VOLUME, 4.54609e-3, 0.0),
    ("1 ft3", Dimension.VOLUME, 2.831685e-2, 5e-9),
    ("1 lb", Dimension.MASS, 0.45359237, 0.0),
    ("1 long ton", Dimension.MASS, 1.016047e3, 5e-4),
    ("1 short ton", Dimension.MASS, 9.071847e2, 5e-5),
    ("1 psi", Dimension.GAUGE_PRESSURE, 6.894757e3, 5e-4),
    ("1 kgf/cm2", Dimension.GAUGE_PRESSURE, 9.80665e4, 0.0),
    ("1 bar", Dimension.GAUGE_PRESSURE, 1e5, 0.0),
    ("1 lb/ft3", Dimension.DENSITY, 1.601846e1, 5e-6),
    ("1 lb/US gal", Dimension.DENSITY, 1.198264e2, 5e-5),
    ("1 lb/imp gal", Dimension.DENSITY, 9.977637e1, 5e-6),
    ("1 US gal/min", Dimension.VOLUME_FLOW, 6.309020e-5, 5e-12),
    ("1 deg", Dimension.ANGLE, 1.745329e-2, 5e-9),
    ("1 ft/s2", Dimension.ACCELERATION, 0.3048, 0.0),
]


@pytest.mark.outside("NIST SP 811 (2008), appendix B.8")
@pytest.mark.parametrize(("text", "dimension", "value", "tolerance"), NIST_SP_811)
def test_factors_of_nist_sp_811(text: str, dimension: Dimension, value: float, tolerance: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=0.0, abs=tolerance)


# Degrees API are defined by 141.5 / SG - 131.5: 10 degAPI is water, SG 1 (API MPMS 11.1; common practice).
def test_ten_degrees_api_is_water() -> None:
    assert parse_quantity("10 degAPI", Dimension.DENSITY) == pytest.approx(999.016, rel=1e-15)
    assert parse_quantity("1 SG", Dimension.DENSITY) == pytest.approx(999.016, rel=1e-15)
    assert to_unit(999.016, "degAPI", Dimension.DENSITY) == pytest.approx(10.0, abs=1e-12)
    assert parse_quantity("34.0 degAPI", Dimension.DENSITY) == pytest.approx(854.14, abs=0.005)


def test_degrees_api_and_specific_gravity_hold_at_60f() -> None:
    assert parse("34 degAPI", Dimension.DENSITY).at_60f
    assert parse("0.8550 SG 60/60", Dimension.DENSITY).at_60f
    assert not parse("838 kg/m3", Dimension.DENSITY).at_60f


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("15.240 m", Dimension.LENGTH, 15.24),
        ("9412 mm", Dimension.LENGTH, 9.412),
        ("9412mm", Dimension.LENGTH, 9.412),
        ("+1.5e1 m", Dimension.LENGTH, 15.0),
        ("49 ft 6 in", Dimension.LENGTH, 15.0876),
        ("49'6\"", Dimension.LENGTH, 15.0876),
        ("49′6″", Dimension.LENGTH, 15.0876),
        ("49 ft", Dimension.LENGTH, 14.9352),
        ("49'", Dimension.LENGTH, 14.9352),
        ("31 ft 7-5/16 in", Dimension.LENGTH, 9.6345375),
        ("31'7-5/16\"", Dimension.LENGTH, 9.6345375),
        ("31' 7 5/16\"", Dimension.LENGTH, 9.6345375),
        ("-1-1/2 in", Dimension.LENGTH, -0.0381),
        ("1/16 in", Dimension.LENGTH, 0.0015875),
        ("31'0½\"", Dimension.LENGTH, 9.4615),
        ("31 ft 7 ⅜ in", Dimension.LENGTH, 9.636125),
        ("⅛ in", Dimension.LENGTH, 0.003175),
        ("64 degF", Dimension.TEMPERATURE, 160.0 / 9.0),
        ("64 °F", Dimension.TEMPERATURE, 160.0 / 9.0),
        ("−40 °C", Dimension.TEMPERATURE, -40.0),
        ("273.15 K", Dimension.TEMPERATURE, 0.0),
        ("9 degF", Dimension.TEMPERATURE_DIFFERENCE, 5.0),
        ("838 kg/m³", Dimension.DENSITY, 838.0),
        ("0.838 kg/L", Dimension.DENSITY, 838.0),
        ("5.4 bar", Dimension.GAUGE_PRESSURE, 540_000.0),
        ("5.4 bar gauge", Dimension.GAUGE_PRESSURE, 540_000.0),
        ("68.20 kPa", Dimension.GAUGE_PRESSURE, 68_200.0),
        ("80 %", Dimension.RATIO, 0.8),
        ("0.000846 /degC", Dimension.EXPANSION_COEFFICIENT, 0.000846),
        ("0.0004586 /degF", Dimension.EXPANSION_COEFFICIENT, 0.00082548),
        ("0.0004586 per °F", Dimension.EXPANSION_COEFFICIENT, 0.00082548),
        ("-0.7 kg/m3 per degC", Dimension.DENSITY_SLOPE, -0.7),
        ("2 s", Dimension.TIME, 2.0),
        ("24 h", Dimension.TIME, 86_400.0),
        ("7 d", Dimension.TIME, 604_800.0),
        ("400 m3/h", Dimension.VOLUME_FLOW, 400.0 / 3600.0),
        ("10110 µA", Dimension.CURRENT, 0.01011),
        ("1260 bbl/h", Dimension.VOLUME_FLOW, 1260 * 42 * 231 * 0.0254**3 / 3600),
    ],
)
def test_reads(text: str, dimension: Dimension, value: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-15, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("15.24", Dimension.LENGTH, "'15.24' has no unit; a length is wanted, for example 15.24 m"),
        ("15240", Dimension.LENGTH, "'15240' has no unit; a length is wanted, for example 15240 mm"),
        ("5 kg", Dimension.LENGTH, "'5 kg' is a mass; a length is wanted, for example 5 m"),
        ("5 metres", Dimension.LENGTH, "'5 metres' has the unknown unit 'metres'; did you mean 'm'?"),
        ("5 km", Dimension.LENGTH, "'5 km' has the unknown unit 'km'; a length is wanted, in m, mm, cm, ft or in"),
        ("5 yards", Dimension.TIME, "'5 yards' has the unknown unit 'yards'; a time is wanted, in s, ms, min, h or d"),
        ("5 KG/M^3", Dimension.DENSITY, "'5 KG/M^3' has the unknown unit 'KG/M^3'; did you mean 'kg/m3'?"),
        ("100 gal", Dimension.VOLUME, "'100 gal': the unit 'gal' can mean several things; write `US gal` or `imp gal`"),
        (
            "7.5-1/2 in",
            Dimension.LENGTH,
            "'7.5-1/2 in' has a decimal and a fraction together; write 7.5 in or 7-1/2 in",
        ),
        (
            "31 ft 7.5 1/2 in",
            Dimension.LENGTH,
            "'31 ft 7.5 1/2 in' has a decimal and a fraction together; write 31 ft 7.5 in or 31 ft 7 1/2 in",
        ),
        (
            "31.5 ft 6 in",
            Dimension.LENGTH,
            "'31.5 ft 6 in' is not one number and a unit; write for example 1 m or 31 ft 7-5/16 in",
        ),
        (
            "1.500.5 mm",
            Dimension.LENGTH,
            "'1.500.5 mm' is not one number and a unit; write for example 1 m or 31 ft 7-5/16 in",
        ),
        ("1,500.5 mm", Dimension.LENGTH, "'1,500.5 mm' has a comma; write 1500.5 mm"),
        ("1.500,5 mm", Dimension.LENGTH, "'1.500,5 mm' has a comma; write 1500.5 mm"),
        ("1 500 mm", Dimension.LENGTH, "'1 500 mm' has marks in its number; write 1500 mm"),
        ("0,125 m", Dimension.LENGTH, "'0,125 m' has a comma; write 0.125 m"),
        ("46,5 kg", Dimension.MASS, "'46,5 kg' has a comma; write 46.5 kg"),
        (
            "1,2,3 kg",
            Dimension.MASS,
            "'1,2,3 kg' has commas; write one number, its decimals behind a point, for example 1 kg",
        ),
        ("0.6", Dimension.RATIO, "'0.6' has no unit; a ratio is wanted, for example 60 % or 0.6 %"),
        ("0.838", Dimension.DENSITY, "'0.838' has no unit; a density is wanted, for example 0.838 kg/L"),
        ("34", Dimension.DENSITY, "'34' has no unit; a density is wanted, for example 34 degAPI"),
        (
            "46,000 kg",
            Dimension.MASS,
            "'46,000 kg' has a comma; write 46.000 kg for a decimal or 46000 kg for thousands",
        ),
        ("1,046,000 kg", Dimension.MASS, "'1,046,000 kg' has commas; write 1046000 kg"),
        ("full", Dimension.LENGTH, "'full' is not a length; write a number and a unit, for example 1 m"),
        ("", Dimension.TIME, "'' is not a time; write a number and a unit, for example 1 s"),
        ("nan m", Dimension.LENGTH, "'nan m' is not a length; write a number and a unit, for example 1 m"),
        ("inf m", Dimension.LENGTH, "'inf m' is not a length; write a number and a unit, for example 1 m"),
        (
            "5 bara",
            Dimension.GAUGE_PRESSURE,
            "'5 bara' is an absolute pressure; a gauge pressure is wanted, for example 1 kPa",
        ),
        (
            "31 ft 12 in",
            Dimension.LENGTH,
            "'31 ft 12 in' has 12 inches or more beside the feet; write for example 31 ft 7-5/16 in",
        ),
        ("7-16/16 in", Dimension.LENGTH, "'7-16/16 in' has a wrong fraction; write for example 7-5/16 in"),
        ("7-1/0 in", Dimension.LENGTH, "'7-1/0 in' has a wrong fraction; write for example 7-5/16 in"),
        ("-131.5 degAPI", Dimension.DENSITY, "'-131.5 degAPI' is no density; degrees API lie above -131.5 degAPI"),
        (
            "46 ton",
            Dimension.MASS,
            "'46 ton': the unit 'ton' can mean several things; write `t` (1000 kg), `long ton` or `short ton`",
        ),
    ],
)
def test_says_what_is_wrong(text: str, dimension: Dimension, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, dimension)
    assert str(caught.value) == message


def refusal(text: str, dimension: Dimension) -> str:
    """What is said of a text that cannot be read; empty where it can."""
    try:
        parse_quantity(text, dimension)
    except QuantityError as error:
        return str(error)
    return ""


# Numbers as they stand in reports all over the world: marks between thousands, decimal commas, fractions, slips.
BROKEN_NUMBERS = st.from_regex(
    r"-?[0-9]{1,3}([., '-][0-9]{1,3}){0,3}([., ][0-9]{1,2}/[0-9]{1,2})?", fullmatch=True
) | st.text("0123456789.,'-/ ", min_size=1, max_size=12)


@settings(max_examples=400)
@given(BROKEN_NUMBERS, st.sampled_from(EVERY_UNIT))
@example("1.500.5", (Dimension.LENGTH, "mm"))
@example("7.5-1/2", (Dimension.LENGTH, "in"))
def test_what_is_suggested_can_be_written(number: str, pair: tuple[Dimension, str]) -> None:
    dimension, unit = pair
    said = refusal(f"{number} {unit}", dimension)
    advice = said.rpartition("for example ")[2] if "for example" in said else said.partition("; write ")[2]
    ways = advice.replace(" for a decimal", "").replace(" for thousands", "").split(" or ") if advice else []
    for way in ways:
        assert refusal(way, dimension) == "", said
    if number in ("1.500.5", "7.5-1/2"):
        assert len(ways) == 2


# Units that are not ours: other prefixes, other countries, other trades, in pint's names.
OTHERS = "km dm um nm yd mi dL cL mL ML GL oz mg kt lbf ns us kbar hPa torr atm inHg kN dag kA kW mol degR fortnight"


@pytest.mark.outside("pint")
@pytest.mark.parametrize("written", [*OTHERS.split(), *(name.upper() for name in OTHERS.split())])
@pytest.mark.parametrize("dimension", Dimension)
def test_a_unit_of_another_size_is_never_suggested(written: str, dimension: Dimension) -> None:
    found = re.search("did you mean '(.*)'", refusal(f"5 {written}", dimension))
    if found is not None:
        suggested = REGISTRY.Quantity(1.0, IN_PINT.get(found[1], found[1]))
        assert REGISTRY.Quantity(1.0, written).to(suggested.units).magnitude == pytest.approx(1.0)


@pytest.mark.parametrize(("dimension", "unit"), [pair for pair in EVERY_UNIT if pair[1] != "1"])
def test_a_unit_in_other_letters_is_recognised(dimension: Dimension, unit: str) -> None:
    for written in (unit.upper(), unit.lower(), unit.replace(" ", ""), unit.replace("3", "^3"), f"{unit}."):
        said = refusal(f"5 {written}", dimension)
        assert not said or f"did you mean '{unit}'?" in said or "several things" in said
        if not said:
            assert parse(f"5 {written}", dimension).unit == unit


def test_units_of_any_dimension() -> None:
    assert parse_any("0 bar") == (Dimension.GAUGE_PRESSURE, 0.0)
    assert parse_any("20 degC") == (Dimension.TEMPERATURE, 20.0)
    with pytest.raises(QuantityError, match=r"^'1,5 bar' has a comma; write 1\.5 bar$"):
        parse_any("1,5 bar")
    assert unit_mistake("bar") is None
    assert unit_mistake("gal") == "the unit 'gal' can mean several things; write `US gal` or `imp gal`"


def test_a_huge_exponent_is_refused_and_not_computed() -> None:
    with pytest.raises(QuantityError):
        parse_quantity("1e999999999 m", Dimension.LENGTH)


@given(st.text(max_size=40), st.sampled_from(Dimension))
def test_any_text_is_read_or_refused(text: str, dimension: Dimension) -> None:
    try:
        value = parse_quantity(text, dimension)
    except QuantityError:
        return
    assert math.isfinite(value)


NUMBERS = st.floats(min_value=1e-3, max_value=1e6)


@given(st.sampled_from(EVERY_UNIT), NUMBERS)
def test_there_and_back(pair: tuple[Dimension, str], number: float) -> None:
    dimension, unit = pair
    assert to_unit(from_unit(number, unit, dimension), unit, dimension) == pytest.approx(number, rel=1e-9, abs=1e-9)


@given(st.sampled_from(EVERY_UNIT), st.decimals(min_value=0, max_value=100_000, places=4))
def test_reading_and_converting_agree(pair: tuple[Dimension, str], number: object) -> None:
    dimension, unit = pair
    read = parse_quantity(f"{number} {unit}", dimension)
    assert read == pytest.approx(from_unit(float(str(number)), unit, dimension), rel=1e-12, abs=1e-9)


@given(st.integers(min_value=-20_000, max_value=20_000))
def test_sixteenths_there_and_back(sixteenths: int) -> None:
    text = feet_inches_text(sixteenths / 16 * 0.0254)
    assert parse_quantity(text, Dimension.LENGTH) == pytest.approx(float(Fraction(sixteenths, 16)) * 0.0254, abs=1e-12)


def test_sixteenths_text() -> None:
    assert feet_inches_text(9.6345375) == "31 ft 7-5/16 in"
    assert feet_inches_text(0.3048 * 49.5) == "49 ft 6 in"
    assert feet_inches_text(-0.0381) == "-0 ft 1-1/2 in"
    assert feet_inches_text(0.3047) == "1 ft 0 in"


def test_linear_units_have_a_factor_and_an_offset() -> None:
    factor, offset = si_conversion("degF", Dimension.TEMPERATURE)
    assert 71.2 * factor + offset == pytest.approx((71.2 - 32.0) / 1.8, abs=1e-12)
    assert si_conversion("bar gauge", Dimension.GAUGE_PRESSURE) == (100_000.0, 0.0)
    with pytest.raises(QuantityError, match="degAPI does not rise in proportion"):
        si_conversion("degAPI", Dimension.DENSITY)


def test_a_unit_leads_to_its_likeliest_dimension_first() -> None:
    assert dimensions_of("°C")[0] is Dimension.TEMPERATURE
    assert dimensions_of("bar")[0] is Dimension.GAUGE_PRESSURE
    assert dimensions_of("bara") == (Dimension.ABSOLUTE_PRESSURE,)
    assert dimensions_of("furlong") == ()


def test_conversions_refuse_units_of_other_dimensions() -> None:
    with pytest.raises(QuantityError):
        to_unit(1.0, "kg", Dimension.LENGTH)
    with pytest.raises(QuantityError):
        from_unit(1.0, "m", Dimension.MASS)
    with pytest.raises(QuantityError):
        to_unit(0.0, "degAPI", Dimension.DENSITY)
    with pytest.raises(QuantityError):
        from_unit(-131.5, "degAPI", Dimension.DENSITY)


def test_every_figure_has_a_dimension_and_its_si_unit_is_one_of_it() -> None:
    for definition in FIGURE_DEFINITIONS:
        dimension = Dimension(definition.quantity)
        assert from_unit(1.0, definition.unit, dimension) == 1.0
