"""What a site file says of vapour, of the pressure above a liquid, and of limits as parts of the capacity."""

import math
from pathlib import Path

import jsonschema
import pytest

from gateway.calculation.methods.lpg import REFERENCE_FLUIDS, WATER_60F
from gateway.calculation.plan import PressurePlan, TankPlan, VapourPlan, VapourPressurePlan
from gateway.calculation.vapour.mixture import COMPONENTS, LIQUID_DENSITY_60F
from gateway.errors import SettingsError
from gateway.settings import site_schema
from gateway.settings.reading.document import read_document
from tests.commands.typed import typed
from tests.settings.yard import SITE, load, tank

PRESSURE = "{instrument: G-1, signal: pressure}"
SAMPLE = "{value: 541 kg/m3, entered: 2026-11-20T06:00Z, expires: 31 d}"
LPG = f"method: lpg_tp27, reference_temperature: 15 degC, reference_density: {SAMPLE}"
MOLES = "composition: {propane: 60 %, n-butane: 40 %}, basis: mole"


def lpg_tank(folder: Path, own: str | None, **keys: str) -> tuple[TankPlan, tuple[str, ...]]:
    """TK-1 with a product whose `vapour_pressure` is `own`."""
    product = LPG if own is None else f"{LPG}, vapour_pressure: {{{own}}}"
    setup, warnings = tank(folder, f"products:\n  other: {{{product}}}\n", SITE, product="other", **keys)
    return setup.plan, warnings


def own_of(folder: Path, own: str) -> VapourPressurePlan:
    found = lpg_tank(folder, own)[0].product.vapour_pressure
    assert found is not None
    return found


def test_a_composition_by_mole_mass_or_volume_is_one_and_the_same(tmp_path: Path) -> None:
    # 0.6 x 44.0956 = 26.457 and 0.4 x 58.1222 = 23.249 g: 53.226 % and 46.774 %. Those over 506.5 and 583.6 kg/m3 are
    # 0.105086 and 0.080147 L: 56.732 % and 43.268 %.
    by_mole = own_of(tmp_path, MOLES)
    by_mass = own_of(tmp_path, "composition: {propane: 53.226 %, n-butane: 46.774 %}, basis: mass")
    by_volume = own_of(tmp_path, "composition: {propane: 56.732 %, n-butane: 43.268 %}, basis: volume")
    for other in (by_mass, by_volume):
        assert other.curve.pressure(20.0) == pytest.approx(by_mole.curve.pressure(20.0), rel=2e-5)
    wrong = own_of(tmp_path, "composition: {propane: 60 %, n-butane: 40 %}, basis: mass")
    assert wrong.curve.pressure(20.0) > 1.05 * by_mole.curve.pressure(20.0)
    assert by_mole.curve.components == (COMPONENTS["propane"], COMPONENTS["n-butane"])
    assert (by_mole.band, by_mole.least_band_pa) == (0.15, 50e3)


def test_liquid_densities_are_those_of_tp_27() -> None:
    reference = {fluid.name: fluid.gamma * WATER_60F for fluid in REFERENCE_FLUIDS}
    for name, density in LIQUID_DENSITY_60F.items():
        if name != "propylene":
            assert density == pytest.approx(reference[name], abs=0.05), name
    assert set(LIQUID_DENSITY_60F) == set(COMPONENTS)


@pytest.mark.outside("CoolProp 8.0.0: saturated liquids at 60 degF")
@pytest.mark.parametrize(
    ("name", "theirs"), [("propylene", "Propylene"), ("propane", "Propane"), ("n-butane", "n-Butane")]
)
def test_liquid_densities(name: str, theirs: str) -> None:
    from CoolProp.CoolProp import PropsSI

    assert LIQUID_DENSITY_60F[name] == pytest.approx(PropsSI("D", "T", 288.70556, "Q", 0, theirs), rel=6e-4)


def test_points_are_absolute_pressures(tmp_path: Path) -> None:
    points = "points: [{temperature: 0 degC, pressure: 1.03 bara}, {temperature: 100 degF, pressure: 51.7 psia}]"
    own = own_of(tmp_path, f"{points}, source: handbook, band: 10 %, least_band: 20 kPa")
    assert own.curve.pressures_pa == pytest.approx((103e3, 356_459.0), abs=1.0)
    assert own.curve.temperatures_c == pytest.approx((0.0, 37.7778), abs=1e-4)
    assert (own.band, own.least_band_pa) == (0.10, 20e3)
    assert own.curve.components == ()


def test_a_pressure_that_nothing_bears_out_is_warned_of(tmp_path: Path) -> None:
    keys = {"vapour_pressure": PRESSURE, "vapour": "{component: propane}"}
    _, warnings = lpg_tank(tmp_path, None, **keys)
    (warning,) = warnings
    assert warning.endswith(
        "tanks.TK-1.vapour_pressure: cannot be compared with anything, so a closed isolating valve would not be seen; "
        "give product other a vapour_pressure"
    )
    assert lpg_tank(tmp_path, MOLES, **keys)[1] == ()
    # Nothing rests on the pressure beside a stated density.
    assert lpg_tank(tmp_path, None, vapour_pressure=PRESSURE, vapour="{density: 13.7 kg/m3}")[1] == ()
    assert lpg_tank(tmp_path, None, vapour_pressure=PRESSURE)[1] == ()


def test_a_molar_mass_alone_is_warned_of(tmp_path: Path) -> None:
    keys = {"vapour_pressure": PRESSURE, "vapour": "{molar_mass: 46.4 g/mol}"}
    points = (
        "points: [{temperature: 0 degC, pressure: 300 kPa}, {temperature: 40 degC, pressure: 900 kPa}], source: lab"
    )
    plan, warnings = lpg_tank(tmp_path, points, **keys)
    (warning,) = warnings
    assert "tanks.TK-1.vapour.molar_mass: is given without compressibility, which is then taken as 1" in warning
    assert warning.endswith("give it, or product other a vapour_pressure.composition")
    assert plan.vapour == VapourPlan(None, 0.0464)
    # The composition gives the factor, and so does the file.
    assert lpg_tank(tmp_path, MOLES, **keys)[1] == ()
    keys["vapour"] = "{molar_mass: 46.4 g/mol, compressibility: 0.86}"
    assert lpg_tank(tmp_path, points, **keys)[1] == ()


def test_vapour_over_the_composition(tmp_path: Path) -> None:
    keys = {"vapour_pressure": PRESSURE, "vapour": "{equilibrium: yes, atmospheric_pressure: 95 kPa}"}
    plan, warnings = lpg_tank(tmp_path, MOLES, **keys)
    assert plan.vapour == VapourPlan(None, None, None, 95e3, equilibrium=True)
    assert warnings == ()


def test_a_padded_vessel_needs_no_transmitter_where_the_product_gives_its_pressure(tmp_path: Path) -> None:
    plan, warnings = lpg_tank(tmp_path, MOLES, blanketed="yes", vapour="{equilibrium: yes}")
    assert plan.blanketed
    assert plan.vapour == VapourPlan(equilibrium=True)
    assert warnings == ()
    with pytest.raises(SettingsError, match="needs vapour_pressure, the instrument that measures it"):
        lpg_tank(tmp_path, MOLES, vapour="{equilibrium: yes}")


def test_the_air_counts_beside_a_stated_density_where_the_pressure_is_compared(tmp_path: Path) -> None:
    keys = {"vapour_pressure": PRESSURE, "vapour": "{density: 13.7 kg/m3, atmospheric_pressure: 80 kPa}"}
    assert lpg_tank(tmp_path, MOLES, **keys)[0].vapour == VapourPlan(13.7, atmospheric_pa=80e3)


def test_the_transmitter(tmp_path: Path) -> None:
    assert lpg_tank(tmp_path, None)[0].pressure == PressurePlan(500e3, 5e3)
    text = "{instrument: G-1, signal: pressure, greatest: 200 mbar, zero_error: 50 Pa}"
    assert lpg_tank(tmp_path, None, vapour_pressure=text)[0].pressure == PressurePlan(20e3, 50.0)


LIMITS = "{minimum: 5 %, maximum_working: 80 %, high_high: 83 %, critical_high: 85 %}"


def levels_of(plan: TankPlan) -> tuple[float | None, ...]:
    found = plan.limits
    return found.minimum_m, found.maximum_working_m, found.high_high_m, found.critical_high_m


@pytest.mark.parametrize("heel_m3", [0.0, 100.0])
def test_limits_as_parts_of_the_capacity(tmp_path: Path, heel_m3: float) -> None:
    shape = f"{{kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m, heel: {heel_m3} m3}}"
    plan = tank(tmp_path, shape=shape, limits=LIMITS)[0].plan
    # What is full at 14.6 m holds the heel too: a part of all, less the heel, over the area of the shell.
    area = math.pi * 81.0
    expected = tuple((part * (area * 14.6 + heel_m3) - heel_m3) / area for part in (0.05, 0.80, 0.83, 0.85))
    assert levels_of(plan) == pytest.approx(expected, abs=1e-9)
    assert plan.maximum_working_volume_m3 == pytest.approx(0.8 * plan.full_volume_m3, rel=1e-12)
    assert plan.minimum_volume_m3 == pytest.approx(0.05 * plan.full_volume_m3, rel=1e-12)


@pytest.mark.outside("fluids 1.x, geometry of tanks: a lying cylinder with 2:1 heads")
def test_limits_as_parts_of_a_bullet(tmp_path: Path) -> None:
    from fluids.geometry import TANK

    shape = "{kind: lying_cylinder, diameter: 3.000 m, tangent_length: 18.000 m, head: ellipsoidal}"
    plan = tank(tmp_path, shape=shape, limits=LIMITS)[0].plan
    bullet = TANK(D=3.0, L=18.0, horizontal=True, sideA="ellipsoidal", sideB="ellipsoidal", sideA_a=0.75, sideB_a=0.75)
    for level, part in zip(levels_of(plan), (0.05, 0.80, 0.83, 0.85), strict=True):
        assert level is not None
        assert bullet.V_from_h(level) == pytest.approx(part * bullet.V_total, rel=1e-7)
    # As the demo site has them: 80 % at 2.232 m, 85 % at 2.372 m.
    assert (plan.limits.maximum_working_m, plan.limits.critical_high_m) == pytest.approx((2.232, 2.372), abs=5e-4)


def test_both_ways_stand_together(tmp_path: Path) -> None:
    setup, _ = tank(tmp_path, limits="{minimum: 0.900 m, maximum_working: 85 %}")
    assert setup.plan.limits.minimum_m == 0.9
    assert setup.plan.limits.maximum_working_m == pytest.approx(12.41)
    assert setup.remarks == ("tanks.TK-1.limits.maximum_working: 85 % (12.410 m)",)


def test_check_shows_parts_of_the_capacity_as_levels(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "check", "config/examples/propane_sphere.yaml")
    assert said.code == 0
    assert said.out.splitlines() == [
        "tanks.S-1.limits.maximum_working: 80 % (9.980 m)",
        "tanks.S-1.limits.high_high: 83 % (10.332 m)",
        "tanks.S-1.limits.critical_high: 85 % (10.578 m)",
        "alarms are shown, published and measured, and nobody is called: `delivery: {mail: ...}` or `webhook` would",
        "well: 1 tank, 1 instrument on 1 line",
    ]
    document = typed(capsys, "check", "config/examples/propane_sphere.yaml", "--json").document
    assert document["remarks"] == said.out.splitlines()[:4]


def test_a_part_of_a_capacity_that_is_not_known_hides_no_other_mistake(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        tank(tmp_path, capacity_table="none.csv", limits="{maximum_working: 85 %, high_high: 9 m, critical_high: 8 m}")
    assert any("there is no file" in line for line in caught.value.mistakes)
    assert any("8 m is not above high_high, 9 m" in line for line in caught.value.mistakes)


def test_the_schema_takes_what_the_program_takes(tmp_path: Path) -> None:
    tank_text = """
tanks:
  TK-1:
    product: other
    shape: {kind: sphere, diameter: 14.000 m}
    reference_height: 14.000 m
    level: {instrument: G-1, signal: innage, measures: innage}
    free_water: none
    vapour_pressure: {instrument: G-1, signal: pressure, greatest: 18 bar, zero_error: 5 kPa}
    vapour: {equilibrium: yes}
    limits: {minimum: 0.5 m, maximum_working: 85 %}
"""
    own = f"vapour_pressure: {{{MOLES}, band: 12 %, least_band: 40 kPa}}"
    load(tmp_path, f"{SITE}products:\n  other: {{{LPG}, {own}}}\n{tank_text}")
    document, _ = read_document(tmp_path / "site.yaml", {})
    jsonschema.Draft202012Validator(site_schema()).validate(document.data(()))
