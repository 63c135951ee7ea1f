"""A capacity table from a CSV file.

    # name: TK-7, strapping of 2024
    # level: mm
    # volume: m3
    # datum: datum plate
    # date: 2024-05-14
    # reference temperature: 15 degC
    # liquid head: included at 838 kg/m3
    # roof: not included
    # heel: 4.2 m3, included
    # notes: anything
    level,volume
    0,4.2
    100,25.9

Lines that begin with `#` carry one `key: value` each, in any order:

`name`                   of the table, as the sheet prints it.
`level`, `volume`        the units of the two columns, any that the site file knows; `ft-in` for levels such as
                         31'7-5/16" or 31 ft 7-5/16 in, which carry their own unit.
`datum`                  what level zero is, in words.
`date`                   of the calibration, YYYY-MM-DD.
`reference temperature`  of the shell for which the volumes hold.
`liquid head`            `not included`, or `included at DENSITY`: the shell's stretch under its liquid.
`roof`                   `not included`, or `included at DENSITY`: whether a floating roof is already deducted.
`heel`                   `none`, or `VOLUME, included` / `VOLUME, not included`: whether the volumes of the table hold
                         what lies below its datum; where not, it is added to every row.
`datum shift`            optional: `LENGTH, zero of the gauge higher` or `LENGTH, zero of the gauge lower` than the zero
                         of the table, which moves every level. Which way is said in words: a sign would be guessed.
`reference height`       optional: of the point from which ullage is measured, above the datum of the table; the site
                         file must not say another.
`ullage from`            the same, where the level column is ullage; read as innage.
`decimal mark`           optional: `dot` or `comma`, in both columns. The other of the two is then a mark of thousands;
                         `table make` and `table convert` always write it.
`notes`                  optional, may be repeated.

All but the optional keys must be there; date, reference temperature, liquid head, roof and heel may be `not stated`, so
that what is not known is said and never assumed. The first other line names the columns: `level` and `volume`, beside
which only `note` may stand. Columns are separated by comma, semicolon or tab; with semicolon or tab the decimal mark
may be a comma, the same throughout. Marks of thousands are read where they can be nothing else: spaces, apostrophes,
and with a `decimal mark` stated the other mark (see `capacity_marks`). Levels rise strictly, or fall strictly where the
rows stand from the top down; volumes never fall with a rising level; the file is UTF-8. What a spreadsheet adds when it
saves such a file, quotes and empty cells at the end of a line, does not count.
"""

import csv
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple, TypeVar

from gateway.calculation.tables.capacity_table import SAME, CapacityTable, row_mistakes
from gateway.errors import QuantityError, SettingsError
from gateway.files import UnreadableError
from gateway.settings.capacity.header import (
    NOT_STATED,
    OPTIONAL,
    REQUIRED,
    SIGN,
    Heel,
    heel_in,
    included_in,
    plain_date,
    plain_line,
    quantity_in,
    shift_in,
    stated_mark,
)
from gateway.settings.capacity.marks import DecimalMark, judge_marks, plain_feet_and_inches, plain_number
from gateway.settings.reading.source_files import SourceFiles
from gateway.units.quantity import Dimension, parse_quantity, si_conversion, units_of

__all__ = ["LARGEST_TABLE", "read_capacity_csv", "read_capacity_text"]

_T = TypeVar("_T")

LARGEST_TABLE = 4_000_000
"""In bytes."""
_MOST_ROWS = 60_000
_FEET_AND_INCHES = "ft-in"
_SEPARATORS = (";", "\t", ",")
_ANY_NUMBER = re.compile(r"[+-]?[\d.,]*\d[\d.,]*")
_NO_TABLE = (
    "it has none of the lines that begin one, such as `# name: TK-7` and `# level: mm`; `tank-gateway table check "
    "--help` shows them all"
)
_UPSIDE_DOWN = {
    False: "the volumes fall where the levels rise, as they do for ullage; write `# ullage from: 15.240 m`, the height "
    "of the point that it is measured from above the datum, where that is so",
    True: "the volumes fall where the ullages fall, as they do for innage; where that is so write `reference height` "
    "in place of `ullage from`",
}
_VALUES = re.compile(r"`[^`]*`|[-+\d.,]+")
_OF_A_KIND = 3
"""How many mistakes that differ in nothing but their numbers are told one by one."""


@dataclass
class _Reader:
    """The file while it is read: header entries with their lines, rows with theirs, and the mistakes so far."""

    path: Path
    mistakes: list[tuple[int, str]] = field(default_factory=list)
    entries: dict[str, tuple[int, str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    rows: list[tuple[int, float, float]] = field(default_factory=list)
    mark: DecimalMark = DecimalMark.DOT
    """Of the rows."""

    def mistake(self, line: int, text: str) -> None:
        self.mistakes.append((line, text))

    def refuse(self) -> SettingsError:
        return SettingsError(tuple(f"{self.path}:{line}: {text}" for line, text in _without_repeats(self.mistakes)))

    def entry(self, line: int, text: str) -> None:
        """One header line, without its `#`."""
        key, colon, value = (part.strip() for part in text.partition(":"))
        key = " ".join(key.lower().split())
        known = (*REQUIRED, *OPTIONAL)
        if not colon or key not in known:
            close = get_close_matches(key, known, n=1)
            hint = f"did you mean `{close[0]}`?" if colon and close else f"write a comment as `# notes: {text}`"
            self.mistake(line, f"`{key}` is no key of a capacity table; {hint}")
        elif not value:
            self.mistake(line, f"`{key}` has no value; write for example `{REQUIRED.get(key, f'# {key}: …')}`")
        elif key == "notes":
            self.notes.append(value)
        elif key in self.entries:
            self.mistake(line, f"`{key}` is given twice, first in line {self.entries[key][0]}; keep one")
        else:
            self.entries[key] = (line, value)

    def stated(self, key: str, read: Callable[[str], _T]) -> _T | None:
        """The entry of `key` as `read` makes it; None where it is missing, not stated or wrong."""
        line, value = self.entries.get(key, (0, NOT_STATED))
        if value.lower() == NOT_STATED:
            return None
        try:
            return read(value)
        except (QuantityError, ValueError) as error:
            self.mistake(line, f"{key}: {error}")
            return None


def _without_repeats(mistakes: Sequence[tuple[int, str]]) -> list[tuple[int, str]]:
    """By line; of many of one kind the first, with how many more there are: a column that is wrong is one mistake."""
    kinds: dict[str, list[tuple[int, str]]] = {}
    for line, text in sorted(mistakes):
        kinds.setdefault(_VALUES.sub("", text), []).append((line, text))
    told: list[tuple[int, str]] = []
    for alike in kinds.values():
        more = len(alike) - _OF_A_KIND
        told += alike[:_OF_A_KIND] if more > 1 else alike
        if more > 1:
            line, text = told.pop()
            told.append((line, f"{text}; so it is in {more:,} more lines, to {alike[-1][0]:,}"))
    return sorted(told)


def read_capacity_csv(path: Path, files: SourceFiles | None = None) -> CapacityTable:
    """The table in `path`, in SI. `files`: by which it is read; those of the disk where it is None.

    Raises SettingsError listing every mistake as `FILE:LINE: what is wrong; what would be right`.
    """
    try:
        text = (SourceFiles() if files is None else files).text(path, LARGEST_TABLE)
    except UnreadableError as error:
        raise SettingsError((str(error),)) from error
    return read_capacity_text(text, path)


def read_capacity_text(text: str, path: Path) -> CapacityTable:
    """As `read_capacity_csv`, from the text of a file that need not exist; `path` names it in mistakes."""
    # Lines end in three ways; the csv module and the numbers of lines know one.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text.strip() and not SIGN.search(text):
        # Nothing of it is told: it may be any file that this user can read.
        raise SettingsError((f"{path}:1: is no capacity table: {_NO_TABLE}",))
    rows = text.count("\n")
    if rows > _MOST_ROWS:
        limit = f"{_MOST_ROWS:,}, and a table to the millimetre of the highest tank has fewer"
        raise SettingsError((f"{path}:{_MOST_ROWS}: goes on to {rows:,} lines; the most are {limit}",))
    reader = _Reader(path)
    data: list[tuple[int, str]] = []
    for number, line in enumerate(text.split("\n"), start=1):
        content = plain_line(line)
        if content.startswith("#"):
            if content.strip("# "):
                reader.entry(number, content[1:].strip())
        elif content:
            data.append((number, line))
    for key, example in REQUIRED.items():
        if key not in reader.entries:
            reader.mistake(1, f"`{key}` is missing; write `{example}`")
    _read_rows(reader, data)
    table = _table(reader)
    if table is None:
        raise reader.refuse()
    return table


def _read_rows(reader: _Reader, data: list[tuple[int, str]]) -> None:
    """Every row into `reader.rows`, in SI but otherwise as written; rows that cannot be read become mistakes."""
    if len(data) < 2:
        reader.mistake(
            data[0][0] if data else 1, "there are no rows; write `level,volume` and then one row for each level"
        )
        return
    (columns_line, columns_text), *lines = data
    separator = next((mark for mark in _SEPARATORS if mark in columns_text), ",")
    names = [name.strip().lower() for name in _cells(columns_text, separator)]
    width = len(names)
    while len(names) > 1 and not names[-1]:
        names.pop()  # columns that a spreadsheet adds and nothing stands in
    if sorted(name for name in names if name != "note") != ["level", "volume"]:
        text = f"the columns are named `{columns_text.strip()}`; name them `level` and `volume`"
        reader.mistake(columns_line, f"{text}, beside which `note` may stand; write a title as `# notes: …`")
        return
    if len(lines) == 1:
        reader.mistake(lines[0][0], "this is the only row; at least two are needed")
    cells: dict[str, list[tuple[int, str]]] = {name: [] for name in names}
    torn: list[tuple[int, str]] = []
    for number, line in lines:
        found = _cells(line, separator)
        while len(names) < len(found) <= width and not found[-1]:
            found.pop()
        if len(found) != len(names):
            hint = "; where commas are decimal marks, separate the columns by semicolons" if separator == "," else ""
            reader.mistake(number, f"{len(found)} values for {len(names)} columns{hint}")
            continue
        is_stated = "decimal mark" in reader.entries
        wrong = _torn_apart(dict(zip(names, found, strict=True)), is_stated) if separator == "," else None
        if wrong is not None:
            torn.append((number, wrong))
            continue
        for name, cell in zip(names, found, strict=True):
            cells[name].append((number, cell))
    if torn:
        more = f"; so it is in {len(torn) - 1} more {'row' if len(torn) == 2 else 'rows'}" if torn[1:] else ""
        reader.mistake(torn[0][0], f"{torn[0][1]}{more}")
    units = _unit(reader, "level", Dimension.LENGTH), _unit(reader, "volume", Dimension.VOLUME)
    stated = reader.stated("decimal mark", stated_mark)
    mark = stated or DecimalMark.DOT
    if stated is None:
        judged = judge_marks([(name, cells[name]) for name in ("level", "volume")])
        reader.mistakes += judged.mistakes
        if judged.mistakes:
            return
        mark = judged.mark or mark
    reader.mark = mark
    numbers = _Numbers(reader, mark, stated is not None)
    for (number, level), (_, volume) in zip(cells["level"], cells["volume"], strict=True):
        level_m = numbers.si(number, "level", level, units[0], Dimension.LENGTH)
        volume_m3 = numbers.si(number, "volume", volume, units[1], Dimension.VOLUME)
        if level_m is not None and volume_m3 is not None:
            reader.rows.append((number, level_m, volume_m3))


def _torn_apart(cells: dict[str, str], is_stated: bool) -> str | None:
    """What is wrong where a comma that belongs to a number stands in a row that commas separate. `is_stated`: the file
    says what a comma means, so that one within quotes is no riddle."""
    for name in ("level", "volume"):
        if "," in cells[name] and not is_stated:
            return (
                f"{name}: `{cells[name]}` has a comma, and commas separate the columns of this file; say `# decimal "
                "mark: dot` where it parts thousands, or `# decimal mark: comma`"
            )
    note = cells.get("note", "")
    if _ANY_NUMBER.fullmatch(note):
        # 1000,3,181 in three columns: a volume of 3 with the note 181 would pass for one of 3181.
        return (
            f"note: `{note}` is a number, and a comma within a number separates columns here; write that number "
            "without its comma, or the note in words"
        )
    return None


def _cells(line: str, separator: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:
        # A cell of over 128 KiB: whatever it is, it is no row.
        return []


def _unit(reader: _Reader, key: str, dimension: Dimension) -> str | None:
    """The unit of a column; None where it is missing or wrong, which is a mistake already."""
    line, unit = reader.entries.get(key, (0, ""))
    if not unit or (unit == _FEET_AND_INCHES and dimension is Dimension.LENGTH):
        return unit or None
    try:
        si_conversion(unit, dimension)
    except QuantityError:
        names = [*units_of(dimension), *([_FEET_AND_INCHES] if dimension is Dimension.LENGTH else [])]
        reader.mistake(line, f"{key}: `{unit}` is no unit of {dimension.words}; write one of {', '.join(names)}")
        return None
    return unit


class _Numbers(NamedTuple):
    """Cells of a file whose decimal mark is known, as SI."""

    reader: _Reader
    mark: DecimalMark
    stated: bool

    def si(self, number: int, column: str, cell: str, unit: str | None, dimension: Dimension) -> float | None:
        """One cell in SI; None where it cannot be read or the column's unit is not known."""
        if unit == _FEET_AND_INCHES:
            quantity = plain_feet_and_inches(cell, self.mark)
        else:
            plain = plain_number(cell, self.mark, stated=self.stated)
            if plain is None:
                what = f"`{cell}` is not a number" if cell else "is empty"
                text = f"{column} {what}; write it as a number in {unit or 'the unit of its column'}"
                self.reader.mistake(number, text)
                return None
            quantity = f"{plain} {unit}"
        if unit is None:
            return None
        try:
            return parse_quantity(quantity, dimension)
        except QuantityError as error:
            self.reader.mistake(number, f"{column}: {error}")
            return None


def _falls(rows: Sequence[tuple[int, float, float]]) -> bool:
    """Whether the levels fall throughout: two rows show no order."""
    return len(rows) > 2 and all(above > level for (_, above, _), (_, level, _) in pairwise(rows))


def _table(reader: _Reader) -> CapacityTable | None:
    """The table from the entries and rows read; None where there are mistakes, now all in `reader`."""
    mark = reader.mark
    dated = reader.stated("date", plain_date)
    temperature_c = reader.stated("reference temperature", lambda text: quantity_in(text, Dimension.TEMPERATURE, mark))
    head = reader.stated("liquid head", lambda text: included_in(text, mark))
    roof = reader.stated("roof", lambda text: included_in(text, mark))
    heel = reader.stated("heel", lambda text: heel_in(text, mark)) or Heel(0.0, True)
    shift_m = reader.stated("datum shift", lambda text: shift_in(text, mark)) or 0.0
    ullage_from_m = reader.stated("ullage from", lambda text: quantity_in(text, Dimension.LENGTH, mark))
    reference_m = reader.stated("reference height", lambda text: quantity_in(text, Dimension.LENGTH, mark))
    if ullage_from_m is not None and reference_m not in (None, ullage_from_m):
        text = f"`reference height` is another, {reader.entries['reference height'][1]}; keep one of the two"
        reader.mistake(reader.entries["ullage from"][0], text)

    rows = reader.rows
    if ullage_from_m is not None:
        reference_m = ullage_from_m
        rows = [(line, ullage_from_m - ullage, volume) for line, ullage, volume in rows]
    if rows and rows[0][1] > rows[-1][1] and (ullage_from_m is not None or _falls(rows)):
        rows = rows[::-1]
    added_m3 = 0.0 if heel.included else heel.volume_m3
    lines = [line for line, _, _ in rows]
    levels = tuple(level + shift_m for _, level, _ in rows)
    volumes = tuple(volume + added_m3 for _, _, volume in rows)
    if len(rows) > 2 and all(level < after for level, after in pairwise(levels)) and volumes[0] > volumes[-1]:
        reader.mistake(lines[0], _UPSIDE_DOWN[ullage_from_m is not None])
        return None
    for index, text in row_mistakes(levels, volumes, lambda index: f"line {lines[index]}"):
        reader.mistake(lines[index], text)
    if rows and levels[0] >= 0.0 and volumes[0] < heel.volume_m3 * (1.0 - SAME):
        text = f"heel: the first row holds {volumes[0]:.7g} m3, less than the heel; write `not included` or correct it"
        reader.mistake(reader.entries["heel"][0], text)
    if reader.mistakes:
        return None
    table = CapacityTable(
        name=reader.entries["name"][1],
        levels_m=levels,
        volumes_m3=volumes,
        heel_m3=heel.volume_m3,
        datum=reader.entries["datum"][1],
        date=dated,
        temperature_c=temperature_c,
        head_included=None if head is None else head.included,
        head_density_kg_m3=None if head is None else head.density_kg_m3,
        roof_included=None if roof is None else roof.included,
        roof_density_kg_m3=None if roof is None else roof.density_kg_m3,
        notes="; ".join(reader.notes),
        shift_m=shift_m,
        reference_height_m=None if reference_m is None else reference_m + shift_m,
    )
    if shift_m < 0.0 and table.bottom_m <= 0.0 <= table.top_m:
        # What lies below the zero of the gauge is more than what lay below that of the table.
        table = replace(table, heel_m3=table.volume(0.0))
    return table
