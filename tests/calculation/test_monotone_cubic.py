"""The monotone cubic against a general-purpose library."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.monotone_cubic import hermite, monotone_slopes
from gateway.calculation.methods.tabulated import Interpolation, TabulatedDensity
from gateway.errors import LimitError

TEMPERATURES = (15.0, 20.0, 30.0, 45.0, 60.0)
DENSITIES = (1525.8, 1522.4, 1515.1, 1505.0, 1494.2)
CUBIC = TabulatedDensity(
    TEMPERATURES, DENSITIES, "invented laboratory points", interpolation=Interpolation.MONOTONE_CUBIC
)


@pytest.mark.outside("scipy 1.17, PchipInterpolator")
@given(
    steps=st.lists(st.tuples(st.floats(0.5, 20.0), st.floats(-20.0, 20.0)), min_size=2, max_size=8),
    share=st.floats(0.0, 1.0),
)
def test_against_pchip(steps: list[tuple[float, float]], share: float) -> None:
    from scipy.interpolate import PchipInterpolator

    x, y = [0.0], [1000.0]
    for width, change in steps:
        x.append(x[-1] + width)
        y.append(y[-1] + change)
    slopes = monotone_slopes(tuple(x), tuple(y))
    reference = PchipInterpolator(x, y)
    for i in range(len(x) - 1):
        width = x[i + 1] - x[i]
        ours = hermite(share, width, y[i], y[i + 1], slopes[i], slopes[i + 1])
        assert ours == pytest.approx(float(reference(x[i] + share * width)), abs=1e-6)


@pytest.mark.parametrize(("temperature", "density"), list(zip(TEMPERATURES, DENSITIES, strict=True)))
def test_through_the_points(temperature: float, density: float) -> None:
    assert CUBIC.density_at(temperature) == pytest.approx(density, rel=1e-14)


@given(low=st.floats(15.0, 60.0), high=st.floats(15.0, 60.0))
def test_no_overshoot(low: float, high: float) -> None:
    low, high = min(low, high), max(low, high)
    assert DENSITIES[-1] - 1e-9 <= CUBIC.density_at(high) <= CUBIC.density_at(low) + 1e-9 <= DENSITIES[0] + 2e-9


def test_nothing_beyond_the_ends_and_no_cubic_through_two_points() -> None:
    with pytest.raises(LimitError, match="liquid temperature 61 degC is above 60 degC"):
        CUBIC.at(61.0, 0.0)
    with pytest.raises(LimitError, match="below the 3 a cubic needs"):
        TabulatedDensity((0.0, 10.0), (1000.0, 990.0), "invented", interpolation=Interpolation.MONOTONE_CUBIC)
    assert monotone_slopes((0.0, 10.0), (1000.0, 990.0)) == (-1.0, -1.0)
