"""A capacity table against sizes, dimensions and limits: each check finds what was put there, and no more."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import LimitPlan
from gateway.calculation.shapes import Head, LyingCylinder, RectangularTank, Sphere, UprightCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import (
    CoarseRow,
    Form,
    against_shape,
    coarse_rows,
    ends_against_limits,
    preview_import,
    size_in_doubt,
    usual_surface_m2,
)
from gateway.calculation.tables.making import table_from_shape

UPRIGHT = UprightCylinder(18.0, 14.6)


def table(shape: Capacity = UPRIGHT, step_m: float = 0.02) -> CapacityTable:
    return table_from_shape(shape, "T", step_m)


def with_volume(sound: CapacityTable, row: int, added_m3: float) -> CapacityTable:
    volumes = list(sound.volumes_m3)
    volumes[row - 1] += added_m3
    return replace(sound, volumes_m3=tuple(volumes))


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
        (apart,) = found.beyond
        assert (apart.rows, apart.from_m, apart.to_m) == (15, 1.0, 14.6)


def test_a_bottom_that_is_not_even_is_no_difference() -> None:
    sound = table(step_m=0.01)
    # 1.25 m3 over a whole bottom of 254 m2 are 4.9 mm of level: half the volume at 10 mm, nothing in the tank.
    lifted = replace(sound, volumes_m3=tuple(volume + 1.25 for volume in sound.volumes_m3))
    assert against_shape(lifted, UPRIGHT).beyond == ()
    # 1.30 m3 are 5.1 mm, and more than 0.5 % of what is below 1.02 m.
    lifted = replace(sound, volumes_m3=tuple(volume + 1.30 for volume in sound.volumes_m3))
    (apart,) = against_shape(lifted, UPRIGHT).beyond
    assert (apart.from_m, apart.to_m) == (0.0, 1.02)


def test_volumes_printed_in_whole_cubic_metres_are_no_difference() -> None:
    sound = table(UprightCylinder(6.0, 8.0), 0.1)
    printed = replace(sound, volumes_m3=tuple(float(round(volume)) for volume in sound.volumes_m3))
    assert against_shape(printed, UprightCylinder(6.0, 8.0)).beyond == ()


@given(st.integers(4, 40), st.sampled_from([0.5, 1.0, 5.0, 10.0, 100.0]), st.floats(1.04, 1.5), st.booleans())
def test_even_volumes_are_not_taken_for_coarse_printing(
    rows: int, each_m3: float, larger: float, upwards: bool
) -> None:
    """A table by volume, by 4 % or more too great or too small: its rows are multiples of what is no rounding."""
    height_m = 10.0
    base_m2 = rows * each_m3 / height_m
    shape = RectangularTank(1.0, base_m2 * (larger if upwards else 1.0 / larger), height_m)
    even = CapacityTable(
        "even",
        levels_m=tuple(row * height_m / rows for row in range(rows + 1)),
        volumes_m3=tuple(row * each_m3 for row in range(rows + 1)),
    )
    assert against_shape(even, shape).beyond != ()


def test_a_roof_that_is_deducted_is_no_difference() -> None:
    # 25 m3 displaced between 1.5 and 1.9 m; the shell 0.2 % larger than its drawing.
    def volume(level: float) -> float:
        return 1.002 * UPRIGHT.volume(level) - 25.0 * min(1.0, max(0.0, (level - 1.5) / 0.4))

    levels = tuple(round(0.05 * number, 2) for number in range(293))
    deducted = CapacityTable(
        "T", levels, tuple(volume(level) for level in levels), roof_included=True, roof_density_kg_m3=750.0
    )
    assert against_shape(deducted, UPRIGHT).beyond == ()
    assert against_shape(replace(deducted, roof_included=False, roof_density_kg_m3=None), UPRIGHT).beyond != ()
    # The same roof under a table that is 1 % too large shows it, above as well as below.
    larger = replace(deducted, volumes_m3=tuple(1.01 * volume for volume in deducted.volumes_m3))
    found = against_shape(larger, UPRIGHT).beyond
    assert found[0].from_m < 1.5
    assert found[-1].to_m == 14.6


def test_another_tanks_table_differs() -> None:
    found = against_shape(table(UprightCylinder(18.2, 15.0)), UPRIGHT)
    assert found.outside == 20
    assert found.worst is not None
    assert found.worst.difference_m3 / found.worst.other_m3 == pytest.approx((18.2 / 18.0) ** 2 - 1.0)


SIZES: dict[str, tuple[Capacity, Form]] = {
    "upright": (UPRIGHT, Form.UPRIGHT),
    "drum": (UprightCylinder(0.57, 0.85), Form.UPRIGHT),
    "crude": (UprightCylinder(100.0, 18.0), Form.UPRIGHT),
    "pit": (RectangularTank(40.0, 20.0, 2.0), Form.UPRIGHT),
    "bullet": (LyingCylinder(3.0, 18.0, Head.ELLIPSOIDAL), Form.LYING),
    "long": (LyingCylinder(2.0, 60.0, Head.TORISPHERICAL), Form.LYING),
    "sphere": (Sphere(20.0), Form.SPHERE),
    "small sphere": (Sphere(1.5), Form.SPHERE),
}


@pytest.mark.parametrize("name", sorted(SIZES))
def test_sizes_that_are_built(name: str) -> None:
    shape, form = SIZES[name]
    made = table_from_shape(shape, "T", 0.05)
    assert size_in_doubt(made, form) is None
    assert size_in_doubt(made) is None, "whatever it is"


@pytest.mark.parametrize("thousandfold", [0.001, 1000.0])
@pytest.mark.parametrize("name", sorted(SIZES))
def test_a_mark_of_thousands_makes_a_size_that_nobody_builds(name: str, thousandfold: float) -> None:
    """Diameters are 31.6 times too small or too large; the largest flat tank alone is believable in small."""
    shape, form = SIZES[name]
    made = table_from_shape(shape, "T", 0.05)
    wrong = replace(made, volumes_m3=tuple(thousandfold * volume for volume in made.volumes_m3))
    believable = thousandfold == 0.001 and name in ("crude", "pit")
    assert (size_in_doubt(wrong, form) is None) == believable


@pytest.mark.parametrize(
    ("shape", "form", "share", "words"),
    [
        (UprightCylinder(0.29, 1.0), Form.UPRIGHT, 1.0, "a mean diameter of 0.29 m, where tanks have 0.3 m to 120 m"),
        (UprightCylinder(121.0, 20.0), Form.UPRIGHT, 1.0, "a mean diameter of 121 m, where tanks have 0.3 m to 120 m"),
        (UPRIGHT, Form.UPRIGHT, 0.001, "a tank of 0.569 m across and 14.6 m high"),
        (LyingCylinder(3.0, 18.0, Head.FLAT), Form.LYING, 0.04, "a vessel of 3 m across and 0.72 m long"),
        # V = pi h^2 (3 D/2 - h)/3 for D: of a quarter of the volume (h/4 + h) 2/3.
        (Sphere(12.0), Form.SPHERE, 0.5, "a sphere of 10 m across, at 12 m of level"),
    ],
)
def test_sizes_that_nobody_builds(shape: Capacity, form: Form, share: float, words: str) -> None:
    made = table_from_shape(shape, "T", 0.05)
    scaled = replace(made, volumes_m3=tuple(share * volume for volume in made.volumes_m3))
    assert size_in_doubt(scaled, form) == f"its volumes give {words}; see to its units and marks of thousands"


def test_the_usual_surface_is_that_of_the_shell() -> None:
    # A bottom that fills late and a roof that is deducted do not count.
    made = CapacityTable("T", (0.0, 0.4, 1.5, 1.9, 12.0), (0.0, 20.0, 130.0, 145.0, 1155.0))
    assert usual_surface_m2(made) == pytest.approx(100.0, rel=1e-12)


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


def test_a_table_that_starts_late_is_odd_and_one_that_ends_high_is_refused() -> None:
    odd = CapacityTable("T", (0.5, 15.5), (120.0, 3944.0))
    found = ends_against_limits(odd, LIMITS, 15.24)
    assert [each.refuse for each in found] == [False, True]
    assert "the table starts at 0.500 m" in found[0].text
    assert "above the reference height, 15.240 m; do they have the same datum?" in found[1].text


@pytest.mark.parametrize(("stated", "refused"), [(15.240, False), (15.243, False), (15.2441, True), (15.190, True)])
def test_a_table_of_another_reference_height_is_refused(stated: float, refused: bool) -> None:
    made = replace(table(), reference_height_m=stated)
    found = ends_against_limits(made, LIMITS, 15.24)
    assert [each.refuse for each in found] == ([True] if refused else [])


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
        "reference temperature: not stated becomes 15 degC",
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
    assert found.changed[1:] == ("highest level: 14.6 m becomes 14 m", "heel: 0 m3 becomes 2 m3")


def test_a_preview_without_a_common_level() -> None:
    low, high = CapacityTable("a", (0.0, 1.0), (0.0, 1.0)), CapacityTable("b", (2.0, 3.0), (0.0, 1.0))
    found = preview_import(low, high)
    assert (found.largest, found.by_level) == ((), ())
    assert found.changed == ("lowest level: 0 m becomes 2 m", "highest level: 1 m becomes 3 m")


@given(step=st.floats(0.05, 2.0))
def test_a_preview_of_the_same_table_shows_no_difference(step: float) -> None:
    same = table(step_m=step)
    found = preview_import(same, same)
    assert (found.largest, found.changed) == ((), ())
    assert all(each.difference_m3 == 0.0 for each in found.by_level)
