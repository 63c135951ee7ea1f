"""code/numbers.js against arithmetic with exact fractions, on factors as their definitions give them."""

import math
import random
import re
from collections.abc import Callable
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.page.reading import Look, Page

# NIST SP 811 (2008), appendix B: inch 0.0254 m exactly, US gallon 231 cubic inches, barrel 42 of them, pound
# 0.45359237 kg exactly, long ton 2240 pounds; imperial gallon 4.54609 L exactly; standard gravity 9.80665 m/s2.
INCH = Fraction(254, 10_000)
BARREL = 42 * 231 * INCH**3
IMPERIAL_GALLON = Fraction(454_609, 100_000_000)
POUND = Fraction(45_359_237, 100_000_000)
LONG_TON = 2240 * POUND
PSI = POUND * Fraction(980_665, 100_000) / INCH**2

Form = tuple[str, Callable[[Fraction], Fraction], Callable[[Fraction], int]]
"""(sign, from SI, decimals by the converted number)."""


def _fixed(places: int) -> Callable[[Fraction], int]:
    return lambda _: places


def _volume(converted: Fraction) -> int:
    """practice.md: 1 m3, and 0.1 under 1,000."""
    return 0 if abs(converted) >= 1000 else 1


def _flow(converted: Fraction) -> int:
    """practice.md: 1 m3/h; below 10 a tenth, as `tank-gateway show` has two digits there: what moves is not at 0."""
    return 0 if abs(converted) >= Fraction(995, 100) else 1


_METRIC: dict[str, Form] = {
    "length": ("m", lambda v: v, _fixed(3)),
    "temperature": ("°C", lambda v: v, _fixed(1)),
    "volume": ("m³", lambda v: v, _volume),
    "mass": ("t", lambda v: v / 1000, _fixed(1)),
    "flow": ("m³/h", lambda v: v * 3600, _flow),
    "density": ("kg/m³", lambda v: v, _fixed(1)),
    "pressure": ("kPa", lambda v: v / 1000, _fixed(2)),
    "ratio": ("", lambda v: v, _fixed(5)),
}
_BOTH: dict[str, Form] = {
    "mass": ("long tons", lambda v: v / LONG_TON, _fixed(1)),
    "density": ("lb/ft³", lambda v: v * (12 * INCH) ** 3 / POUND, _fixed(2)),
    "pressure": ("psi", lambda v: v / PSI, _fixed(2)),
}
FORMS: dict[str, dict[str, Form]] = {
    "metric": _METRIC,
    "us": {
        **_METRIC,
        **_BOTH,
        "temperature": ("°F", lambda v: v * Fraction(9, 5) + 32, _fixed(1)),
        "volume": ("bbl", lambda v: v / BARREL, _fixed(0)),
        "flow": ("bbl/h", lambda v: v * 3600 / BARREL, _flow),
    },
    "imperial": {
        **_METRIC,
        **_BOTH,
        "volume": ("imp gal", lambda v: v / IMPERIAL_GALLON, _fixed(0)),
        "flow": ("imp gal/h", lambda v: v * 3600 / IMPERIAL_GALLON, _flow),
    },
}
RANGES = {
    "length": (-0.02, 30.0),
    "temperature": (-60.0, 250.0),
    "volume": (0.0, 120_000.0),
    "mass": (0.0, 9e7),
    "flow": (-2.0, 2.0),
    "density": (400.0, 2000.0),
    "pressure": (-20_000.0, 2e6),
    "ratio": (0.8, 1.2),
}
_SHOW = """
const { change } = await import("/page/code/taste.js");
const { shown } = await import("/page/code/numbers.js");
const [system, numbers, asked] = arguments;
change({ units: system, numbers });
return asked.map(([value, dimension, down]) => shown(value, dimension, { down }));
"""


def _shown(page: Page, system: str, asked: list[tuple[float, str, bool]], numbers: str = "en-US") -> list[Any]:
    found: list[Any] = page.promise(_SHOW, system, numbers, asked)
    return found


def _plain(number: str) -> Decimal:
    """Of the form of en-US."""
    assert re.fullmatch(r"-?\d{1,3}(,\d{3})*(\.\d+)?", number), number
    return Decimal(number.replace(",", ""))


def test_the_page_offers_three_systems_of_units(modules: Page) -> None:
    known = modules.promise("return (await import('/page/code/numbers.js')).UNIT_SYSTEMS")
    assert set(known) == set(FORMS)


@pytest.mark.outside("NIST SP 811 (2008), appendix B")
@pytest.mark.parametrize("system", FORMS)
def test_a_number_is_the_exact_one_rounded_to_what_is_known(modules: Page, system: str) -> None:
    """Within half of the last digit, or down to it where no more may be shown than there is."""
    seeded = random.Random(17)
    asked = [
        (seeded.uniform(*RANGES[dimension]), dimension, seeded.random() < 0.5)
        for dimension in FORMS[system]
        if not (dimension == "length" and system != "metric")
        for _ in range(150)
    ]
    for (value, dimension, down), told in zip(asked, _shown(modules, system, asked), strict=True):
        sign, convert, places = FORMS[system][dimension]
        exact = convert(Fraction(value))
        number = _plain(told["number"])
        assert told["sign"] == sign
        exponent = number.as_tuple().exponent
        assert exponent == -places(exact), (value, dimension, told)
        step = Fraction(10) ** -places(exact)
        # What a double cannot hold: some 1e-15 of the value.
        doubt = abs(exact) * Fraction(1, 10**14)
        error = exact - Fraction(number)
        if down:
            assert -doubt <= error < step + doubt, (value, dimension, told)
        else:
            assert abs(error) <= step / 2 + doubt, (value, dimension, told)


@pytest.mark.parametrize("system", ["metric", "us", "imperial"])
def test_what_moves_does_not_move_at_nothing(modules: Page, system: str) -> None:
    """Down to a tenth of the unit, which is less than any tank's noise."""
    _, convert, _ = FORMS[system]["flow"]
    asked = [(float(Fraction(tenths, 10) / convert(Fraction(1))), "flow", False) for tenths in (1, 4, -7, 99, 101, 996)]
    told = [each["number"] for each in _shown(modules, system, asked)]
    assert told == ["0.1", "0.4", "-0.7", "9.9", "10", "100"]


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.floats(-1e12, 1e12), st.integers(0, 6)), min_size=1, max_size=60))
def test_decimals_are_rounded_as_on_paper(modules: Page, asked: list[tuple[float, int]]) -> None:
    """Half up in size on the shortest decimal that means the number; towards minus infinity where asked for."""
    code = (
        "const { rounded } = await import('/page/code/numbers.js');"
        "return arguments[0].map(([value, places]) => [rounded(value, places), rounded(value, places, true)])"
    )
    for (value, places), (half_up, down) in zip(asked, modules.promise(code, asked), strict=True):
        decimal, step = Decimal(repr(value)), Decimal(1).scaleb(-places)
        expected = [decimal.quantize(step, way) for way in (ROUND_HALF_UP, ROUND_FLOOR)]
        # No minus before nothing.
        assert [half_up, down] == [format(each if each else abs(each), "f") for each in expected]


@pytest.mark.outside("NIST SP 811 (2008), appendix B")
@pytest.mark.parametrize("system", ["us", "imperial"])
def test_feet_inches_and_sixteenths_are_the_nearest(modules: Page, system: str) -> None:
    seeded = random.Random(5)
    # 11.8 in and 15.9/16 go over into the next foot; the printed state of a tank of practice.md is 31' 7 5/16".
    values = [0.0, 0.3047, 0.30479, 9.6345, -0.019, *(seeded.uniform(0, 30) for _ in range(300))]
    values.append(float((31 * 12 + 7 + Fraction(5, 16)) * INCH))
    told = _shown(modules, system, [(value, "length", False) for value in values])
    for value, each in zip(values, told, strict=True):
        assert each["sign"] == ""
        found = re.fullmatch(r"(-?)(\d+)' (\d+)(?: (\d+)/(\d+))?\"", each["number"])
        assert found, each
        sign, feet, inches, part, whole = found.groups()
        if part:
            assert math.gcd(int(part), int(whole)) == 1
            assert int(whole) in (2, 4, 8, 16)
            assert int(part) < int(whole)
        assert int(inches) < 12
        read = (int(feet) * 12 + int(inches) + Fraction(int(part or 0), int(whole or 1))) * INCH * (-1 if sign else 1)
        assert abs(read - Fraction(value)) <= INCH / 32 + Fraction(1, 10**12), (value, each)
    assert told[-1]["number"] == "31' 7 5/16\""


# CLDR, main/*/numbers.xml and supplemental: groups and signs of numbers. India groups by two beyond the first three.
READERS = {
    "en-GB": ("12,345,678 m³", "-0.019 m"),
    "en-IN": ("1,23,45,678 m³", "-0.019 m"),
    "hi-IN": ("1,23,45,678 m³", "-0.019 m"),
    "de-DE": ("12.345.678 m³", "-0,019 m"),
    "de-CH": ("12'345'678 m³", "-0.019 m"),
    "de-AT": ("12 345 678 m³", "-0,019 m"),
    "fr-FR": ("12 345 678 m³", "-0,019 m"),
    "pt-PT": ("12 345 678 m³", "-0,019 m"),
    "sv-SE": ("12 345 678 m³", "-0,019 m"),
}


@pytest.mark.outside("Unicode CLDR, number formats by locale")
def test_numbers_stand_in_the_form_of_the_reader(modules: Page) -> None:
    code = """
    const { text } = await import("/page/code/numbers.js");
    const { change } = await import("/page/code/taste.js");
    return arguments[0].map((numbers) => {
      change({ numbers });
      return [text(12345678.4, "volume"), text(-0.019, "length")];
    });
    """
    told = modules.promise(code, list(READERS))
    assert {reader: tuple(map(_straight, each)) for reader, each in zip(READERS, told, strict=True)} == READERS
    # Who has chosen nothing has what the browser says.
    modules.wear(Look(language="de-CH"))
    modules.open("")
    modules.script("localStorage.clear()")
    modules.open("")
    told = modules.promise("return (await import('/page/code/numbers.js')).text(12345678.4, 'volume')")
    assert _straight(told) == "12'345'678 m³"


def _straight(text: str) -> str:
    """Spaces that do not break, narrow ones, curved apostrophes and true minus signs are the printer's choice."""
    return text.translate({0xA0: " ", 0x202F: " ", 0x2019: "'", 0x2212: "-"})
