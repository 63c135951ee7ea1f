"""How figures look to a person: no more digits than are known, a word for every doubt."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.display import (
    UnitSystem,
    age_text,
    printable,
    quality_words,
    reason_sentences,
    show_figure,
    show_value,
    unit_of,
)
from gateway.figures import FIGURE_DEFINITIONS, FigureDefinition
from gateway.records import Figure, Quality, Reason, ReasonCode

_US = UnitSystem.US
_SIXTY_F = (60.0 - 32.0) / 1.8
_NO_ANSWER = Reason(ReasonCode.NO_ANSWER, "gauge did not answer within 1 s")


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("level", 9.4124, "9.412 m"),
        ("level", 9.4125, "9.413 m"),
        ("level", -0.0004, "0.000 m"),
        ("liquid_temperature", 14.75, "14.8 °C"),
        ("liquid_temperature", -0.04, "0.0 °C"),
        ("tov", 2395.06, "2,395 m³"),
        ("tov", 999.94, "999.9 m³"),
        ("tov", 999.96, "1,000 m³"),
        ("mass", 2000149.0, "2,000.1 t"),
        ("ctl", 1.000249, "1.00025"),
        ("fill", 0.5604, "56.0 %"),
        ("sediment_water", 0.003, "0.30 %"),
        ("reference_density", 854.14, "854.1 kg/m³"),
        ("bottom_pressure", 68_204.0, "68.20 kPa"),
        ("temperature_spread", 12.46, "12.5 °C"),
    ],
)
def test_si_shows_no_more_than_is_known(name: str, value: float, text: str) -> None:
    assert show_value(name, value).text == text


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        # Tank D-1 of the demo site: 31 ft 7-5/16 in is 6069 sixteenths of an inch.
        ("level", 6069 * 0.0254 / 16, "31 ft 7-5/16 in"),
        ("water_level", 1.5 * 0.0254, "0 ft 1-1/2 in"),
        ("liquid_temperature", (72.28 - 32.0) / 1.8, "72.3 °F"),
        ("temperature_spread", 5.0, "9.0 °F"),
        ("tov", 15_918.1 * 0.158987294928, "15,918 bbl"),
        ("free_water", 62.9 * 0.158987294928, "62.9 bbl"),
        ("mass", 2107.1 * 1016.0469088, "2,107.1 long tons"),
        ("bottom_pressure", 6894.757293168, "1.00 psi"),
        ("ctl", 0.994361, "0.99436"),
    ],
)
def test_us_units_are_a_choice_of_display(name: str, value: float, text: str) -> None:
    assert show_value(name, value, _US).text == text


@pytest.mark.outside("API MPMS 11.1 (2004): API gravity = 141.5 / relative density 60/60 degF - 131.5")
def test_api_gravity_is_shown_only_where_the_density_holds_at_60_degf() -> None:
    assert show_value("reference_density", 854.14, _US, reference_temperature_c=_SIXTY_F).text == "34.0 °API"
    assert show_value("reference_density", 854.14, _US, reference_temperature_c=15.0).text == "854.1 kg/m³"
    assert show_value("reference_density", 854.14, _US).text == "854.1 kg/m³"
    assert show_value("observed_density", 854.14, _US, reference_temperature_c=_SIXTY_F).text == "854.1 kg/m³"


@pytest.mark.parametrize("name", ["room", "pumpable"])
@pytest.mark.parametrize(("value", "text"), [(963.99, "963.9 m³"), (1963.99, "1,963 m³"), (0.09, "0.0 m³")])
def test_room_and_pumpable_are_rounded_down(name: str, value: float, text: str) -> None:
    assert show_value(name, value).text == text


@given(
    value=st.floats(min_value=0.0, max_value=1e6),
    name=st.sampled_from(["room", "pumpable"]),
    system=st.sampled_from(UnitSystem),
)
def test_room_shown_is_never_more_than_there_is(value: float, name: str, system: UnitSystem) -> None:
    factor = 0.158987294928 if system is _US else 1.0
    shown = float(show_value(name, value, system).number.replace(",", "")) * factor
    assert shown <= value * (1 + 1e-12)


@given(
    value=st.floats(min_value=-1e7, max_value=1e7),
    definition=st.sampled_from([each for each in FIGURE_DEFINITIONS if each.quantity != "density"]),
    system=st.sampled_from(UnitSystem),
)
def test_every_figure_can_be_shown_and_never_as_minus_nought(
    value: float, definition: FigureDefinition, system: UnitSystem
) -> None:
    shown = show_value(definition.name, value, system)
    assert shown.unit == unit_of(definition.name, system)
    assert not shown.number.startswith("-0.") or any(digit in shown.number for digit in "123456789")


def test_bad_shows_a_dash_whatever_value_it_is_given() -> None:
    assert show_figure("tov", Figure(None, Quality.BAD, (_NO_ANSWER,), 0.0)).text == "-"
    assert show_figure("tov", Figure(0.0, Quality.BAD, (_NO_ANSWER,), 0.0)).text == "-"


def test_good_without_a_value_says_why() -> None:
    dry = Reason(ReasonCode.NONE_DETECTED, "no free water detected")
    other = Reason(ReasonCode.NOT_APPLICABLE, "the product has no reference volume")
    assert show_figure("water_level", Figure(None, Quality.GOOD, (dry,), 0.0)).text == "none detected"
    assert show_figure("gsv", Figure(None, Quality.GOOD, (other,), 0.0)).text == "n/a"


def test_every_doubt_is_a_word() -> None:
    assert quality_words(Quality.GOOD) == "Good"
    assert quality_words(Quality.UNCERTAIN, manual=True, simulated=True) == "Uncertain manual SIMULATED"
    assert quality_words(Quality.BAD) == "Bad"


@pytest.mark.parametrize(("age_s", "text"), [(4.4, "4 s"), (-1.0, "0 s"), (86_400.0, "86,400 s"), (float("inf"), "-")])
def test_age_is_in_seconds(age_s: float, text: str) -> None:
    assert age_text(age_s) == text


def test_the_cause_is_told_and_what_only_passes_it_on_is_not() -> None:
    passed_on = Reason(ReasonCode.INPUT_BAD, "an input is Bad")
    figures = {
        "level": Figure(None, Quality.BAD, (_NO_ANSWER,), 0.0),
        "tov": Figure(None, Quality.BAD, (_NO_ANSWER, passed_on), 0.0),
        "ctl": Figure(1.0, Quality.UNCERTAIN, (Reason(ReasonCode.STALE, "old"),), 0.0),
    }
    assert reason_sentences(figures, Quality.BAD) == ("gauge did not answer within 1 s",)
    assert reason_sentences({"tov": Figure(None, Quality.BAD, (passed_on,), 0.0)}, Quality.BAD) == ("an input is Bad",)
    assert reason_sentences(figures, Quality.GOOD) == ()


def test_a_name_cannot_steer_the_terminal() -> None:
    assert printable("TK\x1b[2J-1\n") == "TK?[2J-1?"
