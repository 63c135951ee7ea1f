"""Checks of a capacity table: each finds what was put there, and leaves a sound table alone."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.capacity_table import CapacityTable
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import LimitPlan
from gateway.calculation.shapes import (
    Deadwood,
    End,
    EndKind,
    Head,
    LyingCylinder,
    Sphere,
    UprightCylinder,
    UprightVessel,
    WithDeadwood,
)
from gateway.calculation.table_checks import (
    CoarseRow,
    against_shape,
    coarse_rows,
    ends_against_limits,
    odd_rows,
    preview_import,
)
from gateway.calculation.table_making import table_from_shape

UPRIGHT = UprightCylinder(18.0, 14.6)
SOUND: dict[str, Capacity] = {
    "upright": UPRIGHT,
    "lying": LyingCylinder(3.0, 10.0, Head.TORISPHERICAL),
    "sphere": Sphere(3.0),
    "coned": UprightVessel(12.0, 3.0, End(EndKind.CONE_UP, 0.3)),
    "coils": WithDeadwood(UPRIGHT, (Deadwood(1.0, 0.2, 0.8),)),
}


def table(shape: Capacity = UPRIGHT, step_m: float = 0.02) -> CapacityTable:
    return table_from_shape(shape, "T", step_m)


def with_volume(sound: CapacityTable, row: int, added_m3: float) -> CapacityTable:
    volumes = list(sound.volumes_m3)
    volumes[row - 1] += added_m3
    return replace(sound, volumes_m3=tuple(volumes))


@pytest.mark.parametrize("name", sorted(SOUND))
def test_a_sound_table_has_no_odd_rows(name: str) -> None:
    assert odd_rows(table(SOUND[name])) == ()


@given(row=st.integers(3, 727), part=st.floats(0.05, 0.9), sign=st.sampled_from([-1.0, 1.0]))
def test_one_wrong_volume_is_named_once(row: int, part: float, sign: float) -> None:
    sound = table()
    per_row = sound.volumes_m3[1] - sound.volumes_m3[0]
    (found,) = odd_rows(with_volume(sound, row, sign * part * per_row))
    assert found.row in (row, row + 1)
    assert f"row {found.row}, {found.level_m:.4f} m: the volume rises by" in found.text


def test_the_last_row_is_looked_at() -> None:
    sound = table()
    count = len(sound.levels_m)
    assert [found.row for found in odd_rows(with_volume(sound, count, 2.0))] == [count]


def test_volumes_printed_to_few_digits_are_not_odd() -> None:
    sound = table(UprightCylinder(3.0, 6.0), 0.001)
    # 7.07 L per mm printed to whole litres: increments of 7 and 8.
    printed = replace(sound, volumes_m3=tuple(round(volume, 3) for volume in sound.volumes_m3))
    assert odd_rows(printed) == ()
    assert [found.row for found in odd_rows(with_volume(printed, 3000, 0.005))] in ([3000], [3001])


def test_barrels_printed_to_hundredths_are_not_odd() -> None:
    sound = table(UprightCylinder(2.0, 6.0), 0.0015875)
    printed = replace(sound, volumes_m3=tuple(round(v / 0.158987294928, 2) * 0.158987294928 for v in sound.volumes_m3))
    assert odd_rows(printed) == ()


def test_rows_too_far_apart_for_a_curve_are_odd() -> None:
    assert odd_rows(table(LyingCylinder(3.0, 10.0, Head.FLAT), 0.3)) != ()


def test_three_rows_cannot_be_compared() -> None:
    assert odd_rows(CapacityTable("T", (0.0, 1.0, 2.0), (0.0, 1.0, 9.0))) == ()


def test_against_its_own_shape_nothing_differs() -> None:
    found = against_shape(table(), UPRIGHT)
    assert (found.beyond, found.compared, found.outside) == ((), 731, 0)
    assert found.worst is not None
    assert found.worst.difference_m3 == 0.0


@given(share=st.floats(-0.02, 0.02))
def test_against_a_shape_half_a_percent_is_the_border(share: float) -> None:
    sound = table(step_m=1.0)
    scaled = replace(sound, volumes_m3=tuple(volume * (1.0 + share) for volume in sound.volumes_m3))
    found = against_shape(scaled, UPRIGHT)
    assert (len(found.beyond) > 0) == (abs(share) > 0.005 * (1.0 + 1e-12)) or abs(abs(share) - 0.005) < 1e-12
    if abs(share) > 0.0051:
        # Every row but the empty one.
        assert [each.level_m for each in found.beyond] == list(sound.levels_m[1:])


def test_a_bottom_that_is_not_even_is_no_difference() -> None:
    sound = table(step_m=0.01)
    # 0.15 m3 over a whole bottom of 254 m2: 30 % of the volume at 2 mm, nothing in the tank.
    lifted = replace(sound, volumes_m3=tuple(volume + 0.15 for volume in sound.volumes_m3))
    assert against_shape(lifted, UPRIGHT).beyond == ()


def test_another_tanks_table_differs() -> None:
    found = against_shape(table(UprightCylinder(18.2, 15.0)), UPRIGHT)
    assert found.outside == 20
    assert found.worst is not None
    assert found.worst.difference_m3 / found.worst.other_m3 == pytest.approx((18.2 / 18.0) ** 2 - 1.0)


LIMITS = LimitPlan(minimum_m=0.9, maximum_working_m=13.2, high_high_m=13.55, critical_high_m=13.95)


def test_a_table_that_covers_its_limits() -> None:
    assert ends_against_limits(table(), LIMITS, 15.24) == ()


def test_a_table_that_ends_below_critical_high_is_refused() -> None:
    short = table(UprightCylinder(18.0, 13.6))
    (found,) = ends_against_limits(short, LIMITS, 15.24)
    assert (found.refuse, found.text) == (True, "the table ends at 13.600 m, below the critical high level, 13.950 m")


def test_a_table_that_starts_above_the_minimum_is_refused() -> None:
    late = CapacityTable("T", (1.0, 14.6), (250.0, 3715.0))
    (found,) = ends_against_limits(late, LIMITS, 15.24)
    assert (found.refuse, found.text) == (True, "the table starts at 1.000 m, above the minimum level, 0.900 m")


def test_a_table_that_starts_late_or_ends_high_is_odd() -> None:
    odd = CapacityTable("T", (0.5, 15.5), (120.0, 3944.0))
    found = ends_against_limits(odd, LIMITS, 15.24)
    assert [each.refuse for each in found] == [False, False]
    assert "the table starts at 0.500 m" in found[0].text
    assert "above the reference height, 15.240 m; do they have the same datum?" in found[1].text


def test_coarse_rows_in_a_critical_zone() -> None:
    rough = CapacityTable("T", (0.0, 1.0, 1.5, 1.75, 1.8, 3.0), (0.0, 1.0, 1.5, 1.7, 1.8, 3.0))
    assert coarse_rows(rough, 1.6, 2.0, 0.05) == (CoarseRow(1.5, 1.75), CoarseRow(1.8, 3.0))
    assert coarse_rows(table(step_m=0.01), 1.6, 2.0, 0.01) == ()


def test_a_preview_names_the_largest_change() -> None:
    old = table()
    new = replace(with_volume(old, 400, 1.5), date=date(2026, 3, 2), temperature_c=15.0, roof_included=None)
    found = preview_import(old, new)
    assert [(each.level_m, round(each.difference_m3, 9)) for each in found.largest] == [(old.levels_m[399], 1.5)]
    assert found.changed == (
        "date: not stated becomes 2026-03-02",
        "reference temperature, degC: not stated becomes 15",
        "roof included: no becomes not stated",
    )
    assert len(found.by_level) == 21
    assert (found.by_level[0].level_m, found.by_level[-1].level_m) == (0.0, 14.6)


def test_a_preview_looks_at_the_old_tables_rows_too() -> None:
    # The new table is straight where the old one bends between its rows.
    old = CapacityTable("old", (0.0, 1.0, 2.0), (0.0, 10.0, 30.0))
    new = CapacityTable("new", (0.0, 2.0), (0.0, 30.0))
    (found,) = preview_import(old, new).largest
    assert (found.level_m, found.difference_m3) == (1.0, 5.0)


def test_a_preview_against_the_shape_in_use() -> None:
    new = table(UprightCylinder(18.05, 14.0, 2.0))
    found = preview_import(UPRIGHT, new, count=3)
    assert len(found.largest) == 3
    assert found.largest[0].level_m == 14.0
    assert found.changed[0] == "upright cylinder, pi D^2/4 h becomes capacity table T, linear interpolation"
    assert found.changed[1:] == ("highest level, m: 14.6 becomes 14", "heel, m3: 0 becomes 2")


def test_a_preview_without_a_common_level() -> None:
    low, high = CapacityTable("a", (0.0, 1.0), (0.0, 1.0)), CapacityTable("b", (2.0, 3.0), (0.0, 1.0))
    found = preview_import(low, high)
    assert (found.largest, found.by_level) == ((), ())
    assert found.changed == ("lowest level, m: 0 becomes 2", "highest level, m: 1 becomes 3")


@given(step=st.floats(0.05, 2.0))
def test_a_preview_of_the_same_table_shows_no_difference(step: float) -> None:
    same = table(step_m=step)
    found = preview_import(same, same)
    assert (found.largest, found.changed) == ((), ())
    assert all(each.difference_m3 == 0.0 for each in found.by_level)
