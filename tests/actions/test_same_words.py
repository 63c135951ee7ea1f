"""A value refused by one door is refused by all, in the same words; one that is taken becomes the same value."""

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.actions.checking import checked_value
from gateway.actions.entry import Entry, What
from gateway.binding import ManualValue
from gateway.errors import SettingsError
from gateway.settings import TankSetup
from tests.actions.desk import BEGIN, site_text
from tests.settings.yard import NOW, load

PLACES = {
    ("TK-1", "level"): ", manual: {{level: {}}}",
    ("TK-1", "temperature"): ", manual: {{temperature: {}}}",
    ("TK-1", "water"): ", manual: {{water: {}}}",
    ("TK-1", "density"): ", density: {}",
    ("TK-1", "sediment_water"): ", sediment_water: {}",
    ("TK-2", "temperature"): ", manual: {{temperature: {}}}",
    ("TK-2", "density"): ", density: {}",
}
FIELDS = {
    "level": ("manual_level",),
    "temperature": ("manual_temperature",),
    "water": ("manual_water",),
    "density": ("reference_density", "observed_density"),
    "sediment_water": ("sediment_water",),
}
VALUES = ("9.412 m", "15 m", "16 m", "-1 mm", "14.7 degC", "900 degC", "35 mm", "838.2 kg/m3", "600 kg/m3", "38 degAPI")
MORE_VALUES = ("0.3 %", "130 %", "838", "", "much", "1e400 m", "-5 kg/m3", "9,4 m", "12 ft 6 in", "0.84 SG", "5 psi")
ENDS = ("24 h", "7 d", "8 d", "31 d", "32 d", "-1 d", "400 d", "soon", "2026-12-01T06:00Z", "2026-11-01", "")
BEGINS = ("2026-11-25T06:00Z", "2026-11-25", "yesterday", "1066-01-01T00:00Z", "2027-03-01T00:00Z", "")

SAMPLE = {"value": "831 kg/m3", "entered": BEGINS[0], "expires": "7 d"}


def blocks() -> st.SearchStrategy[dict[str, str]]:
    return st.fixed_dictionaries(
        {"value": st.sampled_from(VALUES + MORE_VALUES), "entered": st.sampled_from(BEGINS)},
        optional={
            "expires": st.sampled_from(ENDS),
            "at": st.sampled_from(("reference", "tank", "20 degC", "24.5 degC", "warm", "")),
            "by": st.sampled_from(("hydrometer", "density_meter", "eye")),
            "made_for": st.sampled_from(("15 degC", "20 degC", "60 degF", "x")),
        },
    )


def by_site_file(tank: str, quantity: str, block: dict[str, str]) -> ManualValue | frozenset[str]:
    text = PLACES[tank, quantity].format(json.dumps(block))
    # TK-2 has a level by hand already: both stand in one block.
    gauged, dipped = (text, "") if tank == "TK-1" else ("", text)
    written = site_text(gauged, dipped)
    if tank == "TK-2" and quantity == "temperature":
        written = site_text().replace("manual: {level:", f"manual: {{temperature: {json.dumps(block)}, level:")
    with tempfile.TemporaryDirectory() as folder:
        try:
            found = load(Path(folder), written)
        except SettingsError as error:
            return frozenset(line.partition(": ")[2] for line in error.mistakes)
    binding = next(setup.binding for setup in found.tanks if setup.plan.tank == tank)
    given: list[ManualValue | None] = [getattr(binding, field) for field in FIELDS[quantity]]
    (value,) = [each for each in given if each is not None]
    return replace(value, origin="")


def by_entry(setup: TankSetup, quantity: str, block: dict[str, str]) -> ManualValue | frozenset[str]:
    entry = Entry(setup.plan.tank, quantity, What.ENTERED, block, "anna", BEGIN)
    try:
        return replace(checked_value(entry, setup.plan, NOW).value, origin="")
    except SettingsError as error:
        return frozenset(error.mistakes)


@pytest.fixture(scope="module")
def setups(tmp_path_factory: pytest.TempPathFactory) -> dict[str, TankSetup]:
    found = load(tmp_path_factory.mktemp("site"), site_text())
    return {setup.plan.tank: setup for setup in found.tanks}


@given(st.sampled_from(sorted(PLACES)), blocks())
@example(("TK-1", "density"), {"value": "838.2 kg/m3", "entered": BEGINS[0], "expires": "31 d"})
@example(
    ("TK-1", "density"),
    {"value": "831 kg/m3", "entered": BEGINS[0], "expires": "7 d", "at": "24.5 degC", "by": "hydrometer"},
)
@example(("TK-1", "density"), {**SAMPLE, "at": "tank"})
@example(("TK-1", "density"), {"value": "5000 kg/m3", "entered": BEGINS[0], "expires": "7 d"})
@example(("TK-1", "level"), {"value": "9.412 m", "entered": BEGINS[0], "expires": "7 d"})
@example(("TK-1", "level"), {"value": "9.412 m", "entered": BEGINS[0], "expires": "8 d"})
@example(("TK-1", "level"), {"value": "16 m", "entered": BEGINS[0], "expires": "8 d"})
@example(("TK-1", "water"), {"value": "35 mm", "entered": BEGINS[0], "expires": "24 h"})
@example(("TK-1", "sediment_water"), {"value": "0.3 %", "entered": BEGINS[0], "expires": "24 h"})
@example(("TK-2", "temperature"), {"value": "14.7 degC", "entered": BEGINS[0], "expires": "31 d"})
@settings(deadline=None, max_examples=150)
def test_the_two_doors_say_the_same(
    setups: dict[str, TankSetup], place: tuple[str, str], block: dict[str, str]
) -> None:
    tank, quantity = place
    assert by_entry(setups[tank], quantity, block) == by_site_file(tank, quantity, block)


def test_water_in_place_of_a_probe_that_there_is_not(tmp_path: Path) -> None:
    found = load(tmp_path, site_text().replace("{kind: probe, instrument: G-1, signal: water}", "none"))
    block = {"value": "35 mm", "entered": BEGINS[0], "expires": "24 h"}
    assert by_entry(found.tanks[0], "water", block) == frozenset(
        {
            "tanks.TK-1.manual.water: stands in for a water probe, and there is none; give free_water: {kind: dip, "
            "...} instead"
        }
    )
