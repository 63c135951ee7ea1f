"""Zones and adjustment of a floating roof against hand arithmetic after API MPMS 12.1.1."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.quantities.floating_roof import (
    roof_adjustment,
    roof_adjustment_per_degree_api,
    roof_zone,
)
from gateway.errors import LimitError
from gateway.states import RoofZone
from tests.calculation.golden_values import GoldenRow, golden_rows

MASSES = st.floats(0.0, 1e6)
DENSITIES = st.floats(500.0, 1200.0)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("floating_roof.csv", "adjustment"), ids=by_id)
def test_adjustment(row: GoldenRow) -> None:
    table_density = row.number("table_density") if "table_density" in row.inputs else None
    found = roof_adjustment(row.number("mass"), row.number("density"), table_density)
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("floating_roof.csv", "per_degree_api"), ids=by_id)
def test_per_degree_api(row: GoldenRow) -> None:
    found = roof_adjustment_per_degree_api(row.number("observed"), row.number("table"), row.number("volume_per_degree"))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("floating_roof.csv", "zone"), ids=by_id)
def test_zone(row: GoldenRow) -> None:
    assert roof_zone(row.number("level"), row.number("low"), row.number("high")) == RoofZone(row.expected)


def test_limits_belong_to_the_critical_zone() -> None:
    assert roof_zone(1.6, 1.6, 2.0) is RoofZone.CRITICAL
    assert roof_zone(2.0, 1.6, 2.0) is RoofZone.CRITICAL


@given(millimetres=st.integers(500, 20_000), touch=st.sampled_from([1000.0, 0.001]))
def test_a_level_that_stands_on_a_limit_in_decimals_is_in_the_zone(millimetres: int, touch: float) -> None:
    """2280 counts of 0.001 m are 2.2800000000000002 m: that passed for afloat, Good, with the gauge on the border."""
    limit_m = float(f"{millimetres / 1000:.3f}")
    level_m = millimetres / touch if touch > 1.0 else millimetres * touch
    assert roof_zone(level_m, limit_m, limit_m + 0.5) is RoofZone.CRITICAL
    assert roof_zone(level_m, limit_m - 0.4, limit_m) is RoofZone.CRITICAL
    assert roof_zone(level_m + 0.001, limit_m - 0.4, limit_m) is RoofZone.FLOATING
    assert roof_zone(level_m - 0.001, limit_m, limit_m + 0.5) is RoofZone.LANDED


@given(mass=MASSES, density=DENSITIES, table=DENSITIES)
def test_a_table_that_deducts_differs_by_what_it_deducts(mass: float, density: float, table: float) -> None:
    whole = roof_adjustment(mass, density)
    rest = roof_adjustment(mass, density, table)
    assert whole <= 0.0
    assert rest == pytest.approx(whole + mass / table, abs=1e-9)
    assert rest == 0.0 if density == table else (rest >= 0.0) == (density >= table) or mass < 1e-9


def test_per_degree_form_agrees_with_the_density_form_near_the_table() -> None:
    # One degree API of a 50 t roof in barrels, from its definition 141.5 / SG - 131.5 (API MPMS 11.1).
    def density(api: float) -> float:
        return 999.016 * 141.5 / (api + 131.5)

    barrel = 0.158987294928
    per_degree = 50_000.0 / (999.016 * 141.5) / barrel
    by_density = roof_adjustment(50_000.0, density(36.0), density(35.0)) / barrel
    assert roof_adjustment_per_degree_api(36.0, 35.0, per_degree) == pytest.approx(by_density, rel=1e-12)


@pytest.mark.parametrize(
    ("mass", "density", "table", "what"),
    [
        (-1.0, 800.0, None, "roof mass"),
        (math.nan, 800.0, None, "roof mass"),
        (1.0, 0.0, None, "density at tank temperature"),
        (1.0, 800.0, 0.0, "density of the table's roof"),
    ],
)
def test_refuses(mass: float, density: float, table: float | None, what: str) -> None:
    with pytest.raises(LimitError, match=what):
        roof_adjustment(mass, density, table)


def test_refuses_a_level_that_is_no_number_and_limits_out_of_order() -> None:
    with pytest.raises(LimitError, match="level nan m is not a number"):
        roof_zone(math.nan, 1.6, 2.0)
    with pytest.raises(LimitError, match=r"lower limit of the critical zone 2 m is above the upper limit, 1\.6 m"):
        roof_zone(1.0, 2.0, 1.6)


@pytest.mark.parametrize(
    ("observed", "table", "per"), [(math.nan, 35, 1), (36, 201, 1), (36, 35, -1), (36, 35, math.inf)]
)
def test_per_degree_form_refuses(observed: float, table: float, per: float) -> None:
    with pytest.raises(LimitError, match="floating roof adjustment"):
        roof_adjustment_per_degree_api(observed, table, per)
