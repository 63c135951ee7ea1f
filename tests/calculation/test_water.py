"""Water against printed values and against IAPWS-95."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.water import Water, WaterEquation
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

TANAKA = Water(WaterEquation.TANAKA)
KELL = Water(WaterEquation.KELL)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("water.csv", "tanaka"), ids=by_id)
def test_tanaka(row: GoldenRow) -> None:
    assert TANAKA.density_at(row.number("temperature_c")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("water.csv", "kell"), ids=by_id)
def test_kell(row: GoldenRow) -> None:
    assert KELL.density_at(row.number("temperature_c")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("iapws 1.5.5, IAPWS-95")
@pytest.mark.parametrize("temperature", [0.5, 4.0, 10.0, 20.0, 30.0, 40.0, 60.0, 80.0, 99.0])
def test_against_iapws_95(temperature: float) -> None:
    from iapws import IAPWS95

    expected = IAPWS95(T=temperature + 273.15, P=0.101325).rho
    assert KELL.density_at(temperature) == pytest.approx(expected, abs=0.01)
    if temperature <= 40.0:
        assert TANAKA.density_at(temperature) == pytest.approx(expected, abs=0.0015)


@pytest.mark.outside("iapws 1.5.5, IAPWS-95")
@pytest.mark.parametrize("temperature", [110.0, 130.0, 150.0])
def test_kell_above_the_boiling_point(temperature: float) -> None:
    from iapws import IAPWS95

    # Kept liquid at 0.5 MPa; Kell's equation is for 0.101325 MPa, which is worth 0.22 kg/m3.
    assert KELL.density_at(temperature) == pytest.approx(IAPWS95(T=temperature + 273.15, P=0.5).rho, abs=0.25)


def test_without_and_with_a_reference() -> None:
    assert TANAKA.at(20.0, 0.0)[:2] == (None, None)
    corrected = Water(WaterEquation.TANAKA, 15.0).at(20.0, 0.0)
    assert corrected.ctl == pytest.approx(998.2067 / 999.1026, abs=1e-6)
    assert corrected.cpl == 1.0
    assert Water(WaterEquation.KELL, 60.0).reference_density == KELL.density_at(60.0)


@pytest.mark.parametrize("temperature", [-0.1, 40.1, math.nan, math.inf])
def test_tanaka_s_range(temperature: float) -> None:
    with pytest.raises(LimitError, match=r"liquid temperature .*\(density of water, Tanaka et al. \(2001\)\)"):
        TANAKA.at(temperature, 0.0)


@pytest.mark.parametrize("temperature", [-0.1, 150.1, math.nan])
def test_kell_s_range(temperature: float) -> None:
    with pytest.raises(LimitError, match="liquid temperature"):
        KELL.at(temperature, 0.0)


def test_what_it_does_not_take() -> None:
    with pytest.raises(LimitError, match="the density follows from temperature"):
        TANAKA.from_reference_density(998.0)
    with pytest.raises(LimitError, match="the density follows from temperature"):
        TANAKA.from_observed_density(998.0, 20.0, 0.0)
    with pytest.raises(LimitError, match="gauge pressure"):
        TANAKA.at(20.0, 1e5)
    assert TANAKA.from_reference_density(None) is TANAKA


@given(low=st.floats(4.1, 149.0), rise=st.floats(0.01, 1.0))
def test_falls_above_four_degrees(low: float, rise: float) -> None:
    assert KELL.density_at(low + rise) < KELL.density_at(low)


@given(temperature=st.floats(0.0, 40.0))
def test_the_two_agree(temperature: float) -> None:
    assert TANAKA.density_at(temperature) == pytest.approx(KELL.density_at(temperature), abs=0.006)
