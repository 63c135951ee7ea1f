"""Where a gauge counts from and where the capacity table does: unlike words are a mistake unless an offset is given.

The story: the table's zero is the tank floor, the gauge's zero the datum plate, 62 mm higher.
"""

from pathlib import Path

import pytest

from gateway.errors import SettingsError
from gateway.settings import TankSetup
from gateway.settings.capacity.table_file import read_capacity_csv
from gateway.settings.capacity.text import capacity_csv
from gateway.settings.tanks.datum_checks import same_place
from tests.settings.yard import PARTS, tank

TABLE = (PARTS / "short_table.csv").read_text("utf-8")


def with_table(
    folder: Path, datum: str, level: str, second: str = "", shift: str = ""
) -> tuple[TankSetup, tuple[str, ...]]:
    """A tank whose table counts from `datum`; `level` and `second` are further keys of the gauges."""
    text = TABLE.replace("# datum: datum plate", f"# datum: {datum}" + (f"\n# datum shift: {shift}" if shift else ""))
    (folder / "t.csv").write_text(text, "utf-8")
    keys = {"level": f"{{instrument: G-1, signal: innage, measures: innage{level}}}"}
    if second:
        keys["second_level"] = f"{{instrument: G-2, signal: innage, measures: innage{second}}}"
    setup, warnings = tank(folder, capacity_table="t.csv", **keys)
    return setup, of_zeros(warnings)


def of_zeros(warnings: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(each for each in warnings if " zero " in each)


def test_the_same_words_are_well(tmp_path: Path) -> None:
    _, warnings = with_table(tmp_path, "Datum-Plate, 62 mm above the tank floor", ", datum: the datum plate")
    assert warnings == ()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("datum plate", "Datum  Plate", True),
        ("datum_plate", "datum-plate, welded in 2019", True),
        ("the tank floor", "tank floor", True),
        ("table zero", "tank floor", True),
        ("datum plate", "zero of the gauge, moved from tank floor", True),
        ("datum plate", "tank floor", False),
        ("datum plate, tank floor", "tank floor", False),
    ],
)
def test_words_that_mean_the_same_place(one: str, other: str, same: bool) -> None:
    assert same_place(one, other) is same_place(other, one) is same


def test_unlike_words_are_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="'datum plate' is not the zero of the capacity table, 'tank floor'"):
        with_table(tmp_path, "tank floor", ", datum: datum plate")
    with pytest.raises(SettingsError, match=r"second_level\.datum: 'datum plate' is not the zero of the capacity"):
        with_table(tmp_path, "tank floor", ", datum: tank floor", ", datum: datum plate")


def test_an_offset_brings_one_zero_to_the_other_and_is_to_be_proven(tmp_path: Path) -> None:
    setup, warnings = with_table(tmp_path, "tank floor", ", datum: datum plate, offset: 62 mm")
    assert setup.plan.gauge is not None
    assert len(warnings) == 1
    assert warnings[0].endswith(
        "tanks.TK-1.level.offset: 62 mm is taken to bring the zero of the gauge, 'datum plate', to that of the "
        "capacity table, 'tank floor'; prove it by a dip"
    )


def test_free_water_does_not_go_with_the_offset_of_the_gauge(tmp_path: Path) -> None:
    """A probe that stands on the plate as well reads 62 mm less than the table counts, and nothing brings it there."""
    water = "{kind: dip, value: 20 mm, entered: 2026-02-27T06:00Z, expires: 7 d}"
    (tmp_path / "t.csv").write_text(TABLE.replace("# datum: datum plate", "# datum: tank floor"), "utf-8")
    level = "{instrument: G-1, signal: innage, measures: innage, datum: datum plate, offset: 62 mm}"
    _, warnings = tank(tmp_path, capacity_table="t.csv", level=level, free_water=water)
    (told,) = [each for each in of_zeros(warnings) if ".free_water: " in each]
    assert told.endswith(
        "tanks.TK-1.free_water: counts from the zero of the capacity table, 'tank floor', and not from that of the "
        "level gauge, 'datum plate'; where the probe or the tape counts from there, add as much to what it says"
    )


def test_a_shift_in_the_table_does_so_too_and_stays_said_when_the_table_is_written_again(tmp_path: Path) -> None:
    _, warnings = with_table(tmp_path, "tank floor", ", datum: datum plate", shift="62 mm, zero of the gauge higher")
    assert warnings == ()
    written = capacity_csv(read_capacity_csv(tmp_path / "t.csv"), "m", "m3")
    assert "# datum: zero of the gauge, moved from tank floor" in written
    (tmp_path / "t.csv").write_text(written, "utf-8")
    _, warnings = tank(
        tmp_path,
        capacity_table="t.csv",
        level="{instrument: G-1, signal: innage, measures: innage, datum: datum plate}",
    )
    assert of_zeros(warnings) == ()


def test_a_gauge_that_does_not_say_its_zero_is_asked_for_it(tmp_path: Path) -> None:
    _, warnings = with_table(tmp_path, "tank floor", "")
    assert len(warnings) == 1
    assert warnings[0].endswith(
        "tanks.TK-1.level: does not say what its zero is; that of the capacity table is 'tank floor': give datum"
    )


def test_without_a_table_two_gauges_are_held_against_each_other(tmp_path: Path) -> None:
    first = "{instrument: G-1, signal: innage, measures: innage, datum: datum plate}"
    second = "{{instrument: G-2, signal: innage, measures: innage, datum: {}}}"
    assert tank(tmp_path, level=first, second_level=second.format("datum plate"))[1] == ()
    _, (warning,) = tank(tmp_path, level=first, second_level=second.format("tank floor, offset: -62 mm"))
    assert (
        "second_level.offset: -62 mm is taken to bring the zero of the gauge, 'tank floor', to that of the first"
        in (warning)
    )
