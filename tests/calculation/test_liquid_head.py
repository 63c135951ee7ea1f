"""The shell's stretch under its liquid: closed form, integral, and moving a table between densities."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from gateway.calculation.quantities.liquid_head import Course, head_adjustment, head_expansion, rescaled_table
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import LimitError, SettingsError
from tests.calculation.golden_values import GoldenRow, golden_rows

COURSES = (Course(2.4, 0.024), Course(2.4, 0.020), Course(2.4, 0.015), Course(4.8, 0.010))
DENSITIES = st.floats(500.0, 1600.0)
LEVELS = st.floats(0.0, 12.0)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("liquid_head.csv", "uniform_shell"), ids=by_id)
def test_uniform_shell(row: GoldenRow) -> None:
    courses = [Course(2.0, row.number("thickness"))] * 10
    found = head_expansion(
        row.number("level"), row.number("density"), row.number("diameter"), courses, 9.80665, row.number("modulus")
    )
    assert found == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.outside("numerical integration of the hoop strain, scipy.integrate.quad")
@given(level=LEVELS, density=DENSITIES)
def test_agrees_with_the_integral_of_the_hoop_strain(level: float, density: float) -> None:
    # A ring of radius R under pressure p widens by p R^2 / (E t), so its area by 2 pi R p R^2 / (E t).
    def widening(height: float, thickness: float) -> float:
        pressure = density * 9.80665 * (level - height)
        return 2.0 * math.pi * 15.0**3 * pressure / (2.0e11 * thickness)

    expected, low = 0.0, 0.0
    for course in COURSES:
        high = min(level, low + course.height_m)
        if high > low:
            expected += quad(widening, low, high, args=(course.thickness_m,))[0]
        low += course.height_m
    assert head_expansion(level, density, 30.0, COURSES) == pytest.approx(expected, rel=1e-10, abs=1e-13)


@given(level=LEVELS, density=DENSITIES, table=DENSITIES)
def test_only_the_difference_is_added_to_a_table_that_contains_it(level: float, density: float, table: float) -> None:
    whole = head_adjustment(level, density, None, 30.0, COURSES)
    rest = head_adjustment(level, density, table, 30.0, COURSES)
    assert whole == pytest.approx(head_expansion(level, density, 30.0, COURSES), rel=1e-12, abs=1e-15)
    assert rest == pytest.approx(whole - head_expansion(level, table, 30.0, COURSES), rel=1e-9, abs=1e-12)
    assert head_adjustment(level, table, table, 30.0, COURSES) == 0.0


@given(levels=st.tuples(LEVELS, LEVELS), density=DENSITIES)
def test_grows_with_level(levels: tuple[float, float], density: float) -> None:
    low, high = sorted(levels)
    assert head_expansion(low, density, 30.0, COURSES) <= head_expansion(high, density, 30.0, COURSES)


def table(included: bool | None, density: float | None = None) -> CapacityTable:
    levels = tuple(0.5 * step for step in range(25))
    volumes = tuple(700.0 * level + 3.0 for level in levels)
    return CapacityTable("T", levels, volumes, 3.0, head_included=included, head_density_kg_m3=density)


@given(first=DENSITIES, second=DENSITIES, level=LEVELS)
def test_a_table_goes_to_another_density_and_back(first: float, second: float, level: float) -> None:
    there = rescaled_table(table(True, first), second, 30.0, COURSES)
    back = rescaled_table(there, first, 30.0, COURSES)
    assert (there.head_included, there.head_density_kg_m3) == (True, second)
    assert back.volume(level) == pytest.approx(table(True, first).volume(level), rel=1e-12)
    assert (there.volume(12.0) >= table(True, first).volume(12.0)) == (second >= first)


def test_a_table_without_it_gets_the_whole() -> None:
    new = rescaled_table(table(False), 850.0, 30.0, COURSES)
    assert new.volume(12.0) - table(False).volume(12.0) == pytest.approx(head_expansion(12.0, 850.0, 30.0, COURSES))
    assert new.heel_m3 == 3.0


def test_a_table_that_does_not_say_is_refused() -> None:
    with pytest.raises(SettingsError, match="does not state whether it contains the liquid head"):
        rescaled_table(table(None), 850.0, 30.0, COURSES)


@pytest.mark.parametrize(
    ("level", "density", "diameter", "what"),
    [
        (12.1, 850.0, 30.0, "level 12.1 m is above 12 m"),
        (-0.1, 850.0, 30.0, "level -0.1 m is below 0 m"),
        (math.nan, 850.0, 30.0, "level nan m is not a finite number"),
        (5.0, -1.0, 30.0, "density -1 kg/m3 is below 0 kg/m3"),
        (5.0, 850.0, 0.0, "diameter 0 m is not above zero"),
    ],
)
def test_refuses(level: float, density: float, diameter: float, what: str) -> None:
    with pytest.raises(LimitError) as caught:
        head_expansion(level, density, diameter, COURSES)
    assert what in str(caught.value)


@pytest.mark.parametrize(("height", "thickness", "what"), [(0.0, 0.01, "height"), (2.0, math.nan, "thickness")])
def test_refuses_a_course_that_cannot_be(height: float, thickness: float, what: str) -> None:
    with pytest.raises(SettingsError, match=f"shell course: {what}"):
        Course(height, thickness)
