"""The product tables in config/products: every entry can be used, and agrees with handbooks it was not made from."""

from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml

from gateway.calculation.methods.solution import SolutionDensity
from gateway.calculation.methods.tabulated import LinearDensity, TabulatedDensity
from gateway.calculation.vapour.pressure_curve import VapourPressureCurve
from gateway.errors import LimitError
from gateway.settings.products.models import TabulatedProduct
from gateway.units.quantity import Dimension, parse_quantity
from tests.calculation.golden_values import GoldenRow, golden_rows

FOLDER = Path(__file__).parents[2] / "config" / "products"
TABLES = "density_against_temperature"


def entries(path: Path) -> dict[str, dict[str, Any]]:
    # Scalars as text, as the site file's own reader takes them.
    with path.open(encoding="utf-8") as stream:
        content: dict[str, dict[str, dict[str, Any]]] = yaml.load(stream, Loader=yaml.BaseLoader)
    assert set(content) == {"products"}, path
    return content["products"]


@cache
def methods() -> dict[str, LinearDensity | TabulatedDensity]:
    found: dict[str, LinearDensity | TabulatedDensity] = {}
    for path in sorted(FOLDER.glob("*.yaml")):
        for name, entry in entries(path).items():
            if entry["method"] != TABLES:
                continue
            assert name not in found, f"{name} stands in two files"
            method = TabulatedProduct.model_validate(entry).correction()
            assert isinstance(method, LinearDensity | TabulatedDensity)
            found[name] = method
    return found


def caustic() -> SolutionDensity:
    entry = entries(FOLDER / "grids" / "caustic_soda.yaml")["caustic_soda"]
    rows = entry["rows"]
    return SolutionDensity(
        tuple(parse_quantity(row["mass_fraction"], Dimension.RATIO) for row in rows),
        tuple(parse_quantity(text, Dimension.TEMPERATURE) for text in entry["temperatures"]),
        tuple(tuple(parse_quantity(text, Dimension.DENSITY) for text in row["densities"]) for row in rows),
        entry["source"],
    )


def by_id(row: GoldenRow) -> str:
    return row.id


def test_there_are_tables_for_the_trades() -> None:
    wanted = {"caustic_soda_50", "sulphuric_acid_98", "ethylene_glycol_50", "uan_28", "toluene", "palm_oil", "ammonia"}
    assert wanted <= set(methods())


@pytest.mark.parametrize("name", sorted(methods()))
def test_each_falls_with_temperature_and_names_its_source(name: str) -> None:
    method = methods()[name]
    assert len(method.source) > 20
    if isinstance(method, TabulatedDensity):
        assert all(after < before for before, after in pairwise(method.densities))
        lowest, highest = method.temperatures_c[0], method.temperatures_c[-1]
    else:
        assert method.slope_per_c < 0.0
        lowest, highest = method.lowest_c, method.highest_c
    # Liquids expand by 0.02 to 0.3 % per degC.
    expansion = (method.density_at(lowest) / method.density_at(highest) - 1.0) / (highest - lowest)
    assert 2e-4 < expansion < 4e-3
    for outside in (lowest - 0.1, highest + 0.1):
        with pytest.raises(LimitError, match="liquid temperature"):
            method.at(outside, 0.0)


@pytest.mark.parametrize("row", golden_rows("chemicals.csv", "density"), ids=by_id)
def test_density_against_a_handbook(row: GoldenRow) -> None:
    density = methods()[row.inputs["product"]].density_at(row.number("temperature_c"))
    assert density == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("chemicals.csv", "expansion"), ids=by_id)
def test_expansion_against_a_handbook(row: GoldenRow) -> None:
    method, temperature = methods()[row.inputs["product"]], row.number("temperature_c")
    slope = (method.density_at(temperature + 5.0) - method.density_at(temperature - 5.0)) / 10.0
    assert -slope / method.density_at(temperature) == pytest.approx(row.value, abs=row.tolerance)


def curves() -> dict[str, VapourPressureCurve]:
    """The vapour pressure curves that come with products."""
    found: dict[str, VapourPressureCurve] = {}
    for path in sorted(FOLDER.glob("*.yaml")):
        for name, entry in entries(path).items():
            points = entry.get("vapour_pressure", {}).get("points", ())
            if points:
                at = tuple(parse_quantity(point["temperature"], Dimension.TEMPERATURE) for point in points)
                pressures = tuple(parse_quantity(point["pressure"], Dimension.ABSOLUTE_PRESSURE) for point in points)
                found[name] = VapourPressureCurve(at, pressures, entry["vapour_pressure"]["source"])
    return found


@pytest.mark.parametrize("name", sorted(curves()))
def test_a_vapour_pressure_reaches_as_far_as_the_density(name: str) -> None:
    curve, method = curves()[name], methods()[name]
    assert isinstance(method, TabulatedDensity)
    assert (curve.temperatures_c[0], curve.temperatures_c[-1]) == (method.temperatures_c[0], method.temperatures_c[-1])


@pytest.mark.outside("CoolProp 8.0.0, between the points of each vapour pressure curve")
@pytest.mark.parametrize("name", sorted(curves()))
def test_a_vapour_pressure_between_its_points(name: str) -> None:
    from CoolProp.CoolProp import PropsSI

    curve = curves()[name]
    fluid = curve.source.rpartition(" ")[2]
    for below, above in pairwise(curve.temperatures_c):
        middle = (below + above) / 2.0
        assert curve.pressure(middle) == pytest.approx(PropsSI("P", "T", middle + 273.15, "Q", 0, fluid), rel=2e-3)


@pytest.mark.parametrize("row", golden_rows("vapour.csv", "product_curve"), ids=by_id)
def test_vapour_pressure_against_a_handbook(row: GoldenRow) -> None:
    found = curves()[row.inputs["product"]].pressure(row.number("temperature_c"))
    assert found == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("chemicals.csv", "caustic_grid"), ids=by_id)
def test_caustic_soda_by_concentration(row: GoldenRow) -> None:
    """Rows of one handbook between the rows of the other."""
    grid, fraction, temperature = caustic(), row.number("mass_fraction"), row.number("temperature_c")
    assert grid.density_at(fraction, temperature) == pytest.approx(row.value, abs=row.tolerance)
    found = grid.from_observed_density(row.value, temperature, 0.0).mass_fraction
    assert found == pytest.approx(fraction, abs=7e-4)
