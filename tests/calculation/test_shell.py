"""Shell temperature and CTSh against printed examples."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.quantities.shell import METALS, Metal, shell_correction, shell_temperature
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

TEMPERATURES = st.floats(-50.0, 250.0)


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("shell.csv", "shell_temperature_f"), ids=by_id)
def test_shell_temperature(row: GoldenRow) -> None:
    found = shell_temperature(celsius(row.number("liquid")), celsius(row.number("ambient")), insulated=False)
    assert found * 1.8 + 32.0 == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shell.csv", "insulated_c"), ids=by_id)
def test_insulated_shell(row: GoldenRow) -> None:
    assert shell_temperature(row.number("liquid"), row.number("ambient"), insulated=True) == row.value
    assert shell_temperature(row.number("liquid"), None, insulated=True) == row.value


@pytest.mark.parametrize("row", golden_rows("shell.csv", "ctsh_f"), ids=by_id)
def test_correction_in_fahrenheit(row: GoldenRow) -> None:
    coefficient = row.number("coefficient_f") * 1.8
    found = shell_correction(coefficient, celsius(row.number("shell")), celsius(row.number("table")))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("shell.csv", "ctsh_c"), ids=by_id)
def test_correction_in_celsius(row: GoldenRow) -> None:
    found = shell_correction(row.number("coefficient_c"), row.number("shell"), row.number("table"))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@given(metal=st.sampled_from(METALS), shell=TEMPERATURES, table=TEMPERATURES)
def test_correction_is_the_square_of_the_stretch(metal: Metal, shell: float, table: float) -> None:
    coefficient = metal.linear_coefficient_per_c
    found = shell_correction(coefficient, shell, table)
    assert found == pytest.approx((1.0 + coefficient * (shell - table)) ** 2, rel=1e-14)


@given(liquid=TEMPERATURES, ambient=TEMPERATURES)
def test_shell_lies_between_liquid_and_ambient(liquid: float, ambient: float) -> None:
    found = shell_temperature(liquid, ambient, insulated=False)
    assert min(liquid, ambient) - 1e-9 <= found <= max(liquid, ambient) + 1e-9
    assert abs(found - liquid) <= abs(found - ambient) + 1e-9


def test_printed_coefficients_are_per_fahrenheit() -> None:
    printed = {"carbon steel": 6.20e-6, "304 stainless steel": 9.60e-6, "316 stainless steel": 8.83e-6}
    for metal in METALS:
        if metal.name in printed:
            assert metal.linear_coefficient_per_c == pytest.approx(1.8 * printed[metal.name], rel=1e-12)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_refuses_what_is_no_temperature(bad: float) -> None:
    with pytest.raises(LimitError, match="liquid temperature"):
        shell_temperature(bad, 20.0, insulated=True)
    with pytest.raises(LimitError, match="ambient temperature"):
        shell_temperature(20.0, bad, insulated=False)
    with pytest.raises(LimitError, match="shell temperature"):
        shell_correction(1.1e-5, bad, 15.0)


def test_refuses_a_bare_shell_without_ambient() -> None:
    with pytest.raises(LimitError, match="ambient temperature nan degC is not given for a bare shell"):
        shell_temperature(20.0, None, insulated=False)


@pytest.mark.parametrize(("coefficient", "shell", "table"), [(2e-4, 20, 15), (1e-5, 401, 15), (1e-5, 20, -201)])
def test_refuses_outside_its_range(coefficient: float, shell: float, table: float) -> None:
    with pytest.raises(LimitError, match=r"API MPMS 12\.1\.1"):
        shell_correction(coefficient, shell, table)
