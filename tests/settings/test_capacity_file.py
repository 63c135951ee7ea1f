"""Reading a capacity table from CSV: units, datum, heel, decimal marks, and every mistake with its line."""

import math
import re
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.shapes import Head, LyingCylinder
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import SettingsError
from gateway.settings.capacity.table_file import read_capacity_csv, read_capacity_text
from gateway.settings.capacity.text import capacity_csv

EXAMPLES = Path(__file__).parents[2] / "config" / "tables"
HEADER = {
    "name": "TK-7",
    "level": "m",
    "volume": "m3",
    "datum": "datum plate",
    "date": "2024-05-14",
    "reference temperature": "15 degC",
    "liquid head": "not included",
    "roof": "not included",
    "heel": "none",
}


def written(tmp_path: Path, rows: str, *extra: str, columns: str = "level,volume", **changed: str | None) -> Path:
    """A file with the usual header, entries changed (`reference_temperature`) or, where None, left out."""
    entries = {**HEADER, **{key.replace("_", " "): value for key, value in changed.items()}}
    lines = [f"# {key}: {value}" for key, value in entries.items() if value is not None]
    path = tmp_path / "table.csv"
    path.write_text("\n".join([*lines, *extra, columns, rows]) + "\n", encoding="utf-8")
    return path


def mistakes(path: Path) -> list[str]:
    """Every mistake as `LINE: text`."""
    with pytest.raises(SettingsError) as caught:
        read_capacity_csv(path)
    assert all(text.startswith(f"{path}:") for text in caught.value.mistakes)
    return [text.removeprefix(f"{path}:") for text in caught.value.mistakes]


def rows(table: CapacityTable) -> list[tuple[float, float]]:
    return list(zip(table.levels_m, table.volumes_m3, strict=True))


def test_the_worked_example() -> None:
    table = read_capacity_csv(EXAMPLES / "example_tank.csv")
    assert table.name == "EX-1, worked example"
    assert table.datum == "datum plate, 62 mm above the tank floor"
    assert table.date == date(2026, 3, 2)
    assert (table.temperature_c, table.heel_m3, table.head_density_kg_m3) == (15.0, 4.2, 838.0)
    assert (table.head_included, table.roof_included) == (True, False)
    assert (table.bottom_m, table.top_m) == (0.0, 11.0)
    assert table.volume(0.02) == 6.462


def test_the_example_with_a_floating_roof() -> None:
    table = read_capacity_csv(EXAMPLES / "example_floating_roof.csv")
    assert (table.roof_included, table.roof_density_kg_m3, table.head_included) == (True, 742.0, False)
    assert table.temperature_c == pytest.approx(15.5556, abs=1e-4)
    # Afloat: pi 24^2/4 h - 46000/742, printed to 0.01 bbl.
    assert table.volume(12.192) == pytest.approx(math.pi * 144.0 * 12.192 - 46_000 / 742, abs=0.001)
    assert table.volume(1.2192) == pytest.approx(math.pi * 144.0 * 1.2192, abs=0.001)


def test_the_example_in_ullage() -> None:
    table = read_capacity_csv(EXAMPLES / "example_ullage.csv")
    shape = LyingCylinder(2.5, 7.0, Head.TORISPHERICAL, 1.0, 0.1)
    assert (table.bottom_m, table.top_m) == pytest.approx((0.0, 2.5), abs=1e-12)
    for level, volume in rows(table):
        assert volume == pytest.approx(shape.volume(min(2.5, max(0.0, level))), abs=0.00051)


def test_units_of_both_columns(tmp_path: Path) -> None:
    table = read_capacity_csv(written(tmp_path, "0,10\n250,12.5\n", level="mm", volume="bbl"))
    assert table.levels_m == (0.0, 0.25)
    # 1 bbl = 42 US gallons of 231 in3 = 0.158987294928 m3 (NIST SP 811, B.8).
    assert table.volumes_m3 == pytest.approx((1.58987294928, 1.9873411866), rel=1e-14)


@pytest.mark.parametrize(
    "level",
    ["31'7-5/16\"", '"31\'7-5/16"""', "31 ft 7-5/16 in", "31' 7-5/16\"", "379-5/16 in"],
)
def test_feet_and_inches(tmp_path: Path, level: str) -> None:
    table = read_capacity_csv(written(tmp_path, f'0",0\n{level},15918.1\n', level="ft-in", volume="bbl"))
    # 379.3125 in of 25.4 mm.
    assert table.levels_m == pytest.approx((0.0, 9.6345375), rel=1e-14)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_comma(tmp_path: Path, separator: str) -> None:
    text = f"0{separator}4,2\n1,25{separator}30,75\n"
    table = read_capacity_csv(written(tmp_path, text, columns=f"level{separator}volume"))
    assert rows(table) == [(0.0, 4.2), (1.25, 30.75)]


def test_notes_in_rows_and_header(tmp_path: Path) -> None:
    path = written(tmp_path, "0,1,plate\n1,2,\n", "# notes: one", "#", "# Notes: two", "", columns="Level,Volume,Note")
    assert read_capacity_csv(path).notes == "one; two"


def test_heel_to_be_added(tmp_path: Path) -> None:
    table = read_capacity_csv(written(tmp_path, "0,0\n1,100\n", heel="4200 L, not included"))
    assert (rows(table), table.heel_m3) == ([(0.0, 4.2), (1.0, 104.2)], 4.2)


def test_heel_already_in(tmp_path: Path) -> None:
    table = read_capacity_csv(written(tmp_path, "0,4.2\n1,104.2\n", heel="4.2 m3, included"))
    assert (rows(table), table.heel_m3) == ([(0.0, 4.2), (1.0, 104.2)], 4.2)


def test_another_datum_in_words(tmp_path: Path) -> None:
    """The table counts from the floor and the gauge from a plate 62 mm higher: its 0 m is 62 mm of the table."""
    shift = "62 mm, zero of the gauge higher"
    table = read_capacity_csv(written(tmp_path, "0,0\n1,100\n", datum_shift=shift))
    assert table.levels_m == (-0.062, 0.938)
    assert table.volume(0.0) == pytest.approx(6.2, rel=1e-12)
    assert "its zero 0.062 m below that of the gauge" in table.clause
    lower = read_capacity_csv(written(tmp_path, "0,0\n1,100\n", datum_shift="62 mm, zero of the gauge lower"))
    assert lower.levels_m == (0.062, 1.062)


def test_a_zero_of_the_gauge_that_is_higher_has_more_below_it(tmp_path: Path) -> None:
    """100 m3 a metre and 2 m3 below the floor: below a plate 62 mm higher lie 8.2 m3. Free water counts from there, and
    with the heel of the floor water at the plate itself, 0 mm, was 6.2 m3 of it over a heel of product."""
    rows_of_floor = "0,2\n1,102\n10,1002\n"
    kept = {"level": "m", "volume": "m3", "heel": "2 m3, included"}
    table = read_capacity_csv(written(tmp_path, rows_of_floor, datum_shift="62 mm, zero of the gauge higher", **kept))
    assert table.heel_m3 == table.volume(0.0) == pytest.approx(8.2, rel=1e-12)
    again = read_capacity_text(capacity_csv(table), tmp_path / "again.csv")
    assert again.heel_m3 == pytest.approx(8.2, rel=1e-12)
    assert again.levels_m == table.levels_m
    lower = read_capacity_csv(written(tmp_path, rows_of_floor, datum_shift="62 mm, zero of the gauge lower", **kept))
    assert (lower.heel_m3, lower.bottom_m) == (2.0, 0.062)


@pytest.mark.parametrize("shift", ["62 mm", "-62 mm", "-62 mm, zero of the gauge higher", "62 mm, higher"])
def test_a_shift_that_does_not_say_which_way_is_refused(tmp_path: Path, shift: str) -> None:
    """A sign would be guessed: 62 mm the wrong way are 124 mm of level that nothing tells of."""
    with pytest.raises(SettingsError, match="does not say which way; write `62 mm, zero of the gauge higher` or"):
        read_capacity_csv(written(tmp_path, "0,0\n1,100\n", datum_shift=shift))


@pytest.mark.parametrize(
    ("heel", "volume"), [("2100 L", 2.1), ("2.100,0 L", 2.1), ("2100,0 L", 2.1), ("2.1 m3", 2.1), ("2,1250 m3", 2.125)]
)
def test_a_header_beside_decimal_commas(tmp_path: Path, heel: str, volume: float) -> None:
    text = "0;2.125,0\n1;102.125,0\n"
    kept = {"level": "m", "volume": "L", "decimal_mark": "comma", "heel": f"{heel}, included"}
    table = read_capacity_csv(written(tmp_path, text, columns="level;volume", **kept))
    assert table.heel_m3 == pytest.approx(volume, rel=1e-12)


def test_a_header_beside_decimal_commas_that_can_mean_one_thing_only(tmp_path: Path) -> None:
    """12900 m are no height, and 838500 kg/m3 no liquid; 12.900 mm may be either."""
    text = "0,0;10,5\n11,0;1,5\n"
    kept = {"level": "m", "volume": "m3", "liquid_head": "included at 838.500 kg/m3", "columns": "level;volume"}
    table = read_capacity_csv(written(tmp_path, text, ullage_from="12.900 m", **kept))
    assert (table.reference_height_m, table.head_density_kg_m3) == (12.9, 838.5)
    with pytest.raises(SettingsError, match=r"ullage from: `12\.900 mm` is 12900 with a mark of thousands, or 12,900"):
        read_capacity_csv(written(tmp_path, text, ullage_from="12.900 mm", **kept))


@pytest.mark.parametrize("heel", ["2.100 L", "1.002.100 L"])
def test_a_mark_of_thousands_in_the_header_is_no_decimal_mark(tmp_path: Path, heel: str) -> None:
    """`2.100 L` beside rows such as `2.100,0` litres was a heel of two litres."""
    kept = {"level": "m", "volume": "L", "decimal_mark": "comma", "heel": f"{heel}, included"}
    with pytest.raises(SettingsError, match="heel: "):
        read_capacity_csv(written(tmp_path, "0;2.100,0\n1;102.100,0\n", columns="level;volume", **kept))


def test_what_a_spreadsheet_makes_of_a_table(tmp_path: Path) -> None:
    """Quotes around every cell, cells added up to the widest row, carriage returns for line ends."""
    plain = written(
        tmp_path, "0;2,1\n1;102,1\n", heel="2,1 m3, included", columns="level;volume", volume="m3", level="m"
    )
    lines = plain.read_text("utf-8").splitlines()
    known = read_capacity_csv(plain)
    for end in ("\n", "\r\n", "\r"):
        quoted = [f'"{line}";;' if line.startswith("#") else '"' + '";"'.join(line.split(";")) + '";' for line in lines]
        plain.write_bytes(end.join([quoted[0], ";;", *quoted[1:], ""]).encode())
        assert read_capacity_csv(plain) == known


def test_rows_from_the_top_down(tmp_path: Path) -> None:
    table = read_capacity_csv(written(tmp_path, "2,30\n1,20\n0,10\n", level="m", volume="m3"))
    assert rows(table) == [(0.0, 10.0), (1.0, 20.0), (2.0, 30.0)]


def test_ullage_that_is_not_declared_and_innage_that_is_declared_as_ullage(tmp_path: Path) -> None:
    falling = "".join(f"{level},{1000 - level}\n" for level in range(500))
    with pytest.raises(SettingsError) as refused:
        read_capacity_csv(written(tmp_path, falling, level="m", volume="m3"))
    (mistake,) = refused.value.mistakes
    assert "the volumes fall where the levels rise, as they do for ullage; write `# ullage from: 15.240 m`" in mistake
    rising = "".join(f"{level},{1000 + level}\n" for level in range(500))
    with pytest.raises(SettingsError) as refused:
        read_capacity_csv(written(tmp_path, rising, level="m", volume="m3", ullage_from="520 m"))
    (mistake,) = refused.value.mistakes
    assert "as they do for innage" in mistake


def test_a_mistake_of_a_whole_column_is_told_once(tmp_path: Path) -> None:
    """1,200 rows with a dot where commas are decimal marks printed 1,200 lines."""
    text = "".join(f"{level};{level}.5\n" for level in range(1200))
    with pytest.raises(SettingsError) as refused:
        read_capacity_csv(written(tmp_path, text, columns="level;volume", level="m", volume="m3", decimal_mark="comma"))
    assert len(refused.value.mistakes) == 3
    assert refused.value.mistakes[-1].endswith("so it is in 1,197 more lines, to 1,211")


def test_the_reference_height_is_kept_and_said_once(tmp_path: Path) -> None:
    kept = {"level": "m", "volume": "m3"}
    by_ullage = read_capacity_csv(written(tmp_path, "2,100\n14,1\n", ullage_from="15.5 m", **kept))
    assert by_ullage.reference_height_m == 15.5
    again = read_capacity_text(capacity_csv(by_ullage), tmp_path / "again.csv")
    assert (again.levels_m, again.reference_height_m) == (by_ullage.levels_m, 15.5)
    with pytest.raises(
        SettingsError, match=r"ullage from.*`reference height` is another, 15.4 m|`reference height` is"
    ):
        read_capacity_csv(written(tmp_path, "2,100\n14,1\n", ullage_from="15.5 m", reference_height="15.4 m", **kept))


@pytest.mark.parametrize("text", ["2,100\n14,1\n", "14,1\n2,100\n"])
def test_ullage_becomes_innage(tmp_path: Path, text: str) -> None:
    table = read_capacity_csv(written(tmp_path, text, ullage_from="15.5 m"))
    assert rows(table) == [(1.5, 1.0), (13.5, 100.0)]


def test_what_is_not_stated_stays_unknown(tmp_path: Path) -> None:
    unknown: dict[str, Any] = dict.fromkeys(
        ("date", "reference_temperature", "liquid_head", "roof", "heel"), "not stated"
    )
    table = read_capacity_csv(written(tmp_path, "0,1\n1,2\n", **unknown))
    assert (table.date, table.temperature_c, table.head_included, table.roof_included) == (None,) * 4
    assert table.heel_m3 == 0.0


def test_roof_included(tmp_path: Path) -> None:
    table = read_capacity_csv(written(tmp_path, "0,1\n1,2\n", roof="included at 0.742 kg/L"))
    assert (table.roof_included, table.roof_density_kg_m3) == (True, 742.0)


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    path = written(tmp_path, "0,1\n1,2")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert rows(read_capacity_csv(path)) == [(0.0, 1.0), (1.0, 2.0)]


@pytest.mark.parametrize("key", sorted(HEADER))
def test_every_attribute_is_asked_for(tmp_path: Path, key: str) -> None:
    without: dict[str, Any] = {key: None}
    (text,) = mistakes(written(tmp_path, "0,1\n1,2\n", **without))
    assert text.startswith(f"1: `{key}` is missing; write `# {key}: ")


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"level": "fathom"}, "2: level: `fathom` is no unit of length; write one of m, mm, cm, ft, in, ft-in"),
        (
            {"volume": "gal"},
            "3: volume: `gal` is no unit of volume; write one of m3, L, hL, kL, bbl, US gal, imp gal, ft3",
        ),
        (
            {"volume": "ft-in"},
            "3: volume: `ft-in` is no unit of volume; write one of m3, L, hL, kL, bbl, US gal, imp gal, ft3",
        ),
        ({"date": "14/05/2024"}, "5: date: `14/05/2024` is not a date; write it as YYYY-MM-DD, or `not stated`"),
        (
            {"reference temperature": "15"},
            "6: reference temperature: '15' has no unit; a temperature is wanted, for example 15 degC",
        ),
        (
            {"liquid head": "838 kg/m3"},
            "7: liquid head: `838 kg/m3`; write `not included`, `included at 838 kg/m3` or `not stated`",
        ),
        (
            {"roof": "included"},
            "8: roof: `included`; write `not included`, `included at 838 kg/m3` or `not stated`",
        ),
        (
            {"heel": "4.2 m3"},
            "9: heel: `4.2 m3`; write `none`, `4.2 m3, included`, `4.2 m3, not included` or `not stated`",
        ),
        ({"name": ""}, "1: `name` has no value; write for example `# name: TK-7, strapping of 2024`"),
    ],
)
def test_header_entries_that_are_wrong(tmp_path: Path, changed: dict[str, str], text: str) -> None:
    found = mistakes(written(tmp_path, "0,1\n1,2\n", **changed))
    assert text in found


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("# heal: none", "10: `heal` is no key of a capacity table; did you mean `heel`?"),
        (
            "# surveyed in spring",
            "10: `surveyed in spring` is no key of a capacity table; write a comment as `# notes: surveyed in spring`",
        ),
        ("# roof: not included", "10: `roof` is given twice, first in line 8; keep one"),
    ],
)
def test_header_lines_that_are_wrong(tmp_path: Path, line: str, text: str) -> None:
    assert mistakes(written(tmp_path, "0,1\n1,2\n", line)) == [text]


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("0,1\n0,2\n", "12: level 0 m is given twice, as in line 11; keep one of the two rows"),
        ("0,1\n2,2\n1,3\n", "13: level 1 m does not rise above 2 m in line 12; levels must rise"),
        ("0,1\n1,0.5\n", "12: volume 0.5 m3 falls below 1 m3 in line 11; volumes must not fall"),
        ("0,-1\n1,0.5\n", "11: volume -1 m3 is negative; a table holds no negative volumes"),
        (
            "0,1\n1,2,3\n",
            "12: 3 values for 2 columns; where commas are decimal marks, separate the columns by semicolons",
        ),
        ("0,1\nx,2\n", "12: level `x` is not a number; write it as a number in m"),
        ("0,1\n1,\n", "12: volume is empty; write it as a number in m3"),
        ("0,1\n1 m,2\n", "12: level `1 m` is not a number; write it as a number in m"),
        ("0,1\nnan,2\n", "12: level `nan` is not a number; write it as a number in m"),
    ],
)
def test_rows_that_are_wrong(tmp_path: Path, text: str, mistake: str) -> None:
    assert mistake in mistakes(written(tmp_path, text))


def test_duplicate_rows_are_refused(tmp_path: Path) -> None:
    found = mistakes(written(tmp_path, "0,1\n1,2\n1,2\n2,3\n"))
    assert found == ["13: level 1 m is given twice, as in line 12; keep one of the two rows"]


def test_two_decimal_marks(tmp_path: Path) -> None:
    found = mistakes(written(tmp_path, "0;1,5\n1;1.700\n", columns="level;volume"))
    assert found == [
        "12: `.` here and `,` in line 11; use one decimal mark, and where the other parts thousands say so: "
        "`# decimal mark: dot` or `# decimal mark: comma`"
    ]


def test_feet_and_inches_need_their_marks(tmp_path: Path) -> None:
    (text,) = mistakes(written(tmp_path, "0 in,0\n12,5\n", level="ft-in"))
    assert text.startswith("12: level: '12' has no unit")


def test_columns_need_names(tmp_path: Path) -> None:
    (text,) = mistakes(written(tmp_path, "0,1\n1,2\n", columns="0,0"))
    assert text == (
        "10: the columns are named `0,0`; name them `level` and `volume`, beside which `note` may stand; write a title "
        "as `# notes: …`"
    )


def test_too_few_rows(tmp_path: Path) -> None:
    assert mistakes(written(tmp_path, "0,1\n")) == ["11: this is the only row; at least two are needed"]


def test_heel_that_the_rows_do_not_hold(tmp_path: Path) -> None:
    found = mistakes(written(tmp_path, "0,0\n1,9\n", heel="4.2 m3, included"))
    assert found == ["9: heel: the first row holds 0 m3, less than the heel; write `not included` or correct it"]


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("heel", "-1 m3, included", "9: heel: `-1 m3` is negative; a heel is zero or more"),
        (
            "roof",
            "included at 0 kg/m3",
            "8: roof: `0 kg/m3` is no density of a liquid; write for example `included at 838 kg/m3`",
        ),
    ],
)
def test_amounts_that_cannot_be(tmp_path: Path, key: str, value: str, text: str) -> None:
    changed: dict[str, Any] = {key: value}
    assert mistakes(written(tmp_path, "0,1\n1,2\n", **changed)) == [text]


def test_no_rows_at_all(tmp_path: Path) -> None:
    path = tmp_path / "empty.csv"
    path.write_text("", encoding="utf-8")
    assert "1: there are no rows; write `level,volume` and then one row for each level" in mistakes(path)


def test_mistakes_come_in_the_order_of_their_lines(tmp_path: Path) -> None:
    found = mistakes(written(tmp_path, "0,1\n1,x\n2,y\n", date="spring", heel=None))
    lines = [int(text.partition(":")[0]) for text in found]
    assert lines == sorted(lines)
    assert len(found) == 4


LINES = st.one_of(
    st.sampled_from([f"# {key}: {value}" for key, value in HEADER.items()]),
    st.sampled_from(["level,volume", "level;volume", "level,volume,note", "#", "# heel: 1 m3, not included"]),
    st.tuples(st.floats(-1e6, 1e6), st.sampled_from(",;\t"), st.floats(-1e6, 1e6)).map(lambda t: f"{t[0]}{t[1]}{t[2]}"),
    st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=30),
)


@given(lines=st.lists(LINES, max_size=25), whole_header=st.booleans())
def test_any_text_gives_a_sound_table_or_lines_of_mistakes(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], whole_header: bool
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    header = [f"# {key}: {value}" for key, value in HEADER.items()] if whole_header else []
    path.write_text("\n".join([*header, *lines]), encoding="utf-8")
    try:
        table = read_capacity_csv(path)
    except SettingsError as error:
        found = error.mistakes
    else:
        assert list(table.levels_m) == sorted(set(table.levels_m))
        assert list(table.volumes_m3) == sorted(table.volumes_m3)
        return
    assert found
    assert all(re.match(r".*any\.csv(:\d+: .|: is not UTF-8 text).+", text, re.DOTALL) for text in found)


@given(rows=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 10**9)), min_size=2, max_size=30))
def test_rows_are_refused_exactly_when_they_cannot_be(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, int]]
) -> None:
    path = written(tmp_path_factory.getbasetemp(), "\n".join(f"{a},{b}" for a, b in rows), level="mm", volume="L")
    # From three rows on they may stand from the top down.
    upwards = rows[::-1] if len(rows) > 2 and rows[0][0] > rows[-1][0] else rows
    sound = all(b[0] > a[0] and b[1] >= a[1] for a, b in pairwise(upwards))
    try:
        table = read_capacity_csv(path)
    except SettingsError:
        assert not sound
    else:
        assert sound
        assert table.volume(table.top_m) == rows[-1][1] / 1000


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none\.csv: cannot be read: no such file or directory"):
        read_capacity_csv(tmp_path / "none.csv")


def test_a_cell_without_end(tmp_path: Path) -> None:
    assert mistakes(written(tmp_path, "0,1\n1," + 140_000 * "9")) == [
        "12: 0 values for 2 columns; where commas are decimal marks, separate the columns by semicolons",
    ]


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    path = tmp_path / "latin.csv"
    path.write_bytes(b"# name: F\xfcllstand\n")
    with pytest.raises(SettingsError, match=r"latin\.csv: is not UTF-8 text \(byte 9\); save it as UTF-8"):
        read_capacity_csv(path)
