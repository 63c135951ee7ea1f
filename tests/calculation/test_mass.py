"""Mass and weight in air: printed Table 56 steps, worked examples, identities."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import AirBuoyancy, AirConvention
from gateway.calculation.quantities.mass import (
    air_factor,
    air_from_vacuo_density,
    dry_mass,
    liquid_mass,
    vacuo_from_air_density,
    weight_in_air,
)
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

TABLE_56 = AirBuoyancy(convention=AirConvention.TABLE_56)
REDUCTION = AirBuoyancy(convention=AirConvention.DENSITY_REDUCTION)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("mass.csv", "buoyancy_against_table_56"), ids=by_id)
def test_buoyancy_against_table_56(row: GoldenRow) -> None:
    assert air_factor(row.number("density")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("mass.csv", "table_56"), ids=by_id)
def test_table_56_line(row: GoldenRow) -> None:
    assert air_factor(row.number("density"), TABLE_56) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("mass.csv", "weight_in_air"), ids=by_id)
def test_weight_in_air(row: GoldenRow) -> None:
    weight = weight_in_air(row.number("mass"), row.number("density"))
    assert weight == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("mass.csv", "density_reduction"), ids=by_id)
def test_density_reduction(row: GoldenRow) -> None:
    mass = liquid_mass(row.number("volume"), row.number("density"))
    assert weight_in_air(mass, row.number("density"), REDUCTION) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("mass.csv", "air_density"), ids=by_id)
def test_litre_weight(row: GoldenRow) -> None:
    assert air_from_vacuo_density(row.number("density")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("mass.csv", "bunker_tonnes"), ids=by_id)
def test_bunker_survey(row: GoldenRow) -> None:
    """From observed volume to tonnes in air, once with the factor the survey read off its table, once with ours."""
    density = row.number("density_15c")
    prepared = PetroleumCorrection(PetroleumGroup.REFINED, 15.0).from_reference_density(density)
    ours = prepared.at(row.number("temperature_c"), 0.0).ctl
    assert ours is not None
    for factor in (row.number("table_vcf"), ours):
        mass = liquid_mass(row.number("volume") * factor, density)
        assert weight_in_air(mass, density, REDUCTION) / 1000.0 == pytest.approx(row.value, abs=row.tolerance)


@given(density=st.floats(500.0, 2000.0), convention=st.sampled_from(AirConvention))
def test_air_density_and_back(density: float, convention: AirConvention) -> None:
    buoyancy = AirBuoyancy(convention=convention)
    assert vacuo_from_air_density(air_from_vacuo_density(density, buoyancy), buoyancy) == pytest.approx(
        density, rel=1e-12
    )


@given(density=st.floats(500.0, 1100.0))
def test_conventions_agree_within_a_ten_thousandth(density: float) -> None:
    factors = [air_factor(density, AirBuoyancy(convention=convention)) for convention in AirConvention]
    assert max(factors) - min(factors) < 1.2e-4
    assert all(0.997 < factor < 1.0 for factor in factors)


@pytest.mark.parametrize("density", [99.0, 3001.0, float("nan"), float("inf")])
@pytest.mark.parametrize("convention", AirConvention)
def test_a_density_out_of_bounds_is_refused(density: float, convention: AirConvention) -> None:
    with pytest.raises(LimitError, match="density"):
        air_factor(density, AirBuoyancy(convention=convention))


def test_dry_mass() -> None:
    assert dry_mass(372.5, 0.5) == 186.25
    for fraction in (-0.1, 1.1, float("nan")):
        with pytest.raises(LimitError, match="mass fraction"):
            dry_mass(1.0, fraction)
