"""Volumes of the simulated tanks against a general-purpose library, and levels as the inverse of volumes."""

import math

import pytest
from fluids.geometry import TANK
from hypothesis import example, given
from hypothesis import strategies as st

from simulators.shapes import LyingCylinder, UprightCylinder, solve_increasing


@pytest.mark.outside("fluids.geometry.TANK, vertical, flat ends")
@pytest.mark.parametrize("level", [0.0, 0.001, 0.9, 4.2, 9.412, 14.599, 14.6])
def test_upright_cylinder_agrees_with_library(level: float) -> None:
    library = TANK(D=18.0, L=14.6, horizontal=False)
    assert UprightCylinder(18.0, 14.6).volume(level) == pytest.approx(library.V_from_h(level), rel=1e-12, abs=1e-12)


@pytest.mark.outside("fluids.geometry.TANK, horizontal, flat and ellipsoidal ends")
@pytest.mark.parametrize("depth", [0.0, 0.3, 0.75, 1.5])
@pytest.mark.parametrize("level", [0.001, 0.3, 1.0, 1.5, 1.640, 2.4, 2.999, 3.0])
def test_lying_cylinder_agrees_with_library(level: float, depth: float) -> None:
    kind = "ellipsoidal" if depth else None
    library = TANK(D=3.0, L=18.0, horizontal=True, sideA=kind, sideB=kind, sideA_a=depth, sideB_a=depth)
    assert LyingCylinder(3.0, 18.0, depth).volume(level) == pytest.approx(library.V_from_h(level), rel=1e-9, abs=1e-9)


def test_full_bullet_is_its_closed_form() -> None:
    # Cylinder plus one whole ellipsoid of semi-axes r, r, a: pi r^2 L + 4/3 pi r^2 a.
    assert LyingCylinder(3.0, 18.0, 0.75).volume(3.0) == pytest.approx(
        math.pi * 2.25 * (18.0 + 4 / 3 * 0.75), rel=1e-14
    )


def test_heel_lies_below_the_datum() -> None:
    assert UprightCylinder(12.0, 11.0, heel_m3=4.2).volume(0.0) == 4.2
    assert LyingCylinder(3.0, 18.0, heel_m3=0.5).volume(0.0) == 0.5


def test_volume_beyond_the_ends_is_that_of_the_ends() -> None:
    shape = UprightCylinder(18.0, 14.6)
    assert shape.volume(-1.0) == 0.0
    assert shape.volume(15.0) == shape.volume(14.6)


@given(level=st.floats(0.0, 3.0), depth=st.sampled_from([0.0, 0.3, 0.75, 1.5]))
@example(level=math.nextafter(3.0, 0.0), depth=0.0)
def test_level_of_a_volume_is_where_it_came_from(level: float, depth: float) -> None:
    shape = LyingCylinder(3.0, 18.0, depth)
    volume = shape.volume(level)
    found = solve_increasing(shape.volume, volume, 0.0, shape.height_m)
    assert shape.volume(found) == pytest.approx(volume, abs=1e-10)
    assert found == pytest.approx(level, abs=1e-7)


@given(low=st.floats(0.0, 3.0), high=st.floats(0.0, 3.0))
def test_volume_never_falls_as_level_rises(low: float, high: float) -> None:
    shape = LyingCylinder(3.0, 18.0, 0.75)
    low, high = sorted((low, high))
    assert shape.volume(low) <= shape.volume(high) + 1e-12
