"""The header of a capacity table: which entries there are, and what each of them may say.

Numbers of the header keep a dot as their decimal mark whatever the rows have; where the rows have a comma, a comma is
read too, and what could be one of thousands is refused: `2.100 L` beside rows such as `2.100,5` is two litres to some.
"""

import math
import re
from datetime import date
from typing import NamedTuple

from gateway.settings.capacity.marks import DecimalMark, may_group, plain_number
from gateway.units.quantity import Dimension, parse_quantity

__all__ = [
    "NOT_STATED",
    "OPTIONAL",
    "REQUIRED",
    "SIGN",
    "Heel",
    "Included",
    "heel_in",
    "included_in",
    "plain_date",
    "plain_line",
    "quantity_in",
    "shift_in",
    "stated_mark",
]

REQUIRED = {
    "name": "# name: TK-7, strapping of 2024",
    "level": "# level: mm",
    "volume": "# volume: m3",
    "datum": "# datum: datum plate",
    "date": "# date: 2024-05-14` or `# date: not stated",
    "reference temperature": "# reference temperature: 15 degC",
    "liquid head": "# liquid head: not included` or `# liquid head: included at 838 kg/m3",
    "roof": "# roof: not included` or `# roof: included at 838 kg/m3",
    "heel": "# heel: none` or `# heel: 4.2 m3, included",
}
OPTIONAL = ("datum shift", "reference height", "ullage from", "decimal mark", "notes")
NOT_STATED = "not stated"
SIGN = re.compile(
    rf"""^\s*"?#\s*(?:{"|".join((*REQUIRED, *OPTIONAL))})\s*:|level.*volume|volume.*level""",
    re.IGNORECASE | re.MULTILINE,
)
"""What even a table with mistakes has: one of its entries, or the names of its columns."""
_CELL_ENDS = ";,\t "
_NUMBER = re.compile(r"\s*([+-]?[\d.,]+)(.*)", re.DOTALL)
_GREATEST = {Dimension.LENGTH: 100.0, Dimension.TEMPERATURE: 500.0, Dimension.DENSITY: 3000.0}
"""In SI: none of them is greater in a tank."""
_SHIFTED = {"zero of the gauge higher": -1.0, "zero of the gauge lower": 1.0}


class Included(NamedTuple):
    """What a table says about liquid head or roof."""

    included: bool
    density_kg_m3: float | None


class Heel(NamedTuple):
    volume_m3: float
    included: bool


def plain_line(line: str) -> str:
    """A line of the header, or an empty one, as it was before a spreadsheet saved it: without quotes around the whole
    and without the empty cells at its end. Any other line as it is."""
    content = line.strip()
    bare = content.rstrip(_CELL_ENDS)
    if len(bare) > 1 and bare[0] == bare[-1] == '"':
        bare = bare[1:-1].replace('""', '"').strip()
    return bare if bare.startswith("#") or not content.strip(_CELL_ENDS + '"') else content


def quantity_in(text: str, dimension: Dimension, mark: DecimalMark) -> float:
    """A quantity of the header in SI, beside rows with `mark`. Raises QuantityError, ValueError."""
    match = _NUMBER.fullmatch(text)
    if mark is DecimalMark.COMMA and match is not None:
        number, unit = match.groups()
        without, decimal = number.replace(".", ""), number.replace(".", ",")
        if "." in number and may_group(number) and _may_be(f"{without}{unit}", dimension):
            raise ValueError(
                f"`{text.strip()}` is {without} with a mark of thousands, or {decimal} with a decimal mark; write "
                f"`{without}{unit}` for the first or `{decimal}{unit}` for the second"
            )
        if "," in number:
            text = f"{plain_number(number, mark, stated=True) or number}{unit}"
    return parse_quantity(text, dimension)


def _may_be(text: str, dimension: Dimension) -> bool:
    """Whether a quantity read with a mark of thousands is one of a tank: 12.900 m are no 12900 m."""
    return abs(parse_quantity(text, dimension)) <= _GREATEST.get(dimension, math.inf)


def stated_mark(text: str) -> DecimalMark:
    """Raises ValueError."""
    try:
        return DecimalMark(text.lower())
    except ValueError:
        raise ValueError(f"`{text}` is no decimal mark; write `dot` or `comma`") from None


def plain_date(text: str) -> date:
    """Raises ValueError."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"`{text}` is not a date; write it as YYYY-MM-DD, or `{NOT_STATED}`") from None


def included_in(text: str, mark: DecimalMark) -> Included:
    """Raises QuantityError, ValueError."""
    if text.lower() == "not included":
        return Included(False, None)
    words, _, density = text.partition(" at ")
    if words.lower() != "included" or not density:
        raise ValueError(f"`{text}`; write `not included`, `included at 838 kg/m3` or `{NOT_STATED}`")
    density_kg_m3 = quantity_in(density, Dimension.DENSITY, mark)
    if not density_kg_m3 > 0.0:
        raise ValueError(f"`{density}` is no density of a liquid; write for example `included at 838 kg/m3`")
    return Included(True, density_kg_m3)


def heel_in(text: str, mark: DecimalMark) -> Heel:
    """Raises QuantityError, ValueError."""
    if text.lower() == "none":
        return Heel(0.0, True)
    volume, words = _before_words(text)
    if words not in ("included", "not included"):
        raise ValueError(f"`{text}`; write `none`, `4.2 m3, included`, `4.2 m3, not included` or `{NOT_STATED}`")
    volume_m3 = quantity_in(volume, Dimension.VOLUME, mark)
    if volume_m3 < 0.0:
        raise ValueError(f"`{volume}` is negative; a heel is zero or more")
    return Heel(volume_m3, words == "included")


def shift_in(text: str, mark: DecimalMark) -> float:
    """What every level is to be raised by, in m, so that it counts from the zero of the gauge. Raises QuantityError,
    ValueError."""
    length, words = _before_words(text)
    sense = _SHIFTED.get(words)
    metres = None if sense is None else quantity_in(length, Dimension.LENGTH, mark)
    if sense is None or metres is None or metres < 0.0:
        ways = " or ".join(f"`62 mm, {each}`" for each in _SHIFTED)
        raise ValueError(f"`{text}` does not say which way; write {ways} than that of the table")
    return sense * metres


def _before_words(text: str) -> tuple[str, str]:
    """A quantity and the words behind the last comma; a spreadsheet may have made a semicolon of it."""
    quantity, _, words = text.replace(";", ",").rpartition(",")
    return quantity.strip(), " ".join(words.lower().split())
