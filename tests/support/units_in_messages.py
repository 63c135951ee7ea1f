"""Finds numbers in the words of the program that have no unit behind them: in its source, and in a text it has printed.

In the source every number that is rounded for people (`{level:.3f}`), or whose name says what it is (`{step_m}`), is
looked at, in an f-string or in a phrase, whether a test ever provokes its message or not.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import NamedTuple

__all__ = ["UNIT", "Bare", "bare_in_source", "bare_in_text"]

_SYMBOLS = (
    "1/degC|1/degF|/degF|m|mm|cm|km|m2|m3|m³|m3/h|m³/h|m3/s|m/s|m/s2|mm/s|mm/h|m/h|degC|°C|degF|K|/degC|/°C|degC/min|degC/h|kg|kg/m3|kg/m³|"
    "kg/L|kg/h|kg/mol|t|Pa|kPa|MPa|bar|psi|mA|V|ohm|Hz|s|ms|us|ns|min|h|d|bytes?|kB|MB|GB|baud|%|L|rad|degAPI|ft|in"
)
UNIT = rf"(?:{_SYMBOLS})(?![\w/])"
_UNIT_NEXT = re.compile(rf"[ \u00a0]?{UNIT}|%")
_RANGE = re.compile(r" (?:to|and|\+-) |, |–")
"""Between two numbers of which the second carries the unit of both: 0.5 to 2 m."""
_ROUNDED = re.compile(r"[fgeE]$")
_NUMBER_FORM = re.compile(r"[-+]?\d*(?:\.\d+)?[fgeE]")
_IN_UNIT = re.compile(r"\S+ \S+")
"""How a phrase tells a number with its unit: `{level:mm .0f}`."""
_NAMED = re.compile(r"_(?:m|mm|m3|m3_h|m3_s|m_s|c|c_s|pa|kg|kg_m3|kg_mol|s|ms|h|ma|ohm|k|baud)(?:\]|\))?$")
_DECIMAL = re.compile(r"(?<![\w.:/+-])[-+]?\d+\.\d+(?![\w.])")

_QUOTED = re.compile(r"'[^']*'|`[^`]*`|\b(?:API )?MPMS \d+(?:\.\d+)*[A-Z]?|\bOIML [A-Z] \d+")
"""What somebody else wrote, and the numbers of clauses."""


class Bare(NamedTuple):
    """A number without a unit."""

    module: str
    line: int
    text: str


def bare_in_source(root: Path) -> Iterator[Bare]:
    """Each f-string and phrase under `root` with a number for people that no unit follows."""
    for path in sorted(root.rglob("*.py")):
        module = ".".join(path.relative_to(root.parent).with_suffix("").parts)
        tree = ast.parse(path.read_text("utf-8"))
        within = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                yield from _bare(module, node)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in within:
                yield from _bare_in_phrase(module, node.lineno, node.value)


def _bare(module: str, node: ast.JoinedStr) -> Iterator[Bare]:
    parts = node.values
    for index, part in enumerate(parts):
        if isinstance(part, ast.FormattedValue) and _is_number(part) and not _has_unit(parts, index):
            yield Bare(module, node.lineno, ast.unparse(part).removeprefix("f'").removesuffix("'"))


def _bare_in_phrase(module: str, line: int, phrase: str) -> Iterator[Bare]:
    try:
        pieces = [(words, name, form or "") for words, name, form, _ in Formatter().parse(phrase)]
    except ValueError:
        return
    for index, (_, name, form) in enumerate(pieces):
        if _is_told_number(name, form) and not _has_unit_behind(pieces, index):
            yield Bare(module, line, f"{{{name}:{form}}}" if form else f"{{{name}}}")


def _is_told_number(name: str | None, form: str) -> bool:
    if name is None or not name.isidentifier() or _IN_UNIT.fullmatch(form):
        return False
    return bool(_NUMBER_FORM.fullmatch(form)) or (not form and bool(_NAMED.search(name)))


def _has_unit_behind(pieces: list[tuple[str, str | None, str]], index: int) -> bool:
    """The words behind a value stand before the next one."""
    if index + 1 == len(pieces):
        return False
    words, name, form = pieces[index + 1]
    if _UNIT_NEXT.match(words) or (words == " " and "unit" in (name or "")) or (not words and form == "behind"):
        return True
    is_range = bool(_RANGE.fullmatch(words)) and _is_told_number(name, form)
    return is_range and _has_unit_behind(pieces, index + 1)


def _is_number(part: ast.FormattedValue) -> bool:
    form = "".join(str(each.value) for each in _format(part) if isinstance(each, ast.Constant))
    # What a function makes of a number is its own matter: `duration_words(age_s)` says `45 min`.
    named = not isinstance(part.value, ast.Call) and bool(_NAMED.search(ast.unparse(part.value)))
    return bool(_ROUNDED.search(form)) or (not form and named)


def _format(part: ast.FormattedValue) -> list[ast.expr]:
    return part.format_spec.values if isinstance(part.format_spec, ast.JoinedStr) else []


def _has_unit(parts: list[ast.expr], index: int) -> bool:
    following = parts[index + 1 :]
    if not following:
        return False
    first = following[0]
    if isinstance(first, ast.FormattedValue):
        return "unit" in ast.unparse(first.value)
    words = str(first.value) if isinstance(first, ast.Constant) else ""
    if _UNIT_NEXT.match(words):
        return True
    if len(following) > 1 and isinstance(following[1], ast.FormattedValue):
        if words == " " and "unit" in ast.unparse(following[1].value):
            return True
        return bool(_RANGE.fullmatch(words)) and _is_number(following[1]) and _has_unit(parts, index + 2)
    return False


def bare_in_text(text: str) -> list[str]:
    """Each number with a decimal point in a printed `text` that no unit follows, with some of what stands around it."""
    found = []
    text = _QUOTED.sub("", text)
    for match in _DECIMAL.finditer(text):
        behind = text[match.end() :]
        rest = re.sub(r"^(?: (?:to|and) [-+]?[\d.]+)", "", behind)
        if not _UNIT_NEXT.match(rest):
            found.append(text[max(0, match.start() - 30) : match.end() + 20])
    return found
