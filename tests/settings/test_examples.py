"""The worked examples in config/examples: each loads, and its dip gives what a hand calculation from a published source
gives. The tanks and samples are invented; the densities, factors and formulas are not."""

import math
from datetime import UTC, datetime

import jsonschema
import pytest
from CoolProp.CoolProp import PropsSI

from gateway.binding import Latest, bind
from gateway.calculation.inventory import calculate
from gateway.calculation.temperature.resistance import PT100, resistance
from gateway.records import Inventory, Quality, Reading, ReasonCode
from gateway.resources import config_path
from gateway.settings import load_site, site_schema
from gateway.settings.reading.document import read_document
from tests.commands.typed import typed

NAMES = sorted(file.stem for file in config_path("examples").glob("*.yaml"))
AT = datetime(2026, 11, 26, 6, tzinfo=UTC)


def dip(capsys: pytest.CaptureFixture[str], name: str, tank: str, *measured: str) -> dict[str, float]:
    """The values of the sheet, in SI, by the names of its figures."""
    said = typed(capsys, "dip", _path(name), tank, *measured, "--at", "2026-11-26T06:00Z", "--json")
    assert said.code == 0, said.err
    return {figure: each["value"] for figure, each in said.document["figures"].items() if each["value"] is not None}


def _path(name: str) -> str:
    return str(config_path("examples", f"{name}.yaml"))


def sheet(name: str, values: dict[tuple[str, str], float]) -> Inventory:
    """The sheet from readings of the example's instruments, in SI."""
    (setup,) = load_site(_path(name), now=AT).tanks
    latest: Latest = {
        (instrument, signal): Reading(instrument, signal, value, Quality.GOOD, None, int(AT.timestamp() * 1e9), 0, ())
        for (instrument, signal), value in values.items()
    }
    return calculate(setup.plan, bind(setup.binding, latest, int(AT.timestamp() * 1e9), 0))[0]


@pytest.mark.parametrize("name", NAMES)
def test_each_example_is_a_right_site_file(name: str) -> None:
    assert load_site(_path(name), now=AT).warnings == ()
    document, _ = read_document(config_path("examples", f"{name}.yaml"), {})
    jsonschema.Draft202012Validator(site_schema()).validate(document.data(()))
    assert "not an overfill prevention system" in config_path("examples", f"{name}.yaml").read_text(encoding="utf-8")


@pytest.mark.outside("Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009) 3141, by CoolProp: saturated propane")
def test_propane_sphere(capsys: pytest.CaptureFixture[str]) -> None:
    measured = ("--level", "8.400 m", "--temperature", "20 degC", "--pressure", "735 kPa")
    figures = dip(capsys, "propane_sphere", "S-1", *measured)
    # pi h^2 (3 D/2 - h) / 3 with h = 8.4 and D = 14: pi x 70.56 x 4.2 m3.
    volume = math.pi * 70.56 * 4.2
    full = math.pi * 14.0**3 / 6.0
    assert figures["tov"] == pytest.approx(volume, rel=1e-12)
    at_15, at_20 = (PropsSI("D", "T", 273.15 + t, "Q", 0, "Propane") for t in (15.0, 20.0))
    assert at_15 == pytest.approx(507.5, abs=0.1)
    # The correlation of TP-27 is stated as within 0.15 % of saturated densities; between 15 and 20 degC far nearer.
    assert figures["ctl"] == pytest.approx(at_20 / at_15, rel=2e-4)
    assert figures["mass"] == pytest.approx(volume * at_20, rel=3e-4)
    vapour = PropsSI("D", "T", 293.15, "Q", 1, "Propane")
    assert figures["vapour_mass"] == pytest.approx((full - volume) * vapour, rel=0.005)
    assert figures["total_mass"] == pytest.approx(figures["mass"] + figures["vapour_mass"], rel=1e-12)


@pytest.mark.outside("Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009) 3141, by CoolProp: saturated propane")
@pytest.mark.parametrize("temperature_c", [20.0, 45.0, 60.0])
def test_propane_sphere_with_its_isolating_valve_closed(temperature_c: float) -> None:
    """At 20 degC 506 m3 of vapour are 9.2 t; a gauge that says 0 kPa makes 0.95 t of them: 8 t were missing, Good."""
    readings = {("XT-S1", f"t{index}"): temperature_c for index in range(1, 5)} | {("XT-S1", "innage"): 8.400}
    kelvin = 273.15 + temperature_c
    own = PropsSI("P", "T", kelvin, "Q", 0, "Propane")
    space = math.pi * (14.0**3 / 6.0 - 70.56 * 4.2)
    well = sheet("propane_sphere", readings | {("XT-S1", "pressure"): own - 101_325.0}).figures
    assert well.vapour_mass.value == pytest.approx(space * PropsSI("D", "T", kelvin, "Q", 1, "Propane"), rel=0.012)
    assert well.total_mass.quality is well.vapour_mass.quality is Quality.GOOD
    closed = sheet("propane_sphere", readings | {("XT-S1", "pressure"): 0.0}).figures
    assert well.total_mass.value is not None
    assert closed.total_mass.value is not None
    assert well.total_mass.value - closed.total_mass.value > 8000.0
    assert (
        closed.total_mass.quality is closed.vapour_mass.quality is closed.vapour_pressure.quality is Quality.UNCERTAIN
    )
    assert closed.total_mass.reasons[0].code is ReasonCode.VAPOUR_PRESSURE_DISAGREES
    assert closed.mass == well.mass
    assert closed.mass.quality is Quality.GOOD
    # Its limits are parts of its capacity.
    assert closed.room.value == pytest.approx(0.8 * math.pi * 14.0**3 / 6.0 - math.pi * 70.56 * 4.2, rel=1e-9)


@pytest.mark.outside(
    "ASTM D1250-80 Table 54B, 992 kg/m3 at 36 degC, as printed in a marine bunker-survey example: 0.9857"
)
def test_heavy_oil(capsys: pytest.CaptureFixture[str]) -> None:
    figures = dip(capsys, "heavy_oil", "H-3", "--level", "6.350 m", "--temperature", "36 degC")
    # Rows 6 m 1885.3 m3 and 7 m 2199.5 m3 of its table.
    tov = 1885.3 + 0.35 * (2199.5 - 1885.3)
    assert figures["tov"] == pytest.approx(tov, rel=1e-12)
    # API MPMS 12.1.1, carbon steel 6.20e-6 per degF, insulated: from 15 to 36 degC are 37.8 degF.
    ctsh = (1.0 + 6.20e-6 * 37.8) ** 2
    assert figures["ctsh"] == pytest.approx(ctsh, rel=1e-9)
    assert figures["ctl"] == 0.9857
    # One thickness: pi D^3 g L^2 / (8 E t) x (density - density of the table), API MPMS 2.2A.
    stretch = math.pi * 20.0**3 * 9.801 * 6.35**2 / (8 * 2.0e11 * 0.010) * (992.0 * 0.9857 - 950.0)
    assert figures["head_adjustment"] == pytest.approx(stretch, rel=1e-9)
    gsv = (tov + stretch) * ctsh * 0.9857
    assert figures["gsv"] == pytest.approx(gsv, rel=1e-9)
    assert figures["nsv"] == pytest.approx(gsv * 0.997, rel=1e-9)
    # ASTM D1250-80 Table 56, steps of the print (transcription): 0.99885 at 940, 0.99895 at 1000 kg/m3.
    assert 0.99885 < figures["weight_in_air"] / figures["mass"] < 0.99895


def test_heavy_oil_by_its_platinum_elements() -> None:
    """Read in hundredths of an ohm, IEC 60751: 36 degC is 113.99 ohm."""
    ohms = {("TT-H3", f"r{i + 1}"): round(resistance(t, PT100), 2) for i, t in enumerate((35.9, 36.0, 36.1))}
    figures = sheet("heavy_oil", {("LT-H3", "ullage"): 12.600 - 6.350, **ohms}).figures
    # The element at 7 m is dry: the mean of 35.9 and 36.0 degC; 0.01 ohm is 0.026 degC.
    # Carbon steel, 6.20e-6 per degF from 15 to 35.95 degC: the reference point has risen by 2.9 mm (API MPMS 3.1B).
    grown = 12.600 * 6.20e-6 * 1.8 * 20.95
    assert grown == pytest.approx(0.0029, abs=5e-5)
    assert figures.level.value == pytest.approx(6.350 + grown, abs=2e-6)
    assert figures.liquid_temperature.value == pytest.approx(35.95, abs=0.013)
    assert figures.gsv.quality is Quality.GOOD


@pytest.mark.outside(
    "International Critical Tables III (1928) p. 79: 50 % NaOH, 1510.9 kg/m3 at 40 degC, 1525.3 at 20 degC"
)
def test_caustic_by_pressure() -> None:
    # Somigliana at 38.7 deg on GRS80, less 3.0877e-6 /s2 times 40 m: 9.80062 - 0.00012 m/s2.
    sine = math.sin(math.radians(38.7)) ** 2
    gravity = 9.7803267715 * (1 + 0.001931851353 * sine) / math.sqrt(1 - 0.0066943800229 * sine) - 3.0877e-6 * 40
    # The air beside the tank at 40 m, ICAO standard atmosphere (ISO 2533): 1.2 kg/m3 x 0.99527. The table ends at 50 %.
    air = 1.2 * (1 - 0.0065 * 40 / 288.15) ** 5.25588
    assert air == pytest.approx(1.2 * 0.99527, abs=1e-5)
    pressure = (1510.9 - 1e-6 - air) * gravity * (6.000 - 0.500)
    readings = {
        ("LT-N1", "innage"): 6.000,
        ("PT-N1", "pressure"): pressure,
        ("TT-N1", "t1"): 40.0,
        ("TT-N1", "t2"): 40.0,
    }
    figures = sheet("caustic_by_pressure", readings).figures
    assert figures.measured_density.value == pytest.approx(1510.9, abs=1e-5)
    assert figures.density_difference.value == pytest.approx(0.3, abs=0.05)
    assert figures.reference_density.value == pytest.approx(1525.3, abs=1e-3)
    assert figures.mass.value == pytest.approx(math.pi * 16.0 * 6.000 * 1510.9, rel=1e-8)
    assert figures.mass.quality is Quality.GOOD
    # 40 kg/m3 of error in the pressure's density is more than the limit of 8: the mass says so.
    readings["PT-N1", "pressure"] = 1470.9 * gravity * 5.5
    figures = sheet("caustic_by_pressure", readings).figures
    assert figures.mass.quality is Quality.UNCERTAIN
    assert "more than 8 kg/m3" in figures.mass.reasons[0].text


def test_caustic_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """A dip has no pressure transmitter: the laboratory's density serves (the same table as above)."""
    by_hand = ("--level", "6.000 m", "--temperature", "40 degC", "--density", "1510.9 kg/m3", "--density-at", "40 degC")
    figures = dip(capsys, "caustic_by_pressure", "N-1", *by_hand)
    assert figures["reference_density"] == pytest.approx(1525.3, abs=1e-3)
    assert figures["mass"] == pytest.approx(math.pi * 16.0 * 6.000 * 1510.9, rel=1e-6)


@pytest.mark.outside("ISO 6883: 0.00068 g/ml per degC, so that 0.8920 kg/L at 50 degC is 0.8886 kg/L at 55 degC")
def test_palm_oil(capsys: pytest.CaptureFixture[str]) -> None:
    figures = dip(capsys, "palm_oil", "P-4", "--level", "7.000 m", "--temperature", "55 degC")
    # Cone of 0.3 m below the datum, 7 m of shell, less the coils.
    volume = math.pi * 7.5**2 * (0.300 / 3.0 + 7.000) - 0.900
    assert figures["tov"] == pytest.approx(volume, rel=1e-12)
    assert figures["weight_in_air"] == pytest.approx(volume * 888.6, rel=1e-12)
    assert "gsv" not in figures


@pytest.mark.outside("OIML R 22, Table I, last column: 797.76 kg/m3 at 10 degC, 789.24 at 20 degC")
def test_ethanol(capsys: pytest.CaptureFixture[str]) -> None:
    figures = dip(capsys, "ethanol", "E-2", "--level", "5.000 m", "--temperature", "10 degC")
    volume = math.pi * 25.0 * 5.000
    assert figures["tov"] == pytest.approx(volume, rel=1e-12)
    assert figures["mass"] == pytest.approx(volume * 797.76, rel=1e-5)
    assert figures["gsv"] == pytest.approx(volume * 797.76 / 789.24, rel=1e-5)
