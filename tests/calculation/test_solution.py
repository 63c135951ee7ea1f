"""Solutions by temperature and concentration: bilinear interpolation by hand, concentration from density, bounds."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.solution import SolutionDensity
from gateway.errors import LimitError

FRACTIONS = (0.40, 0.50)
TEMPERATURES = (20.0, 40.0)
GRID = ((1430.0, 1416.0), (1525.0, 1511.0))


def solution(mass_fraction: float | None = None, reference_c: float | None = None) -> SolutionDensity:
    return SolutionDensity(FRACTIONS, TEMPERATURES, GRID, "invented caustic", mass_fraction, reference_c)


@pytest.mark.parametrize(
    ("fraction", "temperature", "density"),
    [(0.40, 20.0, 1430.0), (0.50, 40.0, 1511.0), (0.45, 20.0, 1477.5), (0.50, 24.6, 1521.78), (0.42, 30.0, 1442.0)],
)
def test_by_hand(fraction: float, temperature: float, density: float) -> None:
    assert solution().density_at(fraction, temperature) == pytest.approx(density, rel=1e-12)
    fixed = solution(fraction).from_reference_density(None).at(temperature, 0.0)
    assert fixed.observed_density == pytest.approx(density, rel=1e-12)
    assert (fixed.ctl, fixed.cpl) == (None, None)


def test_with_a_reference_temperature() -> None:
    prepared = solution(0.50, 20.0).from_reference_density(None)
    assert prepared.reference_density == 1525.0
    assert prepared.at(40.0, 0.0).ctl == pytest.approx(1511.0 / 1525.0, rel=1e-12)
    by_density = solution(None, 20.0).from_reference_density(1477.5)
    assert by_density.mass_fraction == pytest.approx(0.45, abs=1e-12)


def test_what_is_taken_from_outside() -> None:
    assert (solution(0.5).needs_density, solution().needs_density) == (False, True)
    assert (solution(0.5).uses_density_for_ctl, solution().uses_density_for_ctl) == (False, True)
    with pytest.raises(LimitError, match="the concentration already fixes it"):
        solution(0.5).from_reference_density(1500.0)
    with pytest.raises(LimitError, match="the concentration already fixes it"):
        solution(0.5).from_observed_density(1500.0, 20.0, 0.0)
    with pytest.raises(LimitError, match="no reference temperature is declared"):
        solution().from_reference_density(1500.0)
    with pytest.raises(LimitError, match="missing"):
        solution().from_reference_density(None)


@pytest.mark.parametrize(
    ("fraction", "temperature"), [(0.39, 30.0), (0.51, 30.0), (math.nan, 30.0), (0.45, 19.9), (0.45, math.inf)]
)
def test_nothing_beyond_the_grid(fraction: float, temperature: float) -> None:
    with pytest.raises(LimitError, match=r"mass fraction|liquid temperature"):
        solution().density_at(fraction, temperature)


@pytest.mark.parametrize("density", [1415.0, 1526.0, math.nan, math.inf])
def test_a_density_no_solution_of_the_grid_has(density: float) -> None:
    with pytest.raises(LimitError, match="observed density"):
        solution().from_observed_density(density, 30.0, 0.0)


def test_a_density_that_two_concentrations_have() -> None:
    """Strong sulphuric acid is densest near 98 %: its density is no measure of concentration there."""
    acid = SolutionDensity(
        (0.96, 0.98, 1.0), (20.0, 30.0), ((1835.5, 1825.4), (1836.5, 1826.1), (1830.5, 1820.6)), "acid"
    )
    with pytest.raises(LimitError, match="no measure of concentration here"):
        acid.from_observed_density(1835.0, 20.0, 0.0)
    assert acid.density_at(0.97, 20.0) == pytest.approx(1836.0)


@pytest.mark.parametrize(
    ("fractions", "grid", "says"),
    [
        ((0.4,), ((1.0, 1.0),), "two or more"),
        ((0.4, 0.5), ((1430.0, 1416.0),), "not matched by as many rows"),
        ((0.5, 0.4), GRID, "not above the one before it"),
        ((0.4, 40.0), GRID, "mass fraction in the table 40 is above 1"),
        ((0.4, 0.5), ((1430.0, 1416.0), (1525.0,)), "not matched by as many densities"),
        ((0.4, 0.5), ((1430.0, 1416.0), (1525.0, math.nan)), "density in the table"),
    ],
)
def test_a_grid_that_is_none(fractions: tuple[float, ...], grid: tuple[tuple[float, ...], ...], says: str) -> None:
    with pytest.raises(LimitError, match=says):
        SolutionDensity(fractions, TEMPERATURES, grid, "invented")


@given(fraction=st.floats(0.40, 0.50), temperature=st.floats(20.0, 40.0))
def test_concentration_and_back(fraction: float, temperature: float) -> None:
    prepared = solution().from_observed_density(solution().density_at(fraction, temperature), temperature, 0.0)
    assert prepared.mass_fraction == pytest.approx(fraction, abs=1e-10)
    observed = prepared.at(temperature, 0.0).observed_density
    assert observed == pytest.approx(solution().density_at(fraction, temperature), rel=1e-10)
