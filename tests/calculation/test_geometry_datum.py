"""A datum above the lowest point of a shape, and a sump beside it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.shapes import LyingCylinder, Sphere, UprightCylinder
from gateway.calculation.shapes.datum import WithDatum
from gateway.calculation.shapes.heads import Head
from gateway.errors import LimitError, SettingsError


def test_the_heel_of_a_sphere_is_its_cap_below_the_datum() -> None:
    """Cap of a sphere, pi h^2 (3 R - h) / 3: closed form."""
    moved = WithDatum(Sphere(20.0), 0.5)
    cap = math.pi * 0.25 * (30.0 - 0.5) / 3.0
    assert moved.heel_m3 == pytest.approx(cap, rel=1e-14)
    assert moved.volume(0.0) == moved.heel_m3
    assert moved.top_m == 19.5
    assert moved.volume(9.5) == pytest.approx(math.pi * 20.0**3 / 12.0, rel=1e-14)
    assert moved.clause == "sphere, pi h^2 (3 D/2 - h)/3, datum 0.5 m above its lowest point"


def test_a_sump_is_in_every_volume() -> None:
    sump = WithDatum(LyingCylinder(3.0, 18.0, Head.FLAT), 0.0, 1.25)
    shape = LyingCylinder(3.0, 18.0, Head.FLAT)
    assert sump.heel_m3 == 1.25
    assert sump.clause == shape.clause
    assert [sump.volume(level) - shape.volume(level) for level in (0.0, 1.0, 3.0)] == pytest.approx([1.25] * 3)


@given(st.floats(0.0, 7.9), st.floats(0.0, 1.0))
def test_every_level_of_the_shape_is_reached_and_none_beyond(datum: float, share: float) -> None:
    shape = UprightCylinder(8.0, 8.0)
    moved = WithDatum(shape, datum)
    level = share * moved.top_m
    assert moved.volume(level) == pytest.approx(shape.volume(min(8.0, level + datum)), rel=1e-12)
    assert moved.volume(moved.top_m) == shape.volume(8.0)
    for outside in (-1e-6, moved.top_m + 1e-6, math.nan):
        with pytest.raises(LimitError, match="level"):
            moved.volume(outside)


@pytest.mark.parametrize(
    ("datum", "sump", "message"),
    [
        (8.0, 0.0, "datum 8 m above the lowest point; it must be within the shape, 0 m to less than 8 m"),
        (-0.1, 0.0, "datum -0.1 m above the lowest point; it must be within the shape, 0 m to less than 8 m"),
        (math.nan, 0.0, "datum nan m above the lowest point; it must be within the shape, 0 m to less than 8 m"),
        (0.0, -1.0, "heel -1 m3; it must be zero or more"),
    ],
)
def test_what_cannot_be_is_refused(datum: float, sump: float, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        WithDatum(UprightCylinder(8.0, 8.0), datum, sump)
    assert caught.value.mistakes == (f"upright cylinder, pi D^2/4 h: {message}",)
