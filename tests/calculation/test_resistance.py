"""Platinum elements against the printed reference table of IEC 60751."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.temperature.resistance import (
    PT100,
    PT1000,
    ToleranceClass,
    resistance,
    tank_service_temperature,
    temperature,
    tolerance,
)
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

NOMINALS = st.sampled_from([PT100, PT1000])


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("resistance.csv", "reference_table"), ids=by_id)
def test_reference_table(row: GoldenRow) -> None:
    t = row.number("temperature")
    assert resistance(t) == pytest.approx(row.value, abs=row.tolerance)
    assert resistance(t, PT1000) == pytest.approx(10.0 * row.value, abs=10.0 * row.tolerance)
    if t > -200.0:
        # The printed value back: half its last digit is at most 0.018 degC. At -200 degC it is printed just below.
        assert temperature(row.value) == pytest.approx(t, abs=0.018)


@pytest.mark.parametrize("row", golden_rows("resistance.csv", "tolerance"), ids=by_id)
def test_tolerance(row: GoldenRow) -> None:
    found = tolerance(row.number("temperature"), ToleranceClass(row.inputs["class"]))
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("resistance.csv", "above_range"), ids=by_id)
def test_above_the_range(row: GoldenRow) -> None:
    with pytest.raises(LimitError) as caught:
        temperature(row.number("resistance"))
    assert row.expected in str(caught.value)


@given(t=st.floats(-200.0, 850.0), nominal=NOMINALS)
def test_there_and_back(t: float, nominal: float) -> None:
    assert temperature(resistance(t, nominal), nominal) == pytest.approx(t, abs=1e-8)


@given(t=st.floats(-200.0, 849.0), step=st.floats(1e-6, 1.0))
def test_resistance_rises(t: float, step: float) -> None:
    assert resistance(t + step) > resistance(t)


@given(t=st.floats(-196.0, 600.0))
def test_classes_are_ordered(t: float) -> None:
    if -50.0 <= t <= 250.0:
        assert tolerance(t, ToleranceClass.AA) < tolerance(t, ToleranceClass.A)
    if -100.0 <= t <= 450.0:
        assert tolerance(t, ToleranceClass.A) < tolerance(t, ToleranceClass.B)


def test_both_branches_meet_at_zero() -> None:
    assert temperature(100.0) == 0.0
    assert temperature(math.nextafter(100.0, 0.0)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("ohms", "nominal", "words"),
    [
        (59.9, PT100, "resistance 59.9 ohm is below 60 ohm: the element or its leads look short-circuited"),
        (0.0, PT100, "short-circuited"),
        (180.1, PT100, "resistance 180.1 ohm is above 180 ohm: the element or its leads look open"),
        (math.inf, PT100, "open"),
        (1801.0, PT1000, "above 1800 ohm"),
        (math.nan, PT100, "not a number"),
    ],
)
def test_faults_in_tank_service(ohms: float, nominal: float, words: str) -> None:
    with pytest.raises(LimitError) as caught:
        tank_service_temperature(ohms, nominal)
    assert words in str(caught.value)


@given(t=st.floats(-100.0, 210.0), nominal=NOMINALS)
def test_tank_service_agrees_within_its_bounds(t: float, nominal: float) -> None:
    ohms = resistance(t, nominal)
    assert tank_service_temperature(ohms, nominal) == temperature(ohms, nominal)


@pytest.mark.parametrize("bad", [18.51, 390.49, math.nan, -1.0])
def test_temperature_refuses(bad: float) -> None:
    with pytest.raises(LimitError, match="IEC 60751:2008"):
        temperature(bad)


def test_refuses_temperatures_and_nominal_resistances_of_no_use() -> None:
    with pytest.raises(LimitError, match="temperature -200.1 degC is below -200 degC".replace(".", r"\.")):
        resistance(-200.1)
    with pytest.raises(LimitError, match="nominal resistance 0 ohm is not above zero"):
        temperature(100.0, 0.0)
    with pytest.raises(LimitError, match="class AA"):
        tolerance(251.0, ToleranceClass.AA)
