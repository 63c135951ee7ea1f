"""Pure: what stands in one cell of a file of amounts: a number with its unit, a time."""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from gateway.errors import QuantityError
from gateway.units.quantity import Dimension, parse_quantity

__all__ = ["DecimalSign", "amount_in", "decimal_sign_of", "instant_in"]

_NUMBER = re.compile(r"\s*([+-]?[\d.,'\u2019 \u00a0\u202f]*\d)\s*(.*)", re.DOTALL | re.ASCII)
_PLAIN = re.compile(r"([+-]?)(\d+)(?:([.,])(\d+))?", re.ASCII)
_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?) ?(Z|[+-]\d\d:?\d\d)?", re.ASCII)
_MINUS = str.maketrans({"\u2212": "-"})


class DecimalSign(StrEnum):
    """With which sign a file writes its decimals, as far as its numbers tell."""

    UNTOLD = "untold"
    POINT = "."
    COMMA = ","
    BOTH = "both"


def decimal_sign_of(cells: Iterable[str]) -> DecimalSign:
    """What the numbers of one column tell together: 32,4 can only be decimals, 32,400 may be thousands."""
    signs = set()
    for cell in cells:
        found = _NUMBER.fullmatch(cell.translate(_MINUS))
        plain = None if found is None else _PLAIN.fullmatch(found[1])
        if plain is not None and plain[3] and not _may_be_thousands(plain):
            signs.add(plain[3])
    if len(signs) == 2:
        return DecimalSign.BOTH
    return DecimalSign(signs.pop()) if signs else DecimalSign.UNTOLD


def amount_in(cell: str, of_heading: str, of_column: str, dimension: Dimension, sign: DecimalSign) -> float:
    """The SI value of a cell; its unit stands in one of three places. Raises ValueError with what would be right."""
    found = _NUMBER.fullmatch(cell.translate(_MINUS))
    if found is None:
        raise ValueError(f"it is no number; write for example 32.4 {_usual(dimension)}")
    number, beside = _number(found[1], sign), found[2]
    units = [unit for unit in (beside, of_column, of_heading) if unit]
    if not units:
        raise ValueError(
            f"it has no unit; write for example {number} {_usual(dimension)}, or 'amount ({_usual(dimension)})' in the "
            "heading"
        )
    if len({unit.lower() for unit in units}) > 1:
        raise ValueError(f"its unit is {' and '.join(units)}; one place for the unit is enough")
    try:
        return parse_quantity(f"{number} {units[0]}", dimension)
    except QuantityError as error:
        raise ValueError(str(error)) from None


def instant_in(cell: str, zone: tzinfo) -> datetime:
    """UTC. Raises ValueError: no ISO 8601, a time that clocks left out, or one that they showed twice."""
    found = _TIME.fullmatch(cell.strip())
    if found is None:
        raise ValueError("write date and time of day as 2026-11-27 06:12, or with its zone as 2026-11-27T06:12+01:00")
    day, clock, offset = found.groups()
    try:
        given = datetime.fromisoformat(f"{day}T{clock}{offset or ''}")
    except ValueError:
        raise ValueError("there is no such date or time of day; write for example 2026-11-27 06:12") from None
    if given.tzinfo is not None:
        return given.astimezone(UTC)
    either = [given.replace(tzinfo=zone, fold=fold) for fold in (0, 1)]
    shown = [each for each in either if each.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0) == given]
    if not shown:
        later = either[0].astimezone(UTC).astimezone(zone)
        raise ValueError(f"clocks left it out there; write for example {later:%Y-%m-%dT%H:%M}{_offset(later)}")
    if either[0].utcoffset() != either[1].utcoffset():
        ways = " or ".join(f"{given:%Y-%m-%dT%H:%M}{_offset(each)}" for each in either)
        raise ValueError(f"clocks showed it twice there; write {ways}")
    return either[0].astimezone(UTC)


def _number(text: str, sign: DecimalSign) -> str:
    """With a decimal point. Raises ValueError where more than one number may be meant."""
    plain = _PLAIN.fullmatch(text)
    if plain is None:
        raise ValueError(f"write the number without marks between its thousands, as {_bare(text)}")
    minus, whole, mark, decimals = plain.groups()
    if mark is None:
        return f"{minus}{whole}"
    if sign is DecimalSign.BOTH:
        raise ValueError("the column has both decimal points and decimal commas; use one of them throughout")
    is_open = _may_be_thousands(plain)
    if is_open and mark == "," and sign is not DecimalSign.COMMA:
        raise ValueError(
            f"it may be {whole}.{decimals} or {whole}{decimals}; write {whole}.{decimals} or {whole}{decimals}"
        )
    if is_open and mark == "." and sign is DecimalSign.COMMA:
        raise ValueError(
            f"it may be {whole},{decimals} or {whole}{decimals}; write {whole},{decimals} or {whole}{decimals}"
        )
    return f"{minus}{whole}.{decimals}"


def _may_be_thousands(plain: re.Match[str]) -> bool:
    return plain[3] is not None and len(plain[4]) == 3 and len(plain[2]) <= 3 and not plain[2].startswith("0")


def _bare(text: str) -> str:
    """`1.234,5` as 1234.5: the last mark is the decimal sign if it stands once, and others before it."""
    marks = [mark for mark in text if mark in ".,"]
    last = marks[-1] if marks and marks.count(marks[-1]) == 1 and len(set(marks)) > 1 else ""
    whole, _, decimals = text.rpartition(last) if last else (text, "", "")
    digits = "".join(character for character in whole if character.isdigit() or character in "+-")
    return f"{digits}.{decimals}" if decimals else digits


def _usual(dimension: Dimension) -> str:
    return "t" if dimension is Dimension.MASS else "m3"


def _offset(instant: datetime) -> str:
    text = f"{instant:%z}"
    return f"{text[:3]}:{text[3:5]}"
