"""Decimal marks and marks of thousands: a number comes back as it was meant, or its file is refused with a sentence."""

import math
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import SettingsError
from gateway.settings.capacity.marks import DecimalMark, judge_marks, plain_number
from gateway.settings.capacity.table_file import read_capacity_csv, read_capacity_text
from gateway.settings.capacity.text import capacity_csv
from gateway.units.quantity import Dimension, parse_quantity
from tests.settings.test_capacity_file import HEADER, mistakes, rows, written


class Style(NamedTuple):
    """How somebody prints a table."""

    separator: str
    decimal: str
    thousands: str
    indian: bool
    from_digits: int
    """Numbers of fewer digits before the decimal mark stay without marks of thousands."""
    level_decimals: int
    volume_decimals: int
    quoted: bool
    unit_in_cells: bool
    stated: bool
    line_end: str
    byte_order_mark: bool
    note: bool

    def number(self, value: Decimal, decimals: int, unit: str) -> str:
        whole, _, fraction = f"{value:.{decimals}f}".partition(".")
        if self.thousands and len(whole) >= self.from_digits:
            whole = self._grouped(whole)
        text = whole + (self.decimal + fraction if fraction else "")
        text = f"{text} {unit}" if self.unit_in_cells else text
        return f'"{text}"' if self.quoted else text

    def _grouped(self, whole: str) -> str:
        head, tail = whole[:-3], whole[-3:]
        size = 2 if self.indian else 3
        parts = [head[max(0, end - size) : end] for end in range(len(head), 0, -size)]
        return self.thousands.join([*reversed(parts), tail])


@st.composite
def styles(draw: st.DrawFn) -> Style:
    decimal = draw(st.sampled_from(".,"))
    other = "," if decimal == "." else "."
    indian = decimal == "." and draw(st.booleans())
    return Style(
        separator=draw(st.sampled_from(",;\t")),
        decimal=decimal,
        thousands="," if indian else draw(st.sampled_from(["", other, " ", "\u00a0", "\u202f", "'", "\u2019"])),
        indian=indian,
        from_digits=draw(st.sampled_from([4, 4, 5])),
        level_decimals=draw(st.integers(0, 4)),
        volume_decimals=draw(st.integers(0, 4)),
        quoted=draw(st.booleans()),
        unit_in_cells=draw(st.sampled_from([False, False, False, True])),
        stated=draw(st.booleans()),
        line_end=draw(st.sampled_from(["\n", "\r\n"])),
        byte_order_mark=draw(st.booleans()),
        note=draw(st.sampled_from([False, False, True])),
    )


@st.composite
def amounts(draw: st.DrawFn) -> list[tuple[Decimal, Decimal]]:
    """Rows of a table: levels that rise, volumes that do not fall, of sizes from one digit to seven."""
    count = draw(st.integers(2, 6))
    steps = st.integers(1, 10 ** draw(st.integers(1, 8)))
    level = volume = Decimal(0)
    found = []
    for number in range(count):
        if number or draw(st.booleans()):
            level += Decimal(draw(steps)) / 10000
            volume += Decimal(draw(steps)) / 10000
        found.append((level, volume))
    return found


def printed(style: Style, table: list[tuple[Decimal, Decimal]], level_unit: str, volume_unit: str) -> str:
    header = {**HEADER, "level": level_unit, "volume": volume_unit}
    if style.stated:
        header["decimal mark"] = "dot" if style.decimal == "." else "comma"
    lines = [f"# {key}: {value}" for key, value in header.items()]
    lines.append(style.separator.join(["level", "volume", *(["note"] if style.note else [])]))
    for level, volume in table:
        cells = [
            style.number(level, style.level_decimals, level_unit),
            style.number(volume, style.volume_decimals, volume_unit),
        ]
        lines.append(style.separator.join(cells + ([""] if style.note else [])))
    return ("\ufeff" if style.byte_order_mark else "") + style.line_end.join(lines) + style.line_end


PLAIN = Style(";", ".", "", False, 4, 0, 3, False, False, False, "\n", False, False)
THOUSAND = [(Decimal(0), Decimal(0)), (Decimal(1000), Decimal(3181)), (Decimal(2000), Decimal(6362))]


@given(
    style=styles(),
    table=amounts(),
    level_unit=st.sampled_from(["m", "mm", "in"]),
    volume_unit=st.sampled_from(["m3", "L"]),
)
@example(
    style=PLAIN._replace(separator=",", thousands=",", decimal=".", quoted=True, volume_decimals=0),
    table=THOUSAND,
    level_unit="mm",
    volume_unit="L",
)
@example(
    style=PLAIN._replace(separator=",", thousands=",", note=True, volume_decimals=0, from_digits=4),
    table=THOUSAND[1:],
    level_unit="mm",
    volume_unit="L",
)
@example(
    style=PLAIN._replace(thousands=".", decimal=",", volume_decimals=0),
    table=THOUSAND,
    level_unit="mm",
    volume_unit="L",
)
@example(
    style=PLAIN._replace(thousands=".", decimal=",", volume_decimals=0, from_digits=5),
    table=[*THOUSAND, (Decimal(12345), Decimal(12345))],
    level_unit="mm",
    volume_unit="L",
)
def test_in_every_style_a_table_comes_back_or_is_refused(
    tmp_path_factory: pytest.TempPathFactory,
    style: Style,
    table: list[tuple[Decimal, Decimal]],
    level_unit: str,
    volume_unit: str,
) -> None:
    path = tmp_path_factory.getbasetemp() / "styled.csv"
    path.write_bytes(printed(style, table, level_unit, volume_unit).encode("utf-8"))
    found: CapacityTable | None = None
    refused: tuple[str, ...] = ()
    try:
        found = read_capacity_csv(path)
    except SettingsError as error:
        refused = error.mistakes
    if found is None:
        assert refused
        assert all(text.startswith(f"{path}:") and "; " in text for text in refused)
        return
    meant = [
        (
            parse_quantity(f"{level:.{style.level_decimals}f} {level_unit}", Dimension.LENGTH),
            parse_quantity(f"{volume:.{style.volume_decimals}f} {volume_unit}", Dimension.VOLUME),
        )
        for level, volume in table
    ]
    assert rows(found) == meant


@given(style=styles(), table=amounts())
def test_a_file_that_says_its_decimal_mark_is_read(style: Style, table: list[tuple[Decimal, Decimal]]) -> None:
    """Whatever the marks: no sound file is locked out, once it has the key."""
    plain = style._replace(stated=True, unit_in_cells=False, byte_order_mark=False, line_end="\n")
    plain = plain._replace(
        separator=";" if plain.separator == "," else plain.separator, level_decimals=4, volume_decimals=4
    )
    found = read_capacity_text(printed(plain, table, "mm", "L"), Path("t.csv"))
    assert found.levels_m == pytest.approx([float(level) / 1000.0 for level, _ in table], rel=1e-14)
    assert found.volumes_m3 == pytest.approx([float(volume) / 1000.0 for _, volume in table], rel=1e-14)


TWO_READINGS = (
    "volume: `3.181` is 3181 with a mark of thousands, or 3.181 with a decimal mark, and every mark of this column "
    "stands before three digits; write `# decimal mark: comma` for the first or `# decimal mark: dot` for the second"
)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_three_digits_behind_every_mark_are_refused(tmp_path: Path, separator: str) -> None:
    # 3181 L at 1000 mm is a tank of 2 m diameter; 3.181 L would be one of 64 mm.
    text = "0,0\n500,785\n1000,3.181\n2000,6.362\n".replace(",", separator)
    path = written(tmp_path, text, columns=f"level{separator}volume", level="mm", volume="L")
    assert mistakes(path) == [f"13: {TWO_READINGS}"]


@pytest.mark.parametrize(("mark", "litres"), [("comma", 3181.0), ("dot", 3.181)])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_header_settles_it(tmp_path: Path, separator: str, mark: str, litres: float) -> None:
    text = "0,0\n1000,3.181\n".replace(",", separator)
    path = written(tmp_path, text, columns=f"level{separator}volume", level="mm", volume="L", decimal_mark=mark)
    assert read_capacity_csv(path).volumes_m3 == pytest.approx((0.0, litres / 1000.0), rel=1e-15)


def test_levels_are_asked_too(tmp_path: Path) -> None:
    path = written(tmp_path, "1.000;10.5\n2.000;20.5\n", columns="level;volume", level="mm")
    (text,) = mistakes(path)
    assert text.startswith("11: level: `1.000` is 1000 with a mark of thousands, or 1.000 with a decimal mark")


def test_one_row_with_a_mark_is_enough(tmp_path: Path) -> None:
    path = written(tmp_path, "0;0\n1;785\n2;1,571\n", columns="level;volume", volume="L")
    (text,) = mistakes(path)
    assert text.startswith("13: volume: `1,571` is 1571 with a mark of thousands, or 1.571 with a decimal mark")
    assert text.endswith("write `# decimal mark: dot` for the first or `# decimal mark: comma` for the second")


@pytest.mark.parametrize("shows", ["0.785", "3.18", "3.1816", "1248.269", "3.", ".318", "12 345.678", "1e3", "3.181e0"])
def test_a_number_that_shows_its_mark_settles_the_column(tmp_path: Path, shows: str) -> None:
    path = written(tmp_path, f"0;0\n1;{shows}\n", columns="level;volume")
    table = read_capacity_csv(path)
    assert table.volumes_m3[1] == float(shows.replace(" ", ""))


def test_a_comma_within_a_cell_of_a_file_separated_by_commas(tmp_path: Path) -> None:
    path = written(tmp_path, '0,0\n1,"3,181"\n2,"6,362"\n')
    assert mistakes(path) == [
        "12: volume: `3,181` has a comma, and commas separate the columns of this file; say `# decimal mark: dot` "
        "where it parts thousands, or `# decimal mark: comma`; so it is in 1 more row"
    ]


def test_a_comma_within_quotes_is_no_riddle_where_the_mark_is_stated(tmp_path: Path) -> None:
    """As a spreadsheet saves volumes that it shows with thousands: 769 rows of them had to be written anew."""
    path = written(tmp_path, '0,0\n1,"3,181.25"\n2,"6,362.50"\n', decimal_mark="dot")
    assert rows(read_capacity_csv(path)) == [(0.0, 0.0), (1.0, 3181.25), (2.0, 6362.5)]
    path = written(tmp_path, '0,0\n"1,5","3.181,25"\n', decimal_mark="comma")
    assert rows(read_capacity_csv(path)) == [(0.0, 0.0), (1.5, 3181.25)]
    torn = written(tmp_path, "0,0\n1,3,181\n", decimal_mark="dot")
    assert mistakes(torn)[0].startswith("13: 3 values for 2 columns")


def test_a_number_torn_apart_into_a_note(tmp_path: Path) -> None:
    # Meant are 3181 and 6362.5; read were 3 and 6, with the notes 181 and 362.5.
    path = written(tmp_path, "0,0,\n1000,3,181\n2000,6,362.5\n", columns="level,volume,note", level="mm", volume="L")
    assert mistakes(path) == [
        "12: note: `181` is a number, and a comma within a number separates columns here; write that number without "
        "its comma, or the note in words; so it is in 1 more row"
    ]
    path = written(tmp_path, "0,0,plate\n1000,3,rows 181\n", columns="level,volume,note", level="mm", volume="L")
    assert rows(read_capacity_csv(path)) == [(0.0, 0.0), (1.0, 0.003)]


@pytest.mark.parametrize(
    ("cell", "wanted"),
    [
        ("1.234,5", "comma"),
        ("1,234.5", "dot"),
        ("1.234.567", "comma"),
        ("1,23,456", "dot"),
        ("1,23,456.7", "dot"),
    ],
)
def test_marks_of_thousands_need_the_key(tmp_path: Path, cell: str, wanted: str) -> None:
    text = f"0;0\n1;{cell}\n"
    assert mistakes(written(tmp_path, text, columns="level;volume")) == [
        f"12: volume: `{cell}` has a mark of thousands; write it without, or say `# decimal mark: {wanted}` in the "
        "header"
    ]
    table = read_capacity_csv(written(tmp_path, text, columns="level;volume", decimal_mark=wanted))
    digits = cell.replace("," if wanted == "dot" else ".", "").replace(",", ".")
    assert table.volumes_m3[1] == float(digits)


@pytest.mark.parametrize("part", [" ", "\u00a0", "\u2009", "\u202f", "'", "\u2019"])
def test_spaces_and_apostrophes_can_only_part_thousands(tmp_path: Path, part: str) -> None:
    path = written(tmp_path, f"0;0\n1;1{part}234{part}567,5\n", columns="level;volume")
    assert read_capacity_csv(path).volumes_m3 == (0.0, 1_234_567.5)


@pytest.mark.parametrize(
    "cell",
    ["1 23", "1 2345", "12 34 567", "1'23'456", "1 234'567", "0 123", "1234 567", "1.5 000", "1 000,5 000", "3181 L"],
)
def test_groups_that_are_none_are_no_numbers(tmp_path: Path, cell: str) -> None:
    (text,) = mistakes(written(tmp_path, f"0;0\n1;{cell}\n", columns="level;volume", decimal_mark="dot"))
    assert text == f"13: volume `{cell}` is not a number; write it as a number in m3"


@pytest.mark.parametrize("cell", ["1,23", "12,34,567.8,9", "0,123", "1,2345", "1234,567"])
def test_a_mark_of_thousands_stands_before_three_digits(tmp_path: Path, cell: str) -> None:
    (text,) = mistakes(written(tmp_path, f"0;0\n1;{cell}\n", columns="level;volume", decimal_mark="dot"))
    assert text == f"13: volume `{cell}` is not a number; write it as a number in m3"


def test_feet_and_inches_with_marks(tmp_path: Path) -> None:
    # Beside feet the inches are below twelve, so that their mark parts no thousands.
    path = written(tmp_path, "0'6.125\";0\n3'1.234\";9.5\n", columns="level;volume", level="ft-in")
    assert read_capacity_csv(path).levels_m == pytest.approx((6.125 * 0.0254, 37.234 * 0.0254), rel=1e-14)
    path = written(tmp_path, '0";0\n379,313";9,5\n', columns="level;volume", level="ft-in")
    (text,) = mistakes(path)
    assert text.startswith('12: level: `379,313"` is 379313" with a mark of thousands, or 379.313" with a decimal mark')
    path = written(tmp_path, '0";0\n379,313";9,5\n', columns="level;volume", level="ft-in", decimal_mark="comma")
    assert read_capacity_csv(path).levels_m[1] == pytest.approx(379.313 * 0.0254, rel=1e-14)
    (text,) = mistakes(
        written(tmp_path, '0";0\n1.379,5";9,5\n', columns="level;volume", level="ft-in", decimal_mark="comma")
    )
    assert text.startswith("13: level: ")


def test_a_decimal_mark_that_is_none(tmp_path: Path) -> None:
    path = written(tmp_path, "0;0\n1;3.5\n", columns="level;volume", decimal_mark="point")
    assert mistakes(path) == ["10: decimal mark: `point` is no decimal mark; write `dot` or `comma`"]


def test_nothing_is_judged_from_no_marks() -> None:
    assert judge_marks([("volume", [(1, "0"), (2, "3181")])]) == (None, ())
    assert plain_number("3181", DecimalMark.COMMA, stated=False) == "3181"
    assert plain_number("\u0663", DecimalMark.DOT, stated=True) is None, "digits of other scripts"


@given(
    st.lists(st.floats(-1.0, 100.0), min_size=2, max_size=12, unique_by=lambda level: round(level, 8)).map(
        lambda levels: sorted(round(level, 12) for level in levels)
    ),
    st.sampled_from(["m", "mm", "ft", "ft-in"]),
    st.sampled_from(["m3", "L", "bbl"]),
    st.sampled_from(list(DecimalMark)),
)
def test_what_is_written_is_read(levels: list[float], level_unit: str, volume_unit: str, mark: DecimalMark) -> None:
    table = CapacityTable(
        "T", tuple(levels), tuple(math.sqrt(1.0 + level) for level in levels), math.sqrt(1.0 + levels[0]), "d"
    )
    again = read_capacity_text(capacity_csv(table, level_unit, volume_unit, mark), Path("t.csv"))
    assert again.levels_m == pytest.approx(table.levels_m, rel=1e-12, abs=1e-10)
    assert again.volumes_m3 == pytest.approx(table.volumes_m3, rel=1e-12)
    assert again.heel_m3 == table.heel_m3
