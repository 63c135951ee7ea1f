"""From a volume back to the level that holds it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.contracts import Capacity
from gateway.calculation.shapes import Head, LyingCylinder, Sphere, UprightCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.level_of_volume import level_of_volume
from gateway.errors import LimitError
from tests.support.plans import StraightTank

SHAPES: dict[str, Capacity] = {
    "straight": StraightTank(),
    "heel": StraightTank(heel_m3=50.0),
    "upright": UprightCylinder(18.0, 14.6, 4.2),
    "sphere": Sphere(14.0),
    "bullet": LyingCylinder(3.0, 18.0, Head.ELLIPSOIDAL),
}


@pytest.mark.parametrize("name", SHAPES)
@given(part=st.floats(0.0, 1.0))
def test_the_level_found_holds_the_volume_asked_for(name: str, part: float) -> None:
    capacity = SHAPES[name]
    full, least = capacity.volume(capacity.top_m), capacity.volume(capacity.bottom_m)
    volume = least + part * (full - least)
    level = level_of_volume(capacity, volume)
    assert capacity.bottom_m <= level <= capacity.top_m
    assert capacity.volume(level) == pytest.approx(volume, abs=1e-9 * full)
    # The lowest such level: a nanometre lower there is less.
    if capacity.bottom_m + 1e-6 < level:
        assert capacity.volume(level - 1e-6) <= volume


def test_the_ends() -> None:
    for capacity in SHAPES.values():
        assert level_of_volume(capacity, capacity.volume(capacity.top_m)) == pytest.approx(capacity.top_m, abs=1e-5)
        assert level_of_volume(capacity, capacity.volume(capacity.bottom_m)) == capacity.bottom_m


def test_eighty_percent_of_a_sphere_is_not_eighty_percent_of_its_height() -> None:
    # pi h^2 (3 D/2 - h)/3 = 0.8 pi D^3/6, h = 9.980 m of 14 m.
    level = level_of_volume(Sphere(14.0), 0.8 * math.pi * 14.0**3 / 6.0)
    assert level == pytest.approx(9.980, abs=5e-4)
    assert math.pi * level**2 * (21.0 - level) / 3.0 == pytest.approx(0.8 * math.pi * 14.0**3 / 6.0, rel=1e-12)


def test_where_a_table_stands_still_the_lowest_level_is_taken() -> None:
    table = CapacityTable("table", (0.0, 1.0, 2.0, 3.0), (0.0, 10.0, 10.0, 20.0))
    assert level_of_volume(table, 10.0) == pytest.approx(1.0, abs=1e-12)
    assert level_of_volume(table, 10.0 + 1e-9) > 2.0


@pytest.mark.parametrize("volume", [49.9, 1050.1, math.nan])
def test_never_beyond_the_ends(volume: float) -> None:
    with pytest.raises(LimitError, match="volume"):
        level_of_volume(SHAPES["heel"], volume)
