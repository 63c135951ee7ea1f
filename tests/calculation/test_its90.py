"""ITS-90 against IPTS-68: printed values and the way back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.its90 import ipts68_from_its90, its90_from_ipts68
from tests.calculation.golden_values import GoldenRow, golden_rows


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("petroleum_2004.csv", "ipts68_f"), ids=by_id)
def test_fahrenheit(row: GoldenRow) -> None:
    t68_f = 1.8 * ipts68_from_its90((row.number("temperature_f") - 32.0) / 1.8) + 32.0
    assert t68_f == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("petroleum_2004.csv", "scale_difference_c"), ids=by_id)
def test_difference_of_the_scales(row: GoldenRow) -> None:
    t90 = row.number("temperature_c")
    assert t90 - ipts68_from_its90(t90) == pytest.approx(row.value, abs=row.tolerance)


@given(t90=st.floats(-50.0, 150.0))
def test_there_and_back(t90: float) -> None:
    assert its90_from_ipts68(ipts68_from_its90(t90)) == pytest.approx(t90, abs=1e-12)
