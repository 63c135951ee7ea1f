"""Tables made from shapes, and their rows in other units."""

from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import (
    End,
    EndKind,
    Head,
    LyingCylinder,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
)
from gateway.calculation.shapes.datum import WithDatum
from gateway.calculation.tables.making import FineZone, rows_in_units, table_from_shape
from gateway.errors import QuantityError, SettingsError
from gateway.units.quantity import Dimension, from_unit

BULLET = LyingCylinder(3.0, 18.0, Head.ELLIPSOIDAL)


def test_every_row_is_the_shape() -> None:
    made = table_from_shape(BULLET, "B", 0.01)
    assert len(made.levels_m) == 301
    assert all(made.volume(level) == BULLET.volume(level) for level in made.levels_m)
    assert (made.bottom_m, made.top_m) == (0.0, 3.0)
    assert (made.head_included, made.roof_included) == (False, False)
    assert made.notes == "calculated from dimensions: lying cylinder, ellipsoidal heads"


def test_steps_are_multiples_and_the_top_is_a_row() -> None:
    made = table_from_shape(UprightCylinder(10.0, 1.05), "U", 0.1)
    assert made.levels_m == (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.05)


def test_fine_zones() -> None:
    made = table_from_shape(UprightCylinder(10.0, 4.0), "U", 0.5, (FineZone(0.0, 0.1, 0.02), FineZone(1.6, 2.0, 0.1)))
    assert made.levels_m == (
        0.0,
        0.02,
        0.04,
        0.06,
        0.08,
        0.1,
        0.5,
        1.0,
        1.5,
        1.6,
        1.7,
        1.8,
        1.9,
        2.0,
        2.5,
        3.0,
        3.5,
        4.0,
    )


def test_the_heel_goes_along() -> None:
    made = table_from_shape(UprightVessel(12.0, 10.0, End(EndKind.CONE, 0.5), datum_m=0.5), "C", 0.1)
    assert made.heel_m3 == made.volumes_m3[0] > 0.0


@given(step=st.floats(0.002, 0.5), share=st.floats(0.0, 1.0))
def test_interpolation_errs_by_no_more_than_the_curve_bends(step: float, share: float) -> None:
    made = table_from_shape(BULLET, "B", step)
    level = min(3.0, 3.0 * share)
    index = next(i for i, (low, high) in enumerate(pairwise(made.levels_m)) if low <= level <= high)
    low, high = made.volumes_m3[index], made.volumes_m3[index + 1]
    assert low <= made.volume(level) <= high
    assert low - 1e-12 <= BULLET.volume(level) <= high + 1e-12


@st.composite
def vessels(draw: st.DrawFn) -> Capacity:
    """Any vessel, its datum anywhere: tops that are no multiple of a step, ends that hold next to nothing."""
    diameter, length = draw(st.floats(0.8, 4.0)), draw(st.floats(1.0, 30.0))
    head = draw(st.sampled_from(list(Head)))
    shapes: list[Capacity] = [
        UprightCylinder(diameter, length),
        UprightVessel(diameter, length, End(EndKind.CONE, 0.4), End(EndKind.ELLIPSOIDAL)),
        LyingCylinder(diameter, length, head),
        Sphere(diameter),
    ]
    if draw(st.booleans()):
        gauge_m = draw(st.sampled_from([0.0, 0.5 * length, length]))
        return TiltedCylinder(diameter, length, head, draw(st.floats(1e-5, 0.3)), gauge_m)
    shape = draw(st.sampled_from(shapes))
    datum_m = draw(st.sampled_from([0.0, 0.1, 0.062, 0.7]))
    return WithDatum(shape, datum_m, draw(st.sampled_from([0.0, 4.2]))) if datum_m else shape


@settings(max_examples=40)
@given(vessel=vessels(), step=st.sampled_from([0.001, 0.01, 0.1, 0.00635]))
@example(
    vessel=TiltedCylinder(3.178069313351993, 26.97168644460326, Head.TORISPHERICAL, 0.0019263164231272548, 0.0),
    step=0.01,
)
@example(vessel=WithDatum(UprightCylinder(8.0, 0.3), 0.1, 0.0), step=0.1)
def test_every_vessel_has_a_table(vessel: Capacity, step: float) -> None:
    """A heel of -1.4e-10 m3 by the error of a fit, or a top of 0.19999999999999998 m, is no reason to have none."""
    made = table_from_shape(vessel, "V", step)
    assert (made.bottom_m, made.top_m) == (vessel.bottom_m, vessel.top_m)
    assert min(high - low for low, high in pairwise(made.levels_m)) > 1e-10
    assert made.heel_m3 >= 0.0
    full = vessel.volume(vessel.top_m)
    for level, volume in zip(made.levels_m, made.volumes_m3, strict=True):
        assert volume == pytest.approx(vessel.volume(level), rel=0.0, abs=1e-10 * full)


@given(level_unit=st.sampled_from(["mm", "ft", "in"]), volume_unit=st.sampled_from(["L", "bbl", "US gal", "ft3"]))
def test_units_there_and_back(level_unit: str, volume_unit: str) -> None:
    made = table_from_shape(BULLET, "B", 0.25)
    for (level, volume), m, m3 in zip(
        rows_in_units(made, level_unit, volume_unit), made.levels_m, made.volumes_m3, strict=True
    ):
        assert from_unit(level, level_unit, Dimension.LENGTH) == pytest.approx(m, rel=1e-12)
        assert from_unit(volume, volume_unit, Dimension.VOLUME) == pytest.approx(m3, rel=1e-12)


def test_refuses() -> None:
    with pytest.raises(QuantityError):
        rows_in_units(table_from_shape(BULLET, "B", 0.5), "fathom", "m3")
    with pytest.raises(SettingsError, match="the step above zero"):
        table_from_shape(BULLET, "B", 0.0)
    with pytest.raises(SettingsError, match="the second level must be the higher"):
        FineZone(1.0, 0.5, 0.1)
    with pytest.raises(SettingsError, match="about 300000 rows; at most 100000, choose longer steps"):
        table_from_shape(BULLET, "B", 0.00001)
