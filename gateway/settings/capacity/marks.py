"""Numbers of a capacity table as people print them: decimal marks, and marks of thousands.

`3.181` is three thousand to some and three to others: volumes a thousand times too small look like a small tank's. A
mark is therefore a decimal mark only where the column itself shows it, or where the file says so:

- digits stand before or behind the mark that no mark of thousands has: `3.18`, `1248.269`, `0.785`;
- or the header says `decimal mark: dot` or `decimal mark: comma`. The other of the two is then a mark of thousands.

A column whose every mark stands before exactly three digits shows nothing and is refused. Spaces and apostrophes are
marks of thousands and nothing else (ISO 80000-1, 7.3.1, has the space).
"""

import re
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

__all__ = ["DecimalMark", "Judgement", "judge_marks", "may_group", "plain_feet_and_inches", "plain_number"]


class DecimalMark(StrEnum):
    """The mark before the fractions, by the word that the header has for it."""

    DOT = "dot"
    COMMA = "comma"

    @property
    def sign(self) -> str:
        return "." if self is DecimalMark.DOT else ","

    @property
    def other(self) -> "DecimalMark":
        return DecimalMark.COMMA if self is DecimalMark.DOT else DecimalMark.DOT


class Judgement(NamedTuple):
    """What the marks of a file show. No mistakes and no mark: there are no marks at all."""

    mark: DecimalMark | None
    mistakes: tuple[tuple[int, str], ...]
    """(line, what is wrong and what would be right)."""


_BY_SIGN = {mark.sign: mark for mark in DecimalMark}
# Space, no-break, figure, thin and narrow no-break space; straight and typographic apostrophe, modifier apostrophe.
_GROUPING = " \u00a0\u2007\u2009\u202f'\u2019\u02bc"
_UNMARKED = str.maketrans("", "", _GROUPING)
_ONE_MARK = re.compile(r"[+-]?(\d*)[.,](\d*)(?:[eE][+-]?\d{1,2})?", re.ASCII)
_FEET_OR_INCHES = re.compile(r"[+-]?(\d+[.,]\d*)\s*(?:ft|in|['\"\u2019\u2032\u201d\u2033])", re.ASCII)


def judge_marks(columns: Sequence[tuple[str, Sequence[tuple[int, str]]]]) -> Judgement:
    """The decimal mark that the cells show, where the header states none.

    `columns`: name of a column, and its cells as (line, text). Cells that are no numbers are left to `plain_number`.
    """
    first: dict[DecimalMark, int] = {}
    mistakes: list[tuple[int, str]] = []
    for name, cells in columns:
        doubtful: tuple[int, str] | None = None
        shown = False
        for line, text in cells:
            signs = [sign for sign in text if sign in _BY_SIGN]
            if not signs:
                continue
            mark = _BY_SIGN[signs[0]]
            if len(signs) > 1:
                mistakes.append((line, _several_marks(name, text, _BY_SIGN[signs[-1]], len(set(signs)) > 1)))
                break
            if mark not in first:
                first[mark] = line
                if mark.other in first:
                    mistakes.append((line, _two_marks(mark, first[mark.other])))
            if may_group(text):
                doubtful = doubtful or (line, text)
            else:
                shown = True
        else:
            if doubtful is not None and not shown:
                mistakes.append((doubtful[0], _two_readings(name, doubtful[1])))
    return Judgement(next(iter(first), None), tuple(mistakes))


def plain_number(text: str, mark: DecimalMark, *, stated: bool) -> str | None:
    """`text` with a dot as its decimal mark and no marks of thousands; None where it is no number.

    `stated`: the header states `mark`, so that the other one is a mark of thousands. Groups have three digits, or
    before the last one two where commas part them, as in 1,23,456.
    """
    match = (_STATED if stated else _SHOWN)[mark].fullmatch(text)
    if match is None:
        return None
    sign, whole, fraction, exponent = match.group("sign", "whole", "fraction", "exponent")
    digits = "".join(digit for digit in whole if digit.isdigit())
    return f"{sign or ''}{digits}{'' if fraction is None else f'.{fraction}'}{exponent or ''}"


def plain_feet_and_inches(text: str, mark: DecimalMark) -> str:
    """A length in feet and inches with a dot as its decimal mark; it has no marks of thousands."""
    return text if mark is DecimalMark.DOT else text.replace(",", ".")


def _number(mark: DecimalMark, *, stated: bool) -> re.Pattern[str]:
    signs = _GROUPING + (mark.other.sign if stated else "")
    whole = rf"[1-9]\d{{0,2}}(?:(?P<part>[{re.escape(signs)}])\d{{3}})(?:(?P=part)\d{{3}})*"
    if stated and mark is DecimalMark.DOT:
        whole += r"|[1-9]\d?(?:,\d{2})+,\d{3}"
    decimal = re.escape(mark.sign)
    return re.compile(
        rf"(?P<sign>[+-])?(?P<whole>{whole}|\d+|(?={decimal}\d))(?:{decimal}(?P<fraction>\d*))?"
        r"(?P<exponent>[eE][+-]?\d{1,2})?",
        re.ASCII,
    )


_SHOWN = {mark: _number(mark, stated=False) for mark in DecimalMark}
_STATED = {mark: _number(mark, stated=True) for mark in DecimalMark}


def may_group(text: str) -> bool:
    """Whether the one mark in `text` stands as a mark of thousands does: `3.181`, `-12,345`, `379.313 in`."""
    # Inches beside feet are below twelve: their mark parts no thousands.
    alone = _FEET_OR_INCHES.fullmatch(text)
    number = _ONE_MARK.fullmatch((alone.group(1) if alone else text).translate(_UNMARKED))
    if number is None:
        return False
    before, behind = number.groups()
    return len(behind) == 3 and 1 <= len(before) <= 3 and not before.startswith("0") and "e" not in text.lower()


def _settled_by(mark: DecimalMark) -> str:
    return f"`# decimal mark: {mark.value}`"


def _two_readings(name: str, text: str) -> str:
    sign = next(sign for sign in text if sign in _BY_SIGN)
    mark = _BY_SIGN[sign]
    return (
        f"{name}: `{text}` is {text.replace(sign, '')} with a mark of thousands, or {text.replace(sign, '.')} with a "
        f"decimal mark, and every mark of this column stands before three digits; write {_settled_by(mark.other)} for "
        f"the first or {_settled_by(mark)} for the second"
    )


def _several_marks(name: str, text: str, last: DecimalMark, differ: bool) -> str:
    # In 1,234.5 the last mark is the decimal one; in 1.234.567 there is none, and the dots part thousands.
    decimal = last if differ else last.other
    return f"{name}: `{text}` has a mark of thousands; write it without, or say {_settled_by(decimal)} in the header"


def _two_marks(mark: DecimalMark, line: int) -> str:
    return (
        f"`{mark.sign}` here and `{mark.other.sign}` in line {line}; use one decimal mark, and where the other parts "
        f"thousands say so: {_settled_by(mark)} or {_settled_by(mark.other)}"
    )
