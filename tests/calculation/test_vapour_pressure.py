"""Vapour pressure curves: by points, by composition, and nothing beyond their ends."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.vapour.equation_of_state import bubble_point
from gateway.calculation.vapour.mixture import COMPONENTS
from gateway.calculation.vapour.pressure_curve import VapourPressureCurve, curve_of_composition
from gateway.errors import LimitError

# 100 kPa at 0 degC and 300 kPa at 40 degC.
TWO = VapourPressureCurve((0.0, 40.0), (100e3, 300e3), "laboratory")


def test_between_points_it_follows_clausius_and_clapeyron() -> None:
    assert TWO.pressure(0.0) == pytest.approx(100e3, rel=1e-12)
    assert TWO.pressure(40.0) == pytest.approx(300e3, rel=1e-12)
    # ln P = ln 100 + ln 3 (1/273.15 - 1/293.15)/(1/273.15 - 1/313.15): 0.5341 of the way, 100 x 3^0.5341 kPa.
    assert TWO.pressure(20.0) == pytest.approx(100e3 * 3.0**0.53411, rel=1e-4)


@pytest.mark.outside("CoolProp 8.0.0, reference equation of state of propane")
def test_points_of_propane_every_ten_degrees() -> None:
    from CoolProp.CoolProp import PropsSI

    at = tuple(float(t) for t in range(-40, 61, 10))
    curve = VapourPressureCurve(at, tuple(PropsSI("P", "T", t + 273.15, "Q", 0, "Propane") for t in at), "CoolProp")
    for tenth in range(1000):
        t = -40.0 + 0.1 * tenth
        assert curve.pressure(t) == pytest.approx(PropsSI("P", "T", t + 273.15, "Q", 0, "Propane"), rel=7e-4)


@given(st.floats(-50.0, 80.0), st.floats(0.0, 1.0))
def test_of_a_composition_it_is_its_bubble_points(temperature_c: float, propane: float) -> None:
    both = (COMPONENTS["propane"], COMPONENTS["n-butane"])
    curve = curve_of_composition(both, (propane, 1.0 - propane))
    found = bubble_point(both, (propane, 1.0 - propane), temperature_c)
    assert curve.pressure(temperature_c) == pytest.approx(found.pressure_pa, rel=3e-4)
    assert curve.vapour(temperature_c) == pytest.approx(found.vapour, abs=5e-4)


def test_it_ends_before_a_liquid_becomes_critical() -> None:
    ethane = curve_of_composition((COMPONENTS["ethane"],), (1.0,))
    assert ethane.temperatures_c[-1] == 30.0
    with pytest.raises(
        LimitError, match=r"liquid temperature 31 degC is above 30 degC \(vapour pressure: its compositi"
    ):
        ethane.pressure(31.0)


def test_rounded_certificates_are_scaled_and_others_refused() -> None:
    both = (COMPONENTS["propane"], COMPONENTS["n-butane"])
    assert curve_of_composition(both, (0.598, 0.398)).pressure(20.0) == pytest.approx(
        curve_of_composition(both, (0.598 / 0.996, 0.398 / 0.996)).pressure(20.0), rel=1e-12
    )
    with pytest.raises(LimitError, match=r"sum of the fractions 0\.9 is below 0\.995"):
        curve_of_composition(both, (0.5, 0.4))
    with pytest.raises(LimitError, match=r"fraction 1\.1 is above 1\.005"):
        curve_of_composition(both, (1.1, -0.1))


@pytest.mark.parametrize("temperature_c", [-0.01, 40.01, math.nan, math.inf])
def test_nothing_is_extrapolated(temperature_c: float) -> None:
    with pytest.raises(LimitError, match="liquid temperature"):
        TWO.pressure(temperature_c)


@pytest.mark.parametrize(
    ("temperatures_c", "pressures_pa", "words"),
    [
        ((0.0,), (1e5,), "number of points 1 is below the 2 that a curve needs"),
        ((0.0, 10.0), (1e5,), "number of temperatures 2 is not that of the pressures, 1"),
        ((10.0, 0.0), (1e5, 2e5), "temperature in the curve 0 degC is not above the one before it, 10 degC"),
        (
            (0.0, 10.0),
            (2e5, 1e5),
            "pressure in the curve, absolute 100000 Pa is not above the one before it, 200000 Pa",
        ),
        ((0.0, 10.0), (0.0, 1e5), "pressure in the curve, absolute 0 Pa is below 10 Pa"),
        ((0.0, 250.0), (1e5, 2e5), "temperature in the curve 250 degC is above 200 degC"),
        ((0.0, math.nan), (1e5, 2e5), "temperature in the curve"),
    ],
)
def test_what_is_no_curve(temperatures_c: tuple[float, ...], pressures_pa: tuple[float, ...], words: str) -> None:
    with pytest.raises(LimitError, match=words):
        VapourPressureCurve(temperatures_c, pressures_pa, "laboratory")


def test_points_alone_do_not_tell_what_the_vapour_is() -> None:
    with pytest.raises(LimitError, match="not enough to tell what the vapour is"):
        TWO.vapour(20.0)
