"""`dip` on the demo site: the printed figures of its ten tanks, and every way to ask wrongly."""

import math
import re
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from gateway.commands.service.site_argument import load
from tests.commands.typed import Said, typed


class _Printed(NamedTuple):
    tank: str
    measured: tuple[str, ...]
    figures: dict[str, str]


def _level(level: str, *temperatures: str, water: str | None = None) -> tuple[str, ...]:
    return (
        "--level",
        level,
        "--temperature",
        *(f"{each} degC" for each in temperatures),
        *(() if water is None else ("--water", water)),
    )


_D_1_DEGF = ("71.2 degF", "71.8 degF", "72.5 degF", "73.6 degF")

# Source of every figure: the printed state of the demo site's ten invented tanks, worked out from their printed
# coefficients outside this project's code and rounded as printed there.
_TEN = [
    _Printed(
        "TK-101",
        _level("9.412 m", "14.1", "14.3", "14.8", "15.6", water="35 mm"),
        {
            "liquid_temperature": "14.70",
            "tov": "2395.1",
            "free_water": "8.9",
            "gov": "2386.2",
            "ctl": "1.00025",
            "gsv": "2386.8",
            "mass": "2000.1",
            "weight_in_air": "1997.5",
            "pumpable": "2166.0",
            "room": "963.9",
        },
    ),
    _Printed(
        "TK-204",
        _level("8.236 m", "17.6", "17.9", "18.4", water="52 mm"),
        {
            "liquid_temperature": "17.97",
            "tov": "3725.9",
            "free_water": "23.5",
            "roof_displacement": "-62.2",
            "gov": "3640.1",
            "ctl": "0.99637",
            "gsv": "3626.9",
            "mass": "2691.2",
        },
    ),
    _Printed(
        "J-3",
        _level("5.120 m", "27.2", "27.9", water="0.018 m"),
        {"liquid_temperature": "27.55", "tov": "583.3", "free_water": "6.2", "gsv": "570.3", "mass": "457.4"},
    ),
    _Printed(
        "B-2",
        (*_level("1640 mm", "24.23"), "--pressure", "5.4 barg"),
        {
            "tov": "75.19",
            "fill": "0.560",
            "observed_density": "533.9",
            "mass": "40.15",
            "vapour_mass": "0.81",
            "total_mass": "40.96",
        },
    ),
    _Printed(
        "C-7",
        ("--pressure", "68.15 kPa", "--temperature", "24.5 degC", "24.7 degC"),
        {
            "liquid_temperature": "24.60",
            "level": "4.870",
            "tov": "244.8",
            "observed_density": "1521.8",
            "mass": "372.5",
            "solute_mass": "186.3",
        },
    ),
    _Printed(
        "P-12",
        _level("9.310 m", "53.1", "51.7", "50.9", "50.2", "49.4"),
        {"liquid_temperature": "51.06", "tov": "1645.2", "observed_density": "888.9", "mass": "1462.4"},
    ),
    _Printed(
        "BO-5",
        _level("3.055 m", "38.6", "39.4"),
        {"liquid_temperature": "39.00", "tov": "86.4", "ctl": "0.98280", "gsv": "84.9", "mass": "74.8"},
    ),
    _Printed(
        "A-1",
        ("--pressure", "5.176 kPa", "--temperature", "61.2 degC"),
        {"level": "0.740", "tov": "5.95", "observed_density": "895.7", "mass": "5.33"},
    ),
    _Printed(
        "F-1",
        _level("11.204 m", "64.8", "62.1", "58.0", "52.3"),
        {
            "liquid_temperature": "59.30",
            "tov": "9010.8",
            "ctl": "0.96935",
            "gsv": "8734.6",
            "nsv": "8708.4",
            "mass": "8603.6",
        },
    ),
    _Printed(
        "D-1",
        ("--level", "31'7-5/16\"", "--water", "1-1/2 in", "--temperature", *_D_1_DEGF),
        {"ctl": "0.99436", "mass": "2141.0"},
    ),
]


def _dip(capsys: pytest.CaptureFixture[str], *words: str) -> Said:
    return typed(capsys, "dip", "demo", *words)


def _rounded(value: float, like: str) -> str:
    return f"{value:.{len(like.partition('.')[2])}f}"


@pytest.mark.parametrize("printed", _TEN, ids=[each.tank for each in _TEN])
def test_the_printed_figures_of_the_ten_tanks(capsys: pytest.CaptureFixture[str], printed: _Printed) -> None:
    said = _dip(capsys, printed.tank, *printed.measured, "--json")
    assert said.code == 0, said.err
    document = said.document
    assert document["schema"] == "tank-gateway/dip/1"
    assert document["tank"] == printed.tank
    assert document["simulated"] is True
    for name, expected in printed.figures.items():
        figure = document["figures"][name]
        value = figure["value"] / 1000.0 if figure["unit"] == "kg" else figure["value"]
        assert _rounded(value, expected) == expected, name


@pytest.mark.outside("the printed state of the demo site's tank D-1: 15,918.1 bbl, 62.9 bbl, 15,765.7 bbl")
def test_the_barrels_of_tank_d_1(capsys: pytest.CaptureFixture[str]) -> None:
    (printed,) = (each for each in _TEN if each.tank == "D-1")
    figures = _dip(capsys, "D-1", *printed.measured, "--json").document["figures"]
    # 42 US gallons of 231 cubic inches: 0.158987294928 m3 by definition.
    barrels = {name: figures[name]["value"] / 0.158987294928 for name in ("tov", "free_water", "gsv")}
    assert {name: f"{value:.1f}" for name, value in barrels.items()} == {
        "tov": "15918.1",
        "free_water": "62.9",
        "gsv": "15765.7",
    }


def test_a_dip_is_good_and_marked_manual(capsys: pytest.CaptureFixture[str]) -> None:
    document = _dip(capsys, "TK-101", *_TEN[0].measured, "--json").document
    assert document["quality"] == "Good"
    for name in ("level", "tov", "free_water", "liquid_temperature", "gsv", "mass"):
        assert document["figures"][name]["quality"] == "Good"
        assert document["figures"][name]["manual"] is True
    assert document["inputs"][0] == {
        "name": "level",
        "value": 9.412,
        "unit": "m",
        "quality": "Good",
        "source": "dip",
        "manual": True,
    }
    assert document["temperatures"] == [14.1, 14.3, 14.8, 15.6]


def test_ullage_gives_the_same_sheet(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, *rest = _TEN[0].measured
    document = _dip(capsys, "TK-101", "--ullage", "5.828 m", *rest, "--json").document
    assert _rounded(document["figures"]["level"]["value"], "0.000") == "9.412"
    assert _rounded(document["figures"]["gsv"]["value"], "0.0") == "2386.8"


def _lines(said: Said) -> list[str]:
    return [" ".join(line.split()) for line in said.out.splitlines()]


def test_the_sheet_prints_inputs_steps_clauses_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    lines = _lines(_dip(capsys, "TK-101", *_TEN[0].measured, "--at", "2099-03-01T06:00Z", "--density", "838 kg/m3"))
    assert lines[:3] == [
        "Calculation sheet from hand-measured values",
        "Site demo",
        "Tank TK-101 (Fuel depot, diesel, cone roof)",
    ]
    assert "SIMULATED: the tanks of this site are invented" in lines
    assert "Level by tape 9.412 m Good manual dip" in lines
    assert "Liquid temperature 14.7 °C Good manual dip, mean of 14.1, 14.3, 14.8, 15.6" in lines
    assert "TOV Total observed volume 2,395 m³ Good manual L upright cylinder, pi D^2/4 h" in lines
    assert "GSV Gross standard volume 2,387 m³ Good manual GOV, CTL, CPL GOV CTL CPL, API MPMS 12.1.1" in lines
    assert "Result: Good SIMULATED" in lines
    assert sum(line.startswith("Caution: ") for line in lines) == 5
    assert any("not for custody transfer" in line.lower() for line in lines)
    assert any("not certified" in line for line in lines)


def test_what_was_not_measured_is_not_made_up(capsys: pytest.CaptureFixture[str]) -> None:
    said = _dip(capsys, "TK-101", "--level", "9.412 m")
    lines = _lines(said)
    assert said.code == 0
    assert "TOV Total observed volume 2,395 m³ Good manual L upright cylinder, pi D^2/4 h" in lines
    assert any(line.startswith("GSV Gross standard volume - Bad") for line in lines)
    assert "Result: Bad SIMULATED" in lines
    assert "not given: --water (`--water none` when none was found), --temperature" in lines


def test_no_water_found_is_not_the_same_as_not_looked(capsys: pytest.CaptureFixture[str]) -> None:
    said = _dip(capsys, "TK-101", "--level", "9.412 m", "--water", "none", "--temperature", "14.7 degC", "--json")
    figures = said.document["figures"]
    assert figures["water_level"]["value"] is None
    assert figures["water_level"]["reason"]["code"] == "none_detected"
    assert figures["free_water"]["quality"] == "Good"
    assert figures["gov"]["value"] == figures["tov"]["value"] - figures["free_water"]["value"]


def test_a_level_above_every_known_volume_has_none_and_fails(capsys: pytest.CaptureFixture[str]) -> None:
    said = _dip(capsys, "TK-101", "--level", "14.7 m", "--json")
    assert said.code == 1
    figures = said.document["figures"]
    assert figures["level"]["value"] == 14.7
    assert figures["tov"]["value"] is None
    assert figures["tov"]["quality"] == "Bad"


def test_a_density_measured_at_another_temperature_is_brought_to_reference(
    capsys: pytest.CaptureFixture[str],
) -> None:
    def reference_density(*words: str) -> float:
        said = _dip(capsys, "TK-101", *_TEN[0].measured, "--json", *words)
        value: float = said.document["figures"]["reference_density"]["value"]
        return value

    # alpha 0.000846 at 15 degC, 10 degC above: ASTM D1250's exponential form.
    at_25 = 838.0 * math.exp(-0.00846 * (1 + 0.8 * 0.00846))
    found = reference_density("--density", f"{at_25:.6f} kg/m3", "--density-at", "25 degC")
    assert found == pytest.approx(838.0, abs=1e-5)
    assert reference_density("--density", "838 kg/m3", "--density-at", "15 degC") == 838.0
    # Degrees API hold at 60 degF = 15.56 degC, a little above the reference temperature of this product.
    assert 854.14 < reference_density("--density", "34 degAPI") < 854.64


def test_us_units_are_a_choice_of_display(capsys: pytest.CaptureFixture[str]) -> None:
    (printed,) = (each for each in _TEN if each.tank == "D-1")
    lines = _lines(_dip(capsys, "D-1", *printed.measured, "--units", "us"))
    assert "L Level above the datum 31 ft 7-5/16 in Good manual innage + 0.000 m" in lines
    assert "TOV Total observed volume 15,918 bbl Good manual L upright cylinder, pi D^2/4 h" in lines
    assert "Density at reference temperature 34.0 °API Good manual site file" in lines
    assert any(line.startswith("M Mass of the liquid with any S&W, in vacuo 2,107.1 long tons") for line in lines)


def test_an_undated_time_is_in_the_zone_of_the_site(capsys: pytest.CaptureFixture[str]) -> None:
    document = _dip(capsys, "BO-5", "--level", "3 m", "--at", "2026-11-26T06:00", "--json").document
    assert document["time"] == "2026-11-26T06:00:00.000Z"
    document = _dip(capsys, "BO-5", "--level", "3 m", "--at", "2026-11-26T06:00+01:00", "--json").document
    assert document["time"] == "2026-11-26T05:00:00.000Z"


def test_an_expired_density_is_uncertain(capsys: pytest.CaptureFixture[str]) -> None:
    said = _dip(capsys, "TK-101", *_TEN[0].measured, "--at", "2099-01-01T00:00Z", "--json")
    mass: dict[str, Any] = said.document["figures"]["mass"]
    assert mass["quality"] == "Uncertain"
    assert re.search(r"expired", mass["reason"]["text"])


_LEVEL = ("--level", "9 m")


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (
            ("TK-101", "--level", "9.412"),
            "--level: '9.412' has no unit; a length is wanted, for example 9.412 m\n",
        ),
        (
            ("TK-101", *_LEVEL, "--temperature", "14.7 degC", "15"),
            "--temperature: '15' has no unit; a temperature is wanted, for example 15 degC\n",
        ),
        (
            ("TK-101", *_LEVEL, "--water", "3 kg"),
            "--water: '3 kg' is a mass; a length is wanted, for example 3 m\n",
        ),
        (
            ("TK-101",),
            "no level was given\n  hint: give --level (innage) or --ullage, for example --level '9.412 m'\n",
        ),
        (
            ("C-7",),
            "no level was given\n  hint: give --level, --ullage or, as this tank is gauged, --pressure\n",
        ),
        (
            ("TK-101", *_LEVEL, "--ullage", "6 m"),
            "argument --ullage: not allowed with argument --level\n  hint: tank-gateway dip --help\n",
        ),
        (
            ("TK-9", *_LEVEL),
            "site 'demo' has no tank 'TK-9'\n"
            "  hint: its tanks: TK-101, TK-204, J-3, B-2, C-7, P-12, BO-5, A-1, F-1, D-1\n",
        ),
        (
            ("TK-101", *_LEVEL, "--pressure", "5 kPa"),
            "--pressure: TK-101 has no vapour pressure, and its level was given\n  hint: leave --pressure away\n",
        ),
        (
            ("C-7", "--level", "4 m", "--density", "1500 kg/m3"),
            "--density: caustic goes by density against temperature and takes no other\n"
            "  hint: leave --density away, or change the product in the site file\n",
        ),
        (
            ("TK-101", "--level", "-1 mm"),
            "--level: -1 mm is no level in this tank\n  hint: give 0 m to 15.240 m\n",
        ),
        (
            ("TK-101", "--ullage", "15241 mm"),
            "--ullage: 15241 mm is no level in this tank\n  hint: give 0 m to 15.240 m\n",
        ),
        (
            ("TK-101", *_LEVEL, "--water", "-0.1 m"),
            "--water: -0.1 m is no level in this tank\n  hint: give 0 m to 15.240 m\n",
        ),
        (
            ("TK-101", *_LEVEL, "--sediment-water", "120 %"),
            "--sediment-water: 120 % is no share\n  hint: give 0 % to 100 %\n",
        ),
        (
            ("TK-101", *_LEVEL, "--sediment-water", "-1 %"),
            "--sediment-water: -1 % is no share\n  hint: give 0 % to 100 %\n",
        ),
        (
            ("TK-101", *_LEVEL, "--temperature", "-201 degC"),
            "--temperature: -201 degC is no temperature of a liquid in a tank\n  hint: give -200 degC to 400 degC\n",
        ),
        (
            ("TK-101", *_LEVEL, "--ambient", "71.5 degC"),
            "--ambient: 71.5 degC is no temperature of the air\n  hint: give -90 degC to 70 degC\n",
        ),
        (
            ("TK-101", *_LEVEL, "--density-at", "20 degC"),
            "--density-at was given without --density\n  hint: give both, or neither\n",
        ),
        (
            ("TK-101", *_LEVEL, "--at", "yesterday"),
            "--at: 'yesterday' is not a time\n  hint: write for example 2026-03-01T06:00 or ...T06:00Z\n",
        ),
    ],
)
def test_wrong_use_is_one_line_that_says_what_would_be_right(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], error: str
) -> None:
    said = _dip(capsys, *words)
    assert said.code == 2
    assert said.out == ""
    assert said.err == f"tank-gateway: {error}"


def test_a_site_file_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "dip", "nowhere.yaml", "TK-101", *_LEVEL)
    assert said.code == 2
    assert said.err == (
        "tank-gateway: there is no site file 'nowhere.yaml'\n  hint: give the path of a YAML file, or `demo`\n"
    )


def test_a_temperature_beyond_the_method_fails_for_a_script_too(capsys: pytest.CaptureFixture[str]) -> None:
    said = _dip(capsys, "TK-101", "--level", "9.412 m", "--water", "none", "--temperature", "240 degC", "--json")
    assert said.code == 1
    assert said.document["figures"]["mass"]["reason"]["code"] == "method_limit"
    assert said.document["figures"]["tov"]["quality"] == "Good"


_SITES = ("demo", "config/site.yaml", "config/one_tank.yaml", *sorted(map(str, Path("config/examples").glob("*.yaml"))))
_TANKS = [(site, tank.plan.tank) for site in _SITES for tank in load(site).tanks]


@pytest.mark.parametrize(("site", "tank"), _TANKS, ids=[f"{site}:{tank}" for site, tank in _TANKS])
def test_every_tank_that_a_site_file_can_describe_can_be_dipped(
    capsys: pytest.CaptureFixture[str], site: str, tank: str
) -> None:
    """Whatever is fitted to it: flow meters, pump contacts, a roof, pressure lines, a second gauge."""
    said = typed(capsys, "dip", site, tank, "--level", "1.1 m", "--temperature", "40 degC")
    assert said.err == ""
    assert "Level above the datum" in said.out


def test_a_propane_sphere_is_no_atmospheric_tank(capsys: pytest.CaptureFixture[str]) -> None:
    """GPA TP-27 / API MPMS 11.2.4 corrects at the liquid's own vapour pressure, so that CPL is 1 there."""
    words = ("config/examples/propane_sphere.yaml", "S-1", "--level", "6 m", "--temperature", "12 degC")
    sheet = typed(capsys, "dip", *words, "--json").document["sheet"]
    (clause,) = (line["clause"] for line in sheet if line["name"] == "cpl")
    assert clause == "1 at the liquid's own vapour pressure, for which CTL holds"
