"""Capacity tables: interpolation, the way back, the ends, and what is refused."""

import math
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.calculation.shapes import UprightCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import LimitError, SettingsError
from tests.calculation.golden_values import GoldenRow, golden_rows


def by_id(row: GoldenRow) -> str:
    return row.id


@st.composite
def tables(draw: st.DrawFn) -> CapacityTable:
    count = draw(st.integers(2, 40))
    level_steps = draw(st.lists(st.floats(1e-4, 2.0), min_size=count, max_size=count))
    volume_steps = draw(st.lists(st.one_of(st.just(0.0), st.floats(1e-3, 500.0)), min_size=count, max_size=count))
    level, volume = draw(st.floats(-0.5, 0.5)), draw(st.floats(0.0, 10.0))
    levels, volumes = [], []
    for up, more in zip(level_steps, volume_steps, strict=True):
        levels.append(level)
        volumes.append(volume)
        level, volume = level + up, volume + more
    return CapacityTable("T", tuple(levels), tuple(volumes))


@pytest.mark.parametrize("row", golden_rows("capacity_table.csv", "interpolation"), ids=by_id)
def test_interpolation(row: GoldenRow) -> None:
    levels = (row.number("lower_level"), row.number("upper_level"))
    table = CapacityTable("T", levels, (row.number("lower_volume"), row.number("upper_volume")))
    assert table.volume(row.number("level")) == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("capacity_table.csv", "above_top"), ids=by_id)
def test_never_above_its_top(row: GoldenRow) -> None:
    table = CapacityTable("T", (0.0, row.number("top")), (0.0, 10.0))
    with pytest.raises(LimitError) as caught:
        table.volume(row.number("level"))
    assert row.expected in str(caught.value)


@given(table=tables())
@example(CapacityTable("T", (0.0, 1.0, 2.0, 3.0, 3.191494799422002), (0.0, 0.0, 0.0, 0.0, 429.8125)))  # the last one
def test_rows_come_back_exactly(table: CapacityTable) -> None:
    for level, volume in zip(table.levels_m, table.volumes_m3, strict=True):
        assert table.volume(level) == volume


@given(table=tables(), shares=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)))
def test_volume_never_falls(table: CapacityTable, shares: tuple[float, float]) -> None:
    low, high = (min(table.top_m, table.bottom_m + s * (table.top_m - table.bottom_m)) for s in sorted(shares))
    assert table.volume(low) <= table.volume(high)


@given(table=tables(), share=st.floats(0.0, 1.0))
def test_level_and_back(table: CapacityTable, share: float) -> None:
    volume = min(table.volumes_m3[-1], table.volumes_m3[0] + share * (table.volumes_m3[-1] - table.volumes_m3[0]))
    level = table.level(volume)
    assert table.bottom_m <= level <= table.top_m
    steepest = max(
        (b - a) / (d - c) for (a, b), (c, d) in zip(pairwise(table.volumes_m3), pairwise(table.levels_m), strict=True)
    )
    assert table.volume(level) == pytest.approx(volume, abs=1e-12 + steepest * 1e-13 + 1e-12 * volume)


def test_level_of_a_flat_stretch_is_its_lowest() -> None:
    table = CapacityTable("T", (0.0, 1.0, 2.0, 3.0), (0.0, 5.0, 5.0, 9.0))
    assert table.level(5.0) == 1.0
    assert table.volume(1.5) == 5.0


@given(level=st.floats(0.0, 14.6))
def test_a_table_of_an_upright_cylinder_is_the_cylinder(level: float) -> None:
    shape = UprightCylinder(18.0, 14.6, 3.0)
    levels = tuple(14.6 * i / 73 for i in range(74))
    table = CapacityTable("T", levels, tuple(shape.volume(each) for each in levels), heel_m3=3.0)
    assert table.volume(level) == pytest.approx(shape.volume(level), rel=1e-12)


@pytest.mark.parametrize(
    ("level", "text"),
    [
        (-1e-9, "level -1e-09 m is below the lowest level with a known volume, 0 m"),
        (13.31, "level 13.31 m is above the highest level with a known volume, 13.2 m"),
        (math.nan, "level nan m is not a number; 0 m to 13.2 m has a known volume"),
    ],
)
def test_refuses_a_level_outside(level: float, text: str) -> None:
    table = CapacityTable("TK-7", (0.0, 13.2), (0.0, 1000.0))
    with pytest.raises(LimitError) as caught:
        table.volume(level)
    assert str(caught.value) == f"{text} (capacity table TK-7, linear interpolation)"


@pytest.mark.parametrize(("volume", "what"), [(0.5, "below"), (1000.1, "above"), (math.nan, "not a number")])
def test_refuses_a_volume_outside(volume: float, what: str) -> None:
    with pytest.raises(LimitError, match=what):
        CapacityTable("TK-7", (0.0, 13.2), (1.0, 1000.0)).level(volume)


@pytest.mark.parametrize(
    ("levels", "volumes", "text"),
    [
        ((0.0,), (0.0,), "1 rows; at least two are needed"),
        ((0.0, 1.0), (0.0,), "2 levels and 1 volumes; each level needs one volume"),
        ((0.0, 1.0, 1.0), (0.0, 1.0, 2.0), "row 3: level 1 m is given twice, as in row 2; keep one of the two rows"),
        ((0.0, 1.0, 0.5), (0.0, 1.0, 2.0), "row 3: level 0.5 m does not rise above 1 m in row 2; levels must rise"),
        ((0.0, 1.0), (2.0, 1.0), "row 2: volume 1 m3 falls below 2 m3 in row 1; volumes must not fall"),
        ((0.0, 1.0), (-1.0, 1.0), "row 1: volume -1 m3 is negative; a table holds no negative volumes"),
        ((math.nan, 1.0), (0.0, 1.0), "row 1: level nan is not finite; write a number"),
        ((0.0, 1.0), (0.0, math.inf), "row 2: volume inf is not finite; write a number"),
    ],
)
def test_refuses_rows_that_cannot_be(levels: tuple[float, ...], volumes: tuple[float, ...], text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        CapacityTable("T", levels, volumes)
    assert caught.value.mistakes == (f"capacity table T: {text}",)


def test_names_every_mistake_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        CapacityTable("T", (0.0, 0.0, 1.0), (3.0, 2.0, 4.0), heel_m3=-1.0, roof_included=True)
    assert len(caught.value.mistakes) == 4


@pytest.mark.parametrize(
    ("stated", "text"),
    [
        ({"heel_m3": 2.0}, "row 1: volume 1 m3 is less than the heel, 2 m3; it must include it"),
        ({"head_included": True}, "liquid head included, but at which density is not given; give it in kg/m3"),
        (
            {"roof_density_kg_m3": 800.0},
            "roof density 800 kg/m3; it must be above zero, for a roof included",
        ),
    ],
)
def test_refuses_what_cannot_be_stated_together(stated: dict[str, float], text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        CapacityTable("T", (0.0, 1.0), (1.0, 2.0), **stated)  # type: ignore[arg-type]
    assert caught.value.mistakes == (f"capacity table T: {text}",)
