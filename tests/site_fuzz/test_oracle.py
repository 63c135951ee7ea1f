"""The oracle itself against published tables and general-purpose libraries, before it judges anything."""

import math
from dataclasses import replace
from typing import Any

import pytest
from fluids.geometry import TANK

from tests.calculation.golden_values import GoldenRow, golden_rows
from tests.site_fuzz.oracle.by_temperature import by_temperature
from tests.site_fuzz.oracle.corrected import OutsideError
from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.oracle.methods import fix
from tests.site_fuzz.products import Ethanol, Lpg, Method, Petroleum1980, Petroleum2004, Product, WaterItself
from tests.site_fuzz.tanks import End, Shape


def product(method: Method, *, rounded: bool = False) -> Product:
    return Product("", method, "buoyancy", 1.2, 8000.0, rounded, None, -50.0, 150.0, 800.0)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.outside("printed factors of ASTM D1250-80, and of tables that repeat them")
@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "printed_15c"), ids=by_id)
def test_tables_of_1980(row: GoldenRow) -> None:
    celsius = row.number("temperature_c")
    method = Petroleum1980(row.inputs["group"], 54, cold=celsius < -18.0)
    ctl = fix(product(method, rounded=True), row.number("density_15c")).at(celsius, 0.0).ctl
    assert f"{ctl:.4f}" == row.expected


@pytest.mark.outside("printed factors that the 2004 edition repeats to a unit of the fourth decimal")
@pytest.mark.parametrize("row", golden_rows("petroleum_2004.csv", "ctl_15c"), ids=by_id)
def test_edition_of_2004(row: GoldenRow) -> None:
    method = Petroleum2004(row.inputs["group"], 15.0)
    ctl = fix(product(method), row.number("density_15c")).at(row.number("temperature_c"), 0.0).ctl
    assert ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("API MPMS 11.2.1M (1984), which the 2004 edition agrees with")
@pytest.mark.parametrize("row", golden_rows("petroleum_2004.csv", "cpl_15c"), ids=by_id)
def test_compressibility(row: GoldenRow) -> None:
    method = Petroleum2004(row.inputs.get("group", "crude"), 15.0)
    corrected = fix(product(method), row.number("density_15c")).at(
        row.number("temperature_c"), row.number("pressure_kpa") * 1e3
    )
    assert corrected.cpl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("CoolProp: ratios of saturated densities of pure fluids")
@pytest.mark.parametrize("row", golden_rows("lpg.csv", "saturation_ratio"), ids=by_id)
def test_liquefied_gas(row: GoldenRow) -> None:
    fixed = fix(product(Lpg((60.0 - 32.0) / 1.8)), row.number("gamma60") * 999.016)
    ctl = fixed.at((row.number("temperature_f") - 32.0) / 1.8, 0.0).ctl
    assert ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("OIML R 22, table by mass")
@pytest.mark.parametrize("row", golden_rows("ethanol.csv", "by_mass"), ids=by_id)
def test_ethanol(row: GoldenRow) -> None:
    mixture = by_temperature(product(Ethanol(row.number("mass_percent") / 100.0, None, 20.0)))
    assert mixture.density(row.number("temperature_c")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("Tanaka et al. (2001), Kell (1975), IAPWS-95")
@pytest.mark.parametrize("equation", ["tanaka", "kell"])
def test_water(equation: str) -> None:
    for row in golden_rows("water.csv", equation):
        density = by_temperature(product(WaterItself(equation, None))).density(row.number("temperature_c"))
        assert density == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("fluids.geometry.TANK")
@pytest.mark.parametrize("head", ["flat", "hemispherical", "ellipsoidal", "torispherical"])
def test_lying_cylinders(head: str) -> None:
    keys: dict[str, Any] = {}
    if head == "torispherical":
        keys = {"sideA": head, "sideB": head, "sideA_f": 1.0, "sideA_k": 0.06, "sideB_f": 1.0, "sideB_k": 0.06}
    elif head != "flat":
        word, depth = ("spherical", 1.5) if head == "hemispherical" else ("ellipsoidal", 0.75)
        keys = {"sideA": word, "sideB": word, "sideA_a": depth, "sideB_a": depth}
    tank = TANK(D=3.0, L=10.0, horizontal=True, **keys)
    volumes = volumes_of(Shape("lying_cylinder", 3.0, 10.0, head=End(head)))
    for level in (0.05, 0.7, 1.5, 2.2, 2.95, 3.0):
        assert volumes.at(level) == pytest.approx(tank.V_from_h(level), abs=2e-6)


@pytest.mark.outside("fluids.geometry.TANK")
@pytest.mark.parametrize(
    ("bottom", "keys"),
    [
        (End("cone_down", 0.4), {"sideA": "conical", "sideA_a": 0.4}),
        (End("ellipsoidal"), {"sideA": "ellipsoidal", "sideA_a": 1.0}),
        (End("hemispherical"), {"sideA": "spherical", "sideA_a": 2.0}),
        (End("dished", 0.6), {"sideA": "spherical", "sideA_a": 0.6}),
        (End("torispherical"), {"sideA": "torispherical", "sideA_f": 1.0, "sideA_k": 0.06}),
    ],
    ids=lambda value: value.kind if isinstance(value, End) else "",
)
def test_upright_vessels(bottom: End, keys: dict[str, Any]) -> None:
    tank = TANK(D=4.0, L=6.0, horizontal=False, **keys)
    volumes = volumes_of(Shape("standing_vessel", 4.0, 6.0, bottom=bottom))
    for share in (0.02, 0.1, 0.3, 0.8, 1.0):
        assert volumes.at(share * volumes.top) == pytest.approx(tank.V_from_h(share * volumes.top), abs=2e-6)


@pytest.mark.parametrize("head", ["flat", "hemispherical", "ellipsoidal", "torispherical"])
def test_a_slope_moves_volume_and_makes_none(head: str) -> None:
    """Brim-full a sloping vessel holds what the level one does, and a slope of nothing changes nothing."""
    level = Shape("lying_cylinder", 3.0, 10.0, head=End(head))
    whole = volumes_of(level).brim
    assert volumes_of(replace(level, slope=0.05, gauge=4.0)).brim == pytest.approx(whole, rel=1e-10)
    hardly = volumes_of(replace(level, slope=1e-5, gauge=5.0))
    assert hardly.at(1.2) == pytest.approx(volumes_of(level).at(1.2), rel=1e-6)


@pytest.mark.outside("closed forms of solid geometry (handbooks)")
def test_floors() -> None:
    """A coned-up floor takes a third of its cylinder, a plane floor half of it."""
    area = math.pi * 4.0
    assert volumes_of(Shape("upright_cylinder", 4.0, 6.0, bottom=End("cone_up", 0.9))).at(6.0) == pytest.approx(
        area * 5.7
    )
    assert volumes_of(Shape("upright_cylinder", 4.0, 6.0, bottom=End("sloped", 0.9))).at(6.0) == pytest.approx(
        area * 5.55
    )


def test_beyond_its_limits_a_method_gives_nothing() -> None:
    with pytest.raises(OutsideError):
        fix(product(Petroleum2004("refined", 15.0)), 500.0)
    with pytest.raises(OutsideError):
        fix(product(Petroleum2004("refined", 15.0)), 800.0).at(151.0, 0.0)
    with pytest.raises(OutsideError):
        fix(product(Lpg(15.0)), 507.0).at(97.0, 0.0)
