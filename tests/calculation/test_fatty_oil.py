"""Fatty oils by litre weight in air."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.fatty_oil import LitreWeightMoved, LitreWeightTable
from gateway.calculation.plan import AirBuoyancy, AirConvention
from gateway.calculation.quantities.mass import air_from_vacuo_density, weight_in_air
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

TABLE = LitreWeightTable((48.0, 49.0, 50.0, 51.0), (890.9, 890.2, 889.6, 888.9), "invented laboratory sheet")


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("fatty_oil.csv", "moved"), ids=by_id)
def test_moved(row: GoldenRow) -> None:
    method = LitreWeightMoved(row.number("weight"), row.number("temperature_c"), "hand arithmetic")
    density = method.at(row.number("to_c"), 0.0).observed_density
    assert density is not None
    assert air_from_vacuo_density(density) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("fatty_oil.csv", "measured_slope"), ids=by_id)
def test_measured_densities_agree_with_the_slope(row: GoldenRow) -> None:
    """Two temperatures up to 11.1 degC apart, walked in two spans; readings scatter by 1 to 2 kg/m3."""
    start, end = row.number("temperature_c"), row.number("to_c")
    method = LitreWeightMoved(row.number("density"), start, "measured", span_c=10.0)
    halfway = 0.5 * (start + end)
    first = method.at(halfway, 0.0).observed_density
    assert first is not None
    second = LitreWeightMoved(air_from_vacuo_density(first), halfway, "measured", span_c=10.0).at(end, 0.0)
    assert second.observed_density is not None
    assert air_from_vacuo_density(second.observed_density) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("convention", AirConvention)
def test_tonnes_in_air_are_volume_times_litre_weight(convention: AirConvention) -> None:
    buoyancy = AirBuoyancy(convention=convention)
    method = LitreWeightTable(TABLE.temperatures_c, TABLE.weights_in_air, TABLE.source, buoyancy=buoyancy)
    density = method.at(50.0, 0.0).observed_density
    assert density is not None
    assert weight_in_air(1645.2 * density, density, buoyancy) == pytest.approx(1645.2 * 889.6, rel=1e-12)


@pytest.mark.parametrize(
    ("temperature", "interpolated", "stepped"),
    [(48.0, 890.9, 890.9), (49.4, 889.96, 890.2), (49.5, 889.9, 889.6), (50.0, 889.6, 889.6), (51.0, 888.9, 888.9)],
)
def test_between_rows(temperature: float, interpolated: float, stepped: float) -> None:
    nearest = LitreWeightTable(TABLE.temperatures_c, TABLE.weights_in_air, TABLE.source, nearest_step=True)
    for method, expected in ((TABLE, interpolated), (nearest, stepped)):
        corrected = method.at(temperature, 0.0)
        assert corrected.observed_density is not None
        assert air_from_vacuo_density(corrected.observed_density) == pytest.approx(expected, abs=1e-9)
        assert (corrected.ctl, corrected.cpl) == (None, None)


@pytest.mark.parametrize("temperature", [47.9, 51.1, math.nan, math.inf])
def test_nothing_beyond_the_table(temperature: float) -> None:
    with pytest.raises(LimitError, match="liquid temperature"):
        TABLE.at(temperature, 0.0)


def test_only_a_few_degrees() -> None:
    method = LitreWeightMoved(892.0, 50.0, "invented laboratory sheet")
    for temperature in (44.9, 55.1, math.nan):
        with pytest.raises(LimitError, match="liquid temperature"):
            method.at(temperature, 0.0)
    with pytest.raises(LimitError, match="span 11 degC is above 10 degC"):
        LitreWeightMoved(892.0, 50.0, "invented", span_c=11.0)
    with pytest.raises(LimitError, match="slope of the litre weight"):
        LitreWeightMoved(892.0, 50.0, "invented", slope_per_c=-0.68)
    with pytest.raises(LimitError, match=r"litre weight in air 0\.892 kg/m3 is below 800"):
        LitreWeightMoved(0.892, 50.0, "given in kg/l by mistake")


def test_neither_takes_a_density() -> None:
    for method in (TABLE, LitreWeightMoved(892.0, 50.0, "invented")):
        assert method.from_reference_density(None) is method
        assert (method.needs_density, method.uses_density_for_ctl) == (False, False)
        assert (method.reference_temperature_c, method.reference_density) == (None, None)
        with pytest.raises(LimitError, match="the density follows from temperature"):
            method.from_reference_density(890.0)
        with pytest.raises(LimitError, match="the density follows from temperature"):
            method.from_observed_density(890.0, 50.0, 0.0)
        with pytest.raises(LimitError, match="gauge pressure"):
            method.at(50.0, 1e5)


@given(temperature=st.floats(45.0, 54.0), rise=st.floats(0.01, 1.0))
def test_falls_as_temperature_rises(temperature: float, rise: float) -> None:
    method = LitreWeightMoved(892.0, 50.0, "invented")
    cold, warm = method.at(temperature, 0.0), method.at(temperature + rise, 0.0)
    assert cold.observed_density is not None
    assert warm.observed_density is not None
    assert warm.observed_density < cold.observed_density
