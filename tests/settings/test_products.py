"""Each product of a site file becomes the method that its words say, with its range, rounding and weight in air."""

from pathlib import Path

import pytest

from gateway.binding import ManualValue
from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.ethanol import EthanolWater, ethanol_density
from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.calculation.methods.fatty_oil import LitreWeightMoved, LitreWeightTable
from gateway.calculation.methods.lpg import LpgCorrection
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.methods.rounding import API_2004, TABLES_1980_60F, TP_27, RoundedCorrection
from gateway.calculation.methods.solution import SolutionDensity
from gateway.calculation.methods.tabulated import Interpolation, TabulatedDensity
from gateway.calculation.methods.water import Water, WaterEquation
from gateway.calculation.plan import AirBuoyancy, AirConvention
from gateway.calculation.quantities.mass import air_from_vacuo_density
from gateway.errors import SettingsError
from gateway.settings.products.models import METHODS
from tests.settings.yard import PARTS, load, product, tank

SAMPLE = "entered: 2026-11-20T06:00Z, expires: 31 d"

INSTRUMENTS = f"include_from: {PARTS}\ninclude: [{PARTS}/instruments.yaml]\n"


def of(folder: Path, text: str, **keys: str) -> CorrectionMethod:
    return product(folder, text, **keys).plan.product.method


def sample(density: str) -> str:
    return f"{{value: {density}, {SAMPLE}}}"


@pytest.mark.parametrize(
    ("text", "expected", "density"),
    [
        (
            "method: api_11_1_1980, group: refined, reference_temperature: 15 degC",
            Petroleum1980Correction(PetroleumGroup.REFINED, Table1980.DENSITY_15C),
            "838 kg/m3",
        ),
        (
            "method: api_11_1_1980, group: crude, reference_temperature: 20 degC, table: 60, cold_extension: yes",
            Petroleum1980Correction(PetroleumGroup.CRUDE, Table1980.DENSITY_20C, None, True),
            "838 kg/m3",
        ),
        (
            "method: api_11_1_1980, group: lubricating, reference_temperature: 60 degF, table: 6",
            Petroleum1980Correction(PetroleumGroup.LUBRICATING, Table1980.API_60F),
            "30 degAPI",
        ),
        (
            "method: api_11_1_1980, group: special, reference_temperature: 60 degF, table: 24, expansion: 0.0005 /degF",
            Petroleum1980Correction(PetroleumGroup.SPECIAL, Table1980.RELATIVE_60F, 0.0009),
            "0.8 SG",
        ),
        ("method: lpg_tp27, reference_temperature: 60 degF", LpgCorrection(REFERENCE_60F_C), "0.5070 SG"),
        ("method: lpg_tp27, reference_temperature: 20 degC", LpgCorrection(20.0), "500 kg/m3"),
        (
            "method: expansion_coefficient, expansion: 0.0005 /degC, reference_temperature: 20 degC, lowest: 5 degC, "
            "highest: 60 degC",
            ExpansionCoefficient(0.0005, 20.0, 5.0, 60.0),
            "900 kg/m3",
        ),
        ("method: ethanol_oiml_r22", EthanolWater(None, 20.0), "900 kg/m3"),
        (
            "method: ethanol_oiml_r22, strength_by_mass: 94 %, reference_temperature: 15 degC",
            EthanolWater(0.94, 15.0),
            None,
        ),
        ("method: water", Water(WaterEquation.TANAKA), None),
        (
            "method: water, equation: kell, reference_temperature: 15 degC",
            Water(WaterEquation.KELL, 15.0),
            None,
        ),
        (
            "method: fatty_oil, source: laboratory, litre_weight: {temperature: 50 degC, weight: 0.892 kg/L}",
            LitreWeightMoved(892.0, 50.0, "laboratory"),
            None,
        ),
        (
            "method: fatty_oil, source: laboratory, litre_weight: {temperature: 50 degC, weight: 0.892 kg/L, "
            "slope: -0.00067 kg/L/degC, span: 9 degF}",
            LitreWeightMoved(892.0, 50.0, "laboratory", 0.67, 5.0),
            None,
        ),
        (
            "method: fatty_oil, source: contract, nearest_row: yes, litre_weights: "
            "[{temperature: 30 degC, weight: 0.903 kg/L}, {temperature: 40 degC, weight: 0.8964 kg/L}]",
            LitreWeightTable((30.0, 40.0), (903.0, 896.4), "contract", True),
            None,
        ),
        (
            "method: density_against_temperature, source: laboratory, interpolation: monotone_cubic, points: "
            "[{temperature: 10 degC, density: 910 kg/m3}, {temperature: 20 degC, density: 902 kg/m3}, "
            "{temperature: 30 degC, density: 895 kg/m3}]",
            TabulatedDensity(
                (10.0, 20.0, 30.0), (910.0, 902.0, 895.0), "laboratory", None, Interpolation.MONOTONE_CUBIC
            ),
            None,
        ),
        (
            "method: density_against_temperature, source: Kell (1975), may_rise: yes, points: "
            "[{temperature: 0 degC, density: 999.84 kg/m3}, {temperature: 4 degC, density: 999.97 kg/m3}]",
            TabulatedDensity((0.0, 4.0), (999.84, 999.97), "Kell (1975)", may_rise=True),
            None,
        ),
        (
            "method: density_of_solution, source: laboratory, mass_fraction: 1 %, may_rise: yes, "
            "temperatures: [0 degC, 4 degC], rows: [{mass_fraction: 0 %, densities: [999.84 kg/m3, 999.97 kg/m3]}, "
            "{mass_fraction: 2 %, densities: [1015 kg/m3, 1015.1 kg/m3]}]",
            SolutionDensity(
                (0.0, 0.02), (0.0, 4.0), ((999.84, 999.97), (1015.0, 1015.1)), "laboratory", 0.01, may_rise=True
            ),
            None,
        ),
    ],
)
def test_the_words_become_the_method(
    tmp_path: Path, text: str, expected: CorrectionMethod, density: str | None
) -> None:
    keys = {} if density is None else {"density": sample(density)}
    setup = product(tmp_path, text, **keys)
    assert setup.plan.product.method == expected
    assert (setup.binding.reference_density is None) == (density is None)


def test_strength_by_volume_is_not_by_mass(tmp_path: Path) -> None:
    """OIML R 22, table IIIb (from memory): 96 % by volume is 807.42 kg/m3 at 20 degC."""
    method = of(tmp_path, "method: ethanol_oiml_r22, strength_by_volume: 96 %")
    assert isinstance(method, EthanolWater)
    assert method.mass_fraction is not None
    assert ethanol_density(method.mass_fraction, 20.0) == pytest.approx(807.42, abs=0.015)
    assert 0.93 < method.mass_fraction < 0.95


def test_a_solution_by_its_own_rows_and_by_a_table_of_the_program(tmp_path: Path) -> None:
    rows = "[{mass_fraction: 20 %, densities: [1152 kg/m3, 1143 kg/m3]}, "
    rows += "{mass_fraction: 26 %, densities: [1202 kg/m3, 1192 kg/m3]}]"
    text = f"method: density_of_solution, source: laboratory, temperatures: [10 degC, 30 degC], rows: {rows}"
    setup = product(tmp_path, f"{text}, mass_fraction: 23 %")
    assert setup.plan.product.method == SolutionDensity(
        (0.20, 0.26), (10.0, 30.0), ((1152.0, 1143.0), (1202.0, 1192.0)), "laboratory", 0.23
    )
    assert setup.plan.product.solute_fraction == 0.23
    method = of(
        tmp_path,
        "method: density_of_solution, table: products/grids/caustic_soda.yaml, reference_temperature: 20 degC",
        density=sample("1500 kg/m3"),
    )
    assert isinstance(method, SolutionDensity)
    assert (method.mass_fraction, method.reference_temperature_c, method.needs_density) == (None, 20.0, True)
    # International Critical Tables III (1928) p. 79: 50 % at 20 degC is 1525.3 kg/m3.
    assert method.density_at(0.50, 20.0) == pytest.approx(1525.3)


def test_a_table_counts_from_the_file_that_names_it(tmp_path: Path) -> None:
    grid = """
products:
  g:
    method: density_of_solution
    source: works
    temperatures: [10 degC, 30 degC]
    rows:
      - {mass_fraction: 10 %, densities: [1050 kg/m3, 1045 kg/m3]}
      - {mass_fraction: 20 %, densities: [1100 kg/m3, 1092 kg/m3]}
"""
    (tmp_path / "grid.yaml").write_text(grid, encoding="utf-8")
    method = of(tmp_path, "method: density_of_solution, table: grid.yaml, mass_fraction: 10 %")
    assert isinstance(method, SolutionDensity)
    assert method.source == "works"
    for wrong, message in (
        (grid.replace("temperatures", "temperature"), "grid.yaml:6: products.g.temperature: unknown key; did you mean"),
        (grid + "  h: {method: water}\n", "grid.yaml:2: products: holds 2 products; give one product by"),
        ("products: [\n", "grid.yaml:2: is not valid YAML"),
        ("products:\n  g: {method: density_of_solution, table: x.yaml}\n", "grid.yaml:2: products.g: holds no rows"),
        (f"{grid}    rows: []\n", "grid.yaml:10: products.g.rows: is already given in line 7"),
    ):
        (tmp_path / "grid.yaml").write_text(wrong, encoding="utf-8")
        with pytest.raises(SettingsError) as caught:
            of(tmp_path, "method: density_of_solution, table: grid.yaml, mass_fraction: 10 %")
        assert any(message in mistake for mistake in caught.value.mistakes), caught.value.mistakes


def test_rounding_is_that_of_the_site_or_of_the_product(tmp_path: Path) -> None:
    site = f"{INSTRUMENTS}site: {{name: yard, time_zone: UTC, rounding: standard}}\n"
    diesel = "method: api_11_1_2004, group: refined, reference_temperature: 15 degC"
    plain = PetroleumCorrection(PetroleumGroup.REFINED, 15.0)

    def method(text: str, at: str = site, density: str = "838 kg/m3") -> CorrectionMethod:
        return product(tmp_path, text, at, density=sample(density)).plan.product.method

    assert method(diesel) == RoundedCorrection(plain, API_2004)
    assert method(f"{diesel}, rounding: none") == plain
    quiet = site.replace(", rounding: standard", "")
    assert method(diesel, quiet) == plain
    assert method(f"{diesel}, rounding: standard", quiet) == RoundedCorrection(plain, API_2004)
    old = method("method: api_11_1_1980, group: refined, reference_temperature: 60 degF, table: 6")
    assert isinstance(old, RoundedCorrection)
    assert old.rule == TABLES_1980_60F
    gas = method("method: lpg_tp27, reference_temperature: 15 degC", density="510 kg/m3")
    assert isinstance(gas, RoundedCorrection)
    assert gas.rule == TP_27
    # A method without a rule of its own is left as it is where the site asks for rounding.
    text = "method: expansion_coefficient, expansion: 0.0005 /degC, reference_temperature: 20 degC"
    assert method(text) == ExpansionCoefficient(0.0005, 20.0)


def test_weight_in_air_is_that_of_the_site_or_of_the_product(tmp_path: Path) -> None:
    site = f"{INSTRUMENTS}site: {{name: yard, time_zone: UTC, weight_in_air: table_56}}\n"
    text = "method: expansion_coefficient, expansion: 0.0005 /degC, reference_temperature: 20 degC"

    def buoyancy(more: str, at: str = site) -> AirBuoyancy:
        return product(tmp_path, text + more, at, density=sample("900 kg/m3")).plan.buoyancy

    assert buoyancy("") == AirBuoyancy(convention=AirConvention.TABLE_56)
    assert buoyancy(", weight_in_air: density_reduction") == AirBuoyancy(convention=AirConvention.DENSITY_REDUCTION)
    own = ", weight_in_air: {convention: buoyancy, air_density: 1.22 kg/m3, weights_density: 8.1 kg/L}"
    assert buoyancy(own) == AirBuoyancy(1.22, 8100.0)
    assert buoyancy("", site.replace(", weight_in_air: table_56", "")) == AirBuoyancy()


@pytest.mark.parametrize("convention", ["buoyancy", "density_reduction", "table_56"])
def test_a_litre_weight_comes_back_whatever_the_convention(tmp_path: Path, convention: str) -> None:
    """The sheet weighs with the convention from which the density was made, so that t = V x litre weight."""
    text = "method: fatty_oil, source: laboratory, litre_weight: {temperature: 50 degC, weight: 0.892 kg/L}"
    plan = product(tmp_path, f"{text}, weight_in_air: {convention}").plan
    density = plan.product.method.from_reference_density(None).at(50.0, 0.0).observed_density
    assert density is not None
    assert air_from_vacuo_density(density, plan.buoyancy) == pytest.approx(892.0, rel=1e-12)


def test_a_density_at_tank_temperature_is_taken_where_it_fits_somewhere(tmp_path: Path) -> None:
    text = "method: density_of_solution, table: products/grids/caustic_soda.yaml"
    setup = product(tmp_path, text, density=f"{{value: 1490 kg/m3, at: tank, {SAMPLE}}}")
    assert isinstance(setup.binding.observed_density, ManualValue)
    cold = "method: lpg_tp27, reference_temperature: 15 degC"
    setup = product(tmp_path, cold, density=f"{{value: 580 kg/m3, at: tank, {SAMPLE}}}")
    assert setup.binding.observed_density is not None


def test_a_measured_density_in_use_needs_no_entered_one(tmp_path: Path) -> None:
    diesel = "method: api_11_1_2004, group: refined, reference_temperature: 15 degC"
    measured = "{instrument: G-1, signal: pressure, nozzle_height: 0.5 m, in_use: %s}"
    setup = product(tmp_path, diesel, measured_density=measured % "yes")
    assert setup.binding.reference_density is None
    with pytest.raises(SettingsError, match="density: is missing; product other gives no reference_density"):
        product(tmp_path, diesel, measured_density=measured % "no")


def test_every_method_is_shown_in_the_annotated_file(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "config" / "site.yaml").read_text(encoding="utf-8")
    assert [word for word in METHODS if f"method: {word}" not in text] == []


def test_a_time_zone_and_a_latitude(tmp_path: Path) -> None:
    """GRS80 normal gravity at 45 deg, sea level: 9.80620 m/s2 (Moritz 2000); free air takes 3.0877e-6 /s2 per metre."""
    body = f"include_from: {PARTS}\ninclude: [{PARTS}/instruments.yaml, {PARTS}/products.yaml, {PARTS}/tank.yaml]\n"
    found = load(tmp_path, f"{body}site: {{name: yard, time_zone: UTC, latitude: 45 deg, altitude: 1000 m}}\n")
    assert found.tanks[0].plan.gravity_m_s2 == pytest.approx(9.80620 - 0.0030877, abs=5e-6)
    setup, _ = tank(tmp_path)
    assert setup.plan.gravity_m_s2 == 9.80665
