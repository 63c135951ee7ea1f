"""Units against a library of units, digits by hand, letters in the font, and how the site writes its numbers."""

from decimal import Decimal
from importlib.resources import files

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reportlab.pdfbase.ttfonts import TTFontFile

from gateway.reports.digits import api_gravity, form_of, rounded
from gateway.reports.numbers import machine_number, number_words, quantity_words
from gateway.reports.paper.pdf_form import FONT_FILES
from gateway.reports.plan import DecimalMark, ReportPlan, ReportUnits, ThousandsMark
from gateway.reports.report import Kind

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
PINT = {
    "m3": "m**3",
    "bbl": "oil_barrel",
    "imp gal": "imperial_gallon",
    "t": "metric_ton",
    "long ton": "long_ton",
    "degC": "degC",
    "degF": "degF",
    "m": "m",
    "in": "inch",
    "kg/m3": "kg/m**3",
    "kPa": "kPa",
    "psi": "psi",
}
OF_SI = {"gsv": "m**3", "mass": "kg", "liquid_temperature": "degC", "level": "m", "reference_density": "kg/m**3"}
OF_SI |= {"vapour_pressure": "Pa"}


@pytest.mark.outside("pint, its own table of units")
@pytest.mark.parametrize("units", ReportUnits)
@given(value=st.floats(1.0, 9e4))
def test_numbers_are_those_of_another_library(units: ReportUnits, value: float) -> None:
    for name, si in OF_SI.items():
        shown = rounded(name, value, units)
        form = form_of(name, units)
        wanted = REGISTRY.Quantity(value, si).to(PINT[form.unit]).magnitude
        if form.kind is Kind.INCHES:
            step = 1.0 / 16.0
        else:
            step = 10.0 ** -(form.places if form.coarse is None or abs(shown) < form.coarse_from else form.coarse)
        assert float(shown) == pytest.approx(wanted, abs=step * 0.5000001, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (999.94, "999.9"),
        (999.95, "1000"),
        (1000.4, "1000"),
        (0.04, "0.0"),
        (-0.04, "0.0"),
        (2.25, "2.3"),
        (-2.25, "-2.3"),
    ],
)
def test_volumes_have_a_tenth_below_a_thousand(value: float, shown: str) -> None:
    assert machine_number(rounded("gsv", value, ReportUnits.METRIC)) == shown


def test_room_is_rounded_down() -> None:
    assert [machine_number(rounded("room", each, ReportUnits.METRIC)) for each in (963.99, 1963.99)] == [
        "963.9",
        "1963",
    ]


def test_another_value_says_how_many_decimals_are_known() -> None:
    assert [str(rounded("gsv", 2386.75, ReportUnits.METRIC, like=each)) for each in (32.04, 2354.0)] == [
        "2386.8",
        "2387",
    ]


@pytest.mark.outside("API MPMS 11.1 (2004): 141.5 / SG - 131.5 with water of 999.016 kg/m3")
def test_api_gravity_is_of_60_degf_alone() -> None:
    # SG 1 is 10 degAPI by definition.
    assert api_gravity(999.016, (60.0 - 32.0) / 1.8) == Decimal("10.0")
    assert api_gravity(999.016, 15.0) is None


@pytest.mark.parametrize(
    ("decimal", "thousands", "text"),
    [
        (DecimalMark.POINT, ThousandsMark.COMMA, "−1,234,567.8"),
        (DecimalMark.COMMA, ThousandsMark.POINT, "−1.234.567,8"),
        (DecimalMark.COMMA, ThousandsMark.SPACE, "−1\u00a0234\u00a0567,8"),
        (DecimalMark.POINT, ThousandsMark.APOSTROPHE, "−1’234’567.8"),
        (DecimalMark.COMMA, ThousandsMark.NONE, "−1234567,8"),
    ],
)
def test_numbers_as_the_site_writes_them(decimal: DecimalMark, thousands: ThousandsMark, text: str) -> None:
    plan = ReportPlan(decimal=decimal, thousands=thousands)
    assert number_words(Decimal("-1234567.8"), plan) == text
    assert machine_number(Decimal("-1234567.8")) == "-1234567.8"


def test_numbers_of_things_are_not_grouped() -> None:
    assert number_words(Decimal(12345), ReportPlan(), Kind.COUNT) == "12345"


def test_no_exponent_reaches_a_reader() -> None:
    # 84.89 m3 are 18,673 imperial gallons, known to ten.
    assert quantity_words("gsv", 84.89, ReportPlan(ReportUnits.IMPERIAL)) == "18,670 imp gal"
    assert machine_number(Decimal("5.249E+4")) == "52490"


EUROPE = (
    "AÁÀÂÃÄÅÆÇĆČĎĐÉÈÊËĚĘĞÍÌÎÏİıŁĹĽÑŃŇÓÒÔÕÖŐØŒŔŘŚŞȘŠßŤȚÚÙÛÜŮŰŴÝŶŸŹŻŽþðħŋĸẀẂẄẞ"
    "ΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩάέήίόύώϊϋΐΰς"
    "АБВГҐДЕЁЄЖЗИІЇЙКЛМНОПРСТУЎФХЦЧШЩЪЫЬЭЮЯЂЃЅЈЉЊЋЌЏђ"
    "ԱԲԳԴաբգდაბგ"
    "0123456789.,’\u00a0−–—…°³²µ±×·•‘’“”«»€£%?()[]/\\"
)


@pytest.mark.parametrize("bold", [False, True])
def test_the_font_has_the_letters_of_europe(bold: bool) -> None:
    path = files("gateway.reports") / "fonts" / FONT_FILES[bold]
    known = TTFontFile(str(path)).charToGlyph
    assert [letter for letter in EUROPE if not known.get(ord(letter))] == []
    # So that the check can fail: it is no font of everything.
    assert not known.get(ord("中"))


def test_the_fonts_are_small_and_bring_their_licence() -> None:
    folder = files("gateway.reports") / "fonts"
    sizes = [len((folder / name).read_bytes()) for name in FONT_FILES.values()]
    assert sum(sizes) < 700_000
    assert "Bitstream" in (folder / "LICENSE").read_text("utf-8")
