"""Shapes of tanks and what is fitted to them: from the words of a site file to the plans of the calculation."""

import math
from pathlib import Path

import pytest

from gateway.binding import Source
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import (
    ColumnPlan,
    HeadPlan,
    LiquidHeadPlan,
    MeasuredDensityPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    VapourPlan,
    Weighting,
)
from gateway.calculation.quantities.liquid_head import Course
from gateway.calculation.shapes import (
    Deadwood,
    End,
    EndKind,
    Head,
    LyingCylinder,
    RectangularTank,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
    WithDeadwood,
)
from gateway.calculation.shapes.datum import WithDatum
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.temperature.resistance import resistance
from gateway.calculation.vapour.mixture import COMPONENTS
from gateway.errors import SettingsError
from tests.settings.yard import PARTS, RESISTANCES, tank


def plan_of(folder: Path, **keys: str) -> TankPlan:
    return tank(folder, **keys)[0].plan


@pytest.mark.parametrize(
    ("shape", "expected", "weighting"),
    [
        (
            "{kind: upright_cylinder, diameter: 18 m, height: 14.6 m, bottom: flat}",
            UprightCylinder(18.0, 14.6),
            Weighting.EQUAL,
        ),
        (
            "{kind: upright_cylinder, diameter: 18 m, height: 14.6 m, bottom: {kind: sloped, depth: 0.2 m}}",
            UprightVessel(18.0, 14.6, End(EndKind.SLOPED, 0.2)),
            Weighting.EQUAL,
        ),
        (
            "{kind: upright_cylinder, diameter: 18 m, height: 14.6 m, bottom: {kind: cone_up, depth: 0.2 m}}",
            UprightVessel(18.0, 14.6, End(EndKind.CONE_UP, 0.2)),
            Weighting.EQUAL,
        ),
        (
            "{kind: upright_cylinder, diameter: 18 m, height: 14 m, bottom: {kind: cone_down, depth: 200 mm}}",
            UprightVessel(18.0, 14.0, End(EndKind.CONE, 0.2)),
            Weighting.EQUAL,
        ),
        (
            "{kind: upright_cylinder, diameter: 18 m, height: 14 m, bottom: {kind: dished, depth: 0.5 m}}",
            UprightVessel(18.0, 14.0, End(EndKind.DISHED, 0.5)),
            Weighting.EQUAL,
        ),
        (
            "{kind: lying_cylinder, diameter: 3 m, tangent_length: 10 m, head: torispherical, knuckle_ratio: 0.1}",
            LyingCylinder(3.0, 10.0, Head.TORISPHERICAL, 1.0, 0.1),
            Weighting.SLICE_VOLUME,
        ),
        (
            "{kind: lying_cylinder, diameter: 3 m, tangent_length: 10 m, head: flat, "
            "tilt: {slope: 1 %, gauge_from_low_end: 2 m}}",
            TiltedCylinder(3.0, 10.0, Head.FLAT, 0.01, 2.0),
            Weighting.SLICE_VOLUME,
        ),
        ("{kind: sphere, diameter: 14 m}", Sphere(14.0), Weighting.SLICE_VOLUME),
        (
            "{kind: rectangular, length: 12 m, width: 4 m, height: 14 m}",
            RectangularTank(12.0, 4.0, 14.0),
            Weighting.EQUAL,
        ),
        (
            "{kind: standing_vessel, diameter: 3 m, tangent_length: 12 m, bottom: ellipsoidal, "
            "top: {kind: cone, depth: 0.4 m}}",
            UprightVessel(3.0, 12.0, End(EndKind.ELLIPSOIDAL), End(EndKind.CONE, 0.4)),
            Weighting.EQUAL,
        ),
        (
            "{kind: standing_vessel, diameter: 3 m, tangent_length: 12 m, bottom: hemispherical, "
            "top: {kind: torispherical, crown_ratio: 0.9, knuckle_ratio: 0.1}}",
            UprightVessel(3.0, 12.0, End(EndKind.HEMISPHERICAL), End(EndKind.TORISPHERICAL, 0.0, 0.9, 0.1)),
            Weighting.EQUAL,
        ),
    ],
)
def test_each_kind_of_shape(tmp_path: Path, shape: str, expected: Capacity, weighting: Weighting) -> None:
    plan = plan_of(tmp_path, shape=shape)
    assert plan.capacity == expected
    assert plan.temperature.weighting is weighting


@pytest.mark.parametrize(
    "shape",
    [
        "kind: upright_cylinder, diameter: 18 m, height: 14.6 m",
        "kind: upright_cylinder, diameter: 18 m, height: 14 m, bottom: {kind: cone_down, depth: 0.5 m}",
        "kind: lying_cylinder, diameter: 13 m, tangent_length: 10 m, head: ellipsoidal",
        "kind: lying_cylinder, diameter: 13 m, tangent_length: 10 m, head: ellipsoidal, "
        "tilt: {slope: 1 %, gauge_from_low_end: 2 m}",
        "kind: sphere, diameter: 14 m",
        "kind: rectangular, length: 12 m, width: 4 m, height: 14 m",
        "kind: standing_vessel, diameter: 3 m, tangent_length: 12 m, bottom: ellipsoidal, top: ellipsoidal",
    ],
)
def test_every_shape_has_datum_heel_and_deadwood(tmp_path: Path, shape: str) -> None:
    bare = plan_of(tmp_path, shape=f"{{{shape}}}").capacity
    coil = "{name: coil, volume: 0.2 m3, lowest: 1 m, highest: 2 m}"
    full = plan_of(tmp_path, shape=f"{{{shape}, datum: 60 mm, heel: 0.4 m3, deadwood: [{coil}]}}").capacity
    assert isinstance(full, WithDeadwood)
    assert full.shape == WithDatum(bare, 0.06, 0.4)
    assert full.pieces == (Deadwood(0.2, 1.0, 2.0, "coil"),)
    assert full.heel_m3 == pytest.approx(bare.volume(0.06) + 0.4, rel=1e-14)
    assert full.volume(5.0) == pytest.approx(bare.volume(5.06) + 0.4 - 0.2, rel=1e-12)


def test_a_reference_height_that_is_the_top_in_decimals_is_taken(tmp_path: Path) -> None:
    """11.410 m of shell less a datum of 8 mm is 11.402000000000001 m in binary: 11.402 m was told to be below it."""
    shape = "{kind: upright_cylinder, diameter: 18 m, height: 11.410 m, datum: 8 mm}"
    assert 11.410 - 0.008 > 11.402
    plan = plan_of(tmp_path, shape=shape, reference_height="11.402 m", heel_holds="product")
    assert plan.reference_height_m == 11.402
    with pytest.raises(SettingsError, match=r"11\.401 m is below the top of the shell, 11\.402 m"):
        plan_of(tmp_path, shape=shape, reference_height="11.401 m", heel_holds="product")


def test_a_capacity_table_may_say_what_the_tank_is(tmp_path: Path) -> None:
    table = f"{{file: {PARTS}/short_table.csv, kind: sphere}}"
    plan = plan_of(tmp_path, capacity_table=table, reference_height="1.2 m")
    assert isinstance(plan.capacity, CapacityTable)
    assert plan.temperature.weighting is Weighting.SLICE_VOLUME


def test_a_shell_by_metal_or_coefficient(tmp_path: Path) -> None:
    """API MPMS 12.1.1: carbon steel 6.20e-6 per degF, that is 11.16e-6 per degC."""
    outside = "{instrument: G-1, signal: t2}"
    setup, warnings = tank(tmp_path, shell="{metal: carbon steel, table_temperature: 60 degF}", ambient=outside)
    assert setup.plan.shell is not None
    assert setup.plan.shell.linear_coefficient_per_c == pytest.approx(6.20e-6 * 1.8, rel=1e-12)
    assert setup.plan.shell.table_temperature_c == pytest.approx(15.5556, abs=1e-4)
    assert setup.binding.ambient == Source("G-1", "t2", 60.0, overdue_after_s=10.0)
    assert warnings == ()
    shell = "{expansion: 0.0000173 /degC, table_temperature: 20 degC, insulated: yes}"
    assert plan_of(tmp_path, shell=shell).shell == ShellPlan(1.73e-5, 20.0, True)
    _, warnings = tank(tmp_path, shell="{metal: aluminium, table_temperature: 20 degC}")
    assert len(warnings) == 1
    assert "tanks.TK-1.shell: a bare shell needs ambient" in warnings[0]


def test_a_shell_s_temperature_is_that_of_its_table(tmp_path: Path) -> None:
    keys = {"capacity_table": str(PARTS / "short_table.csv"), "reference_height": "1.2 m"}
    assert plan_of(tmp_path, shell="{metal: carbon steel, insulated: yes}", **keys).shell == ShellPlan(
        1.116e-5, 15.0, True
    )


def test_roofs(tmp_path: Path) -> None:
    roof = "{mass: 46 t, critical_low: 1.6 m, critical_high: 2 m}"
    assert plan_of(tmp_path, roof=roof).roof == RoofPlan(46000.0, 1.6, 2.0)


VAPOUR_PRESSURE = "{instrument: G-1, signal: pressure}"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("{density: 13.7 kg/m3}", VapourPlan(13.7)),
        ("{molar_mass: 44.1 g/mol}", VapourPlan(None, 0.0441)),
        (
            "{molar_mass: 48.2 kg/kmol, compressibility: 0.86, atmospheric_pressure: 0.9 bara}",
            VapourPlan(None, 0.0482, 0.86, 90_000.0),
        ),
        (
            "{component: propane}",
            VapourPlan(None, COMPONENTS["propane"].molar_mass, None, 101_325.0, COMPONENTS["propane"]),
        ),
    ],
)
def test_vapour(tmp_path: Path, text: str, expected: VapourPlan) -> None:
    assert plan_of(tmp_path, vapour=text, vapour_pressure=VAPOUR_PRESSURE).vapour == expected


def test_measured_density(tmp_path: Path) -> None:
    text = "{instrument: G-2, signal: pressure, nozzle_height: 0.5 m, in_use: no}"
    setup, _ = tank(tmp_path, measured_density=text)
    assert setup.plan.measured_density == MeasuredDensityPlan(0.5, False)
    assert setup.binding.bottom_pressure == Source("G-2", "pressure", 60.0, overdue_after_s=10.0)
    text = (
        "{instrument: G-2, signal: pressure, nozzle_height: 0.5 m, in_use: yes, minimum_head: 2 m, "
        "difference_limit: 3 kg/m3, vapour_transmitter_height: 15 m, gas_density: 1.5 kg/m3, air_density: 1.1 kg/m3, "
        "water_density: 1025 kg/m3}"
    )
    assert plan_of(tmp_path, measured_density=text).measured_density == MeasuredDensityPlan(
        0.5, True, 2.0, 3.0, ColumnPlan(False, 15.0, 1.5, 1.1, 1025.0)
    )


NOZZLE = "{instrument: G-2, signal: pressure, from_pressure: {nozzle_height: 0.3 m%s}}"


def test_a_level_from_pressure(tmp_path: Path) -> None:
    """Without a stated range 0.1 % of 200 kPa; five times that as a column of water is 0.1 m."""
    assert plan_of(tmp_path, level=NOZZLE % "").gauge == HeadPlan(0.3, 0.001, "G-2.pressure", 0.1, 200.0)
    stated = NOZZLE % ", accuracy: 0.5 kPa, minimum_head: 0.4 m, gas_density: 1.5 kg/m3, water_density: 1025 kg/m3"
    column = ColumnPlan(False, None, 1.5, 1.2, 1025.0)
    assert plan_of(tmp_path, level=stated).gauge == HeadPlan(0.3, 0.001, "G-2.pressure", 0.4, 500.0, column)
    coarse = plan_of(tmp_path, level=NOZZLE % ", accuracy: 0.5 kPa").gauge
    assert isinstance(coarse, HeadPlan)
    assert coarse.minimum_head_m == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("signal", "accuracy_pa"),
    [
        ("type: uint16, unit: uA, current_loop: {low: 0 kPa, high: 160 kPa}", 160.0),
        ("type: float32, unit: kPa, minimum: -2 kPa, maximum: 100 kPa", 100.0),
        ("type: float32, unit: kPa, maximum: 4 MPa", 200.0),
        ("type: int16, unit: mbar, scale: 5", 500.0),
    ],
)
def test_the_accuracy_of_a_transmitter_follows_from_its_range(tmp_path: Path, signal: str, accuracy_pa: float) -> None:
    signals = f"{{p: {{table: input_registers, address: 0, {signal}}}}}"
    top = f"instruments:\n  P-1: {{line: north, unit: 9, period: 2 s, signals: {signals}}}\n"
    level = "{instrument: P-1, signal: p, from_pressure: {nozzle_height: 0.3 m}}"
    gauge = tank(tmp_path, top, level=level)[0].plan.gauge
    assert isinstance(gauge, HeadPlan)
    assert gauge.accuracy_pa == pytest.approx(accuracy_pa)
    assert gauge.minimum_head_m == pytest.approx(accuracy_pa / 2000.0)


def test_the_pressure_above_the_liquid(tmp_path: Path) -> None:
    setup, warnings = tank(tmp_path, level=NOZZLE % "")
    assert (column_of(setup.plan).vapour_pressure_fitted, warnings) == (False, ())
    setup, warnings = tank(tmp_path, level=NOZZLE % "", blanketed="yes")
    assert setup.plan.blanketed
    (warning,) = warnings
    assert "tanks.TK-1.level.from_pressure: the gas above the liquid has a pressure of its own; without" in warning
    setup, warnings = tank(tmp_path, level=NOZZLE % "", blanketed="yes", vapour_pressure=VAPOUR_PRESSURE)
    assert (column_of(setup.plan).vapour_pressure_fitted, warnings) == (True, ())
    setup, warnings = tank(tmp_path, level=NOZZLE % "", vapour_pressure=VAPOUR_PRESSURE)
    assert column_of(setup.plan).vapour_pressure_fitted
    (warning,) = warnings
    assert "has no gas_density, so the gas is taken as air or nitrogen at the measured pressure" in warning
    density = "{instrument: G-2, signal: pressure, nozzle_height: 0.5 m, in_use: no}"
    _, warnings = tank(tmp_path, measured_density=density, blanketed="yes")
    (warning,) = warnings
    assert "tanks.TK-1.measured_density: the gas above the liquid has a pressure of its own" in warning


def test_the_air_is_thinner_at_altitude(tmp_path: Path) -> None:
    """ICAO standard atmosphere (ISO 2533): 79495.2 Pa at 2000 m, of 101325 Pa."""
    site = (PARTS / "site.yaml").read_text("utf-8")
    assert "gravity: 9.80665 m/s2" in site
    high = site.replace("gravity: 9.80665 m/s2", "latitude: 45 deg, altitude: 2000 m")
    (tmp_path / "high.yaml").write_text(high, "utf-8")
    include = f"include_from: {PARTS}\ninclude: [high.yaml, {PARTS}/instruments.yaml, {PARTS}/products.yaml]\n"
    yard = (PARTS / "yard.yaml").read_text("utf-8").split("\n", 1)[1]
    setup, _ = tank(tmp_path, yard, include, level=NOZZLE % "")
    assert column_of(setup.plan).air_density_kg_m3 == pytest.approx(1.2 * 79_495.2 / 101_325.0, abs=1e-5)


def column_of(plan: TankPlan) -> ColumnPlan:
    assert isinstance(plan.gauge, HeadPlan)
    return plan.gauge.column


COURSES = "courses: [{height: 3 m, thickness: 12 mm}, {height: 12 m, thickness: 8 mm}]"


def test_liquid_head_of_a_shape(tmp_path: Path) -> None:
    courses = (Course(3.0, 0.012), Course(12.0, 0.008))
    assert plan_of(tmp_path, liquid_head=f"{{{COURSES}}}").liquid_head == LiquidHeadPlan(18.0, courses, None)
    other = plan_of(tmp_path, liquid_head=f"{{{COURSES}, modulus: 206 GPa}}").liquid_head
    assert other is not None
    assert other.modulus_pa == 2.06e11


@pytest.mark.parametrize(
    ("file", "stated", "contained"),
    [
        ("short_table", "table_density: none", None),
        ("short_table", "table_density: 850 kg/m3", 850.0),
        ("head_table", "", 838.0),
        ("head_table", "table_density: 838 kg/m3", 838.0),
    ],
)
def test_liquid_head_is_counted_once(tmp_path: Path, file: str, stated: str, contained: float | None) -> None:
    head = f"{{diameter: 17.8 m, courses: [{{height: 1 m, thickness: 12 mm}}], {stated}}}"
    keys = {"capacity_table": str(PARTS / f"{file}.csv"), "reference_height": "1.2 m"}
    plan = plan_of(tmp_path, liquid_head=head, **keys).liquid_head
    assert plan == LiquidHeadPlan(17.8, (Course(1.0, 0.012),), contained)


def test_a_table_that_leaves_the_liquid_head_out_must_not_be_told_otherwise(tmp_path: Path) -> None:
    text = (PARTS / "short_table.csv").read_text(encoding="utf-8")
    (tmp_path / "t.csv").write_text(text.replace("liquid head: not stated", "liquid head: not included"), "utf-8")
    keys = {"capacity_table": "t.csv", "reference_height": "1.2 m"}
    head = "{diameter: 17.8 m, courses: [{height: 1 m, thickness: 12 mm}]%s}"
    plan = plan_of(tmp_path, liquid_head=head % "", **keys).liquid_head
    assert plan is not None
    assert plan.table_density_kg_m3 is None
    assert plan_of(tmp_path, liquid_head=head % ", table_density: none", **keys).liquid_head == plan
    with pytest.raises(SettingsError, match="says that it does not contain it; leave it out"):
        plan_of(tmp_path, liquid_head=head % ", table_density: 838 kg/m3", **keys)


def test_elements_in_ohm(tmp_path: Path) -> None:
    elements = "[{signal: r1, height: 1 m}, {signal: r2, height: 3 m, resistance_element: Pt1000}]"
    thermometer = f"{{instrument: R-1, resistance_element: Pt100, elements: {elements}}}"
    setup, _ = tank(tmp_path, RESISTANCES, temperature=thermometer)
    assert setup.binding.elements == (Source("R-1", "r1", 75.0, 100.0, 62.5), Source("R-1", "r2", 75.0, 1000.0, 62.5))
    outside = "{instrument: R-1, signal: r1, resistance_element: Pt100}"
    setup, _ = tank(tmp_path, RESISTANCES, ambient=outside)
    assert setup.binding.ambient == Source("R-1", "r1", 75.0, 100.0, 62.5)
    # IEC 60751, table 1: 107.79 ohm is 20 degC.
    assert resistance(20.0, 100.0) == pytest.approx(107.79, abs=0.005)


def test_ages_may_differ_by_one_and_a_half_of_the_longest_period_and_never_by_as_much_as_makes_one_stale(
    tmp_path: Path,
) -> None:
    assert plan_of(tmp_path).age_difference_limit_s == 60.0
    elements = "{instrument: R-1, resistance_element: Pt100, elements: [{signal: r1, height: 1 m}]}"
    setup, _ = tank(tmp_path, RESISTANCES, temperature=elements)
    assert setup.plan.age_difference_limit_s == 60.0
    setup, _ = tank(tmp_path, RESISTANCES.replace("25 s", "60 s"), temperature=elements)
    assert setup.plan.age_difference_limit_s == 90.0
    assert {source.stale_after_s for source in setup.binding.elements} == {180.0}
    pressure = RESISTANCES + "      p: {table: input_registers, address: 9, type: uint16, unit: kPa}\n"
    density = "{instrument: R-1, signal: p, nozzle_height: 0.5 m, in_use: no}"
    setup, _ = tank(tmp_path, pressure.replace("25 s", "80 s"), measured_density=density)
    assert setup.plan.age_difference_limit_s == 120.0
    # A vapour pressure that no density rests on does not count.
    setup, _ = tank(tmp_path, pressure.replace("25 s", "80 s"), vapour_pressure="{instrument: R-1, signal: p}")
    assert setup.plan.age_difference_limit_s == 60.0


def test_the_sphere_of_a_site_file_is_the_closed_form(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, shape="{kind: sphere, diameter: 14 m}")
    assert plan.full_volume_m3 == pytest.approx(math.pi * 14.0**3 / 6.0, rel=1e-14)
