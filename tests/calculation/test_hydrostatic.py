"""Level from pressure, density from pressure, and gravity."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.level.hydrostatic import (
    Surroundings,
    WaterLayer,
    air_density,
    density_from_pressure,
    level_from_pressure,
    normal_gravity,
)
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

G = 9.80665
DENSITIES = st.floats(400.0, 2000.0)
SURROUNDINGS = st.builds(
    Surroundings,
    vapour_transmitter_height_m=st.floats(15.0, 25.0),
    vapour_density_kg_m3=st.floats(0.0, 20.0),
    air_density_kg_m3=st.floats(0.0, 1.3),
)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "density"), ids=by_id)
def test_density(row: GoldenRow) -> None:
    found = density_from_pressure(row.number("head"), row.number("level"), row.number("nozzle"), row.number("gravity"))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "level"), ids=by_id)
def test_level(row: GoldenRow) -> None:
    found = level_from_pressure(row.number("head"), row.number("density"), row.number("nozzle"), row.number("gravity"))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "vented_level"), ids=by_id)
def test_level_of_a_vented_tank(row: GoldenRow) -> None:
    around = Surroundings(20.0, row.number("air"), row.number("air"))
    found = level_from_pressure(
        row.number("head"), row.number("density"), row.number("nozzle"), row.number("gravity"), around
    )
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "air"), ids=by_id)
def test_air(row: GoldenRow) -> None:
    assert air_density(row.number("altitude")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "gravity"), ids=by_id)
def test_gravity(row: GoldenRow) -> None:
    found = normal_gravity(row.number("latitude"), row.number("altitude"))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("hydrostatic.csv", "minimum_head"), ids=by_id)
def test_minimum_head(row: GoldenRow) -> None:
    with pytest.raises(LimitError) as caught:
        density_from_pressure(row.number("head"), row.number("level"), row.number("nozzle"), row.number("gravity"))
    assert row.expected in str(caught.value)


@given(density=DENSITIES, level=st.floats(2.0, 14.0), nozzle=st.floats(0.0, 1.0), around=SURROUNDINGS)
def test_pressure_of_the_columns_gives_back_level_and_density(
    density: float, level: float, nozzle: float, around: Surroundings
) -> None:
    # The balance written down from the top: vapour over liquid inside, air outside.
    top = around.vapour_transmitter_height_m
    inside = density * G * (level - nozzle) + around.vapour_density_kg_m3 * G * (top - level)
    head = inside - around.air_density_kg_m3 * G * (top - nozzle)
    assert level_from_pressure(head, density, nozzle, G, around) == pytest.approx(level, rel=1e-12)
    assert density_from_pressure(head, level, nozzle, G, around) == pytest.approx(density, rel=1e-12)


@given(
    density=st.floats(600.0, 990.0),
    level=st.floats(3.0, 14.0),
    nozzle=st.floats(0.0, 1.0),
    water=st.floats(0.0, 2.0),
    water_density=st.floats(995.0, 1200.0),
    around=SURROUNDINGS,
)
def test_free_water_weighs_by_its_own_density(
    density: float, level: float, nozzle: float, water: float, water_density: float, around: Surroundings
) -> None:
    top, deep = around.vapour_transmitter_height_m, max(0.0, water - nozzle)
    layers = water_density * deep + density * (level - nozzle - deep) + around.vapour_density_kg_m3 * (top - level)
    head = G * (layers - around.air_density_kg_m3 * (top - nozzle))
    layer = WaterLayer(water, water_density)
    assert level_from_pressure(head, density, nozzle, G, around, layer) == pytest.approx(level, rel=1e-12)
    found = density_from_pressure(head, level, nozzle, G, around, 0.5, layer)
    assert found == pytest.approx(density, rel=1e-11)


def test_water_that_the_pressure_does_not_carry_is_a_column_of_water() -> None:
    # 1 m of water: with 1.2 m of it measured the product would have less than no height; level of the water alone.
    head = G * 998.0
    assert level_from_pressure(head, 800.0, 0.3, G, water=WaterLayer(1.5)) == pytest.approx(1.3, rel=1e-12)
    # It goes over into the column of two layers without a jump.
    assert level_from_pressure(head, 800.0, 0.3, G, water=WaterLayer(1.3)) == pytest.approx(1.3, rel=1e-12)
    assert level_from_pressure(head, 800.0, 0.3, G, water=WaterLayer(1.3 - 1e-9)) == pytest.approx(1.3, abs=1e-9)
    with pytest.raises(LimitError, match="water density"):
        level_from_pressure(head, 800.0, 0.3, G, water=WaterLayer(1.3, 0.0))


def test_water_under_the_product_takes_from_its_head() -> None:
    with pytest.raises(LimitError, match=r"head of liquid 0\.7 m is below the minimum of 1 m"):
        density_from_pressure(5e4, 2.0, 0.3, G, water=WaterLayer(1.3))


@given(latitude=st.floats(0.0, 90.0), altitude=st.floats(0.0, 4000.0))
def test_gravity_rises_to_the_poles_and_falls_with_altitude(latitude: float, altitude: float) -> None:
    here = normal_gravity(latitude, altitude)
    assert here == normal_gravity(-latitude, altitude)
    assert 9.76 < here < 9.8322
    assert normal_gravity(latitude) - here == pytest.approx(3.0877e-6 * altitude, abs=1e-12)
    assert here <= normal_gravity(min(90.0, latitude + 1.0), altitude) + 1e-12


@pytest.mark.parametrize("head", [0.0, -120.0])
def test_no_level_without_a_head(head: float) -> None:
    with pytest.raises(LimitError, match="no head of liquid: the surface is at or below the nozzle"):
        level_from_pressure(head, 850.0, 0.3, G)


@pytest.mark.parametrize(
    ("head", "density", "nozzle", "gravity", "what"),
    [
        (math.nan, 850.0, 0.3, G, "pressure"),
        (5e4, math.nan, 0.3, G, "density"),
        (5e4, 0.0, 0.3, G, "density"),
        (5e4, 850.0, math.inf, G, "nozzle height"),
        (5e4, 850.0, 0.3, 0.0, "gravity"),
        (5e4, 850.0, 0.3, 32.2, "gravity"),
    ],
)
def test_level_refuses(head: float, density: float, nozzle: float, gravity: float, what: str) -> None:
    with pytest.raises(LimitError, match=what):
        level_from_pressure(head, density, nozzle, gravity)


def test_density_refuses() -> None:
    with pytest.raises(LimitError, match="too low for a density above zero"):
        density_from_pressure(-5.0, 5.0, 0.3, G)
    with pytest.raises(LimitError, match="level nan m is not a finite number"):
        density_from_pressure(5e4, math.nan, 0.3, G)
    with pytest.raises(LimitError, match="minimum head 0 m is not above zero"):
        density_from_pressure(5e4, 5.0, 0.3, G, minimum_head_m=0.0)
    with pytest.raises(LimitError, match="air density"):
        density_from_pressure(5e4, 5.0, 0.3, G, Surroundings(10.0, 2.0, 3.0))


def test_air_refuses() -> None:
    with pytest.raises(LimitError, match="altitude"):
        air_density(10_000.0)


def test_gravity_refuses() -> None:
    with pytest.raises(LimitError, match="latitude 91 deg is above 90 deg"):
        normal_gravity(91.0)
    with pytest.raises(LimitError, match="altitude"):
        normal_gravity(0.0, 10_000.0)
