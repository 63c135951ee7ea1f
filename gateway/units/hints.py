"""What to write instead of a quantity or a unit that cannot be read.

A hint never changes what was meant: a number is offered only in a form that can be read, a unit only where it is the
same one in another spelling. `1,500.5 mm` is not offered as `1.500.5 mm`, and `5 km` is not offered as `5 m`.
"""

import re
from collections.abc import Callable, Iterable, Mapping

__all__ = ["number_hint", "same_unit"]

_TOKEN = re.compile(r"\d[\d., ']*\d", re.ASCII)
# Thousands by one mark, and perhaps decimals behind another.
_GROUPED = re.compile(r"([1-9]\d{0,2}(?:([., '])\d{3})(?:\2\d{3})*)(?:(?!\2)[.,](\d+))?", re.ASCII)
_MIXED = re.compile(r"(.*?)(\d+)\.(\d+)([- ])(\d+/\d+)(.*)", re.ASCII | re.DOTALL)

_WORDS: Mapping[str, str] = {
    "metre": "m",
    "meter": "m",
    "mtr": "m",
    "ltr": "L",
    "millimetre": "mm",
    "millimeter": "mm",
    "centimetre": "cm",
    "centimeter": "cm",
    "foot": "ft",
    "feet": "ft",
    "inch": "in",
    "inche": "in",
    "litre": "L",
    "liter": "L",
    "cubicmetre": "m3",
    "cubicmeter": "m3",
    "barrel": "bbl",
    "bph": "bbl/h",
    "bpd": "bbl/d",
    "kilogram": "kg",
    "tonne": "t",
    "metricton": "t",
    "pound": "lb",
    "celsius": "degC",
    "fahrenheit": "degF",
    "kelvin": "K",
    "kg/cm2": "kgf/cm2",
    "g/cc": "g/cm3",
    "sec": "s",
    "second": "s",
    "minute": "min",
    "hr": "h",
    "hour": "h",
    "day": "d",
    "percent": "%",
}
"""What people write in full -> the unit; keys as `_plain` makes them."""


def number_hint(text: str, reads: Callable[[str], bool], example: str) -> str | None:
    """What is wrong with the number in `text`, and what to write; None where nothing is known.

    `reads` says whether a text can be read; `example` stands where no reading of `text` can be.
    """
    mixed = _MIXED.fullmatch(text)
    if mixed is not None:
        before, whole, decimals, mark, fraction, after = mixed.groups()
        ways = [f"{before}{whole}.{decimals}{after}", f"{before}{whole}{mark}{fraction}{after}"]
        ways = [way for way in ways if reads(way)] or [example]
        return f"'{text}' has a decimal and a fraction together; write {' or '.join(ways)}"
    decimal, grouped = _readings(text, reads)
    if "," in text:
        what = "has a comma" if text.count(",") == 1 else "has commas"
        if decimal and grouped:
            return f"'{text}' {what}; write {decimal} for a decimal or {grouped} for thousands"
        if decimal or grouped:
            return f"'{text}' {what}; write {decimal or grouped}"
        return f"'{text}' {what}; write one number, its decimals behind a point, for example {example}"
    if grouped:
        return f"'{text}' has marks in its number; write {grouped}"
    return None


def _readings(text: str, reads: Callable[[str], bool]) -> tuple[str | None, str | None]:
    """`text` with its comma for a decimal point, and without the marks between its thousands; None where unreadable."""
    decimal = grouped = None
    for token in _TOKEN.finditer(text):
        before, number, after = text[: token.start()], token.group(), text[token.end() :]
        if number.count(",") == 1 and "." not in number:
            decimal = f"{before}{number.replace(',', '.')}{after}"
        marks = _GROUPED.fullmatch(number)
        if marks is not None:
            whole, mark, decimals = marks.groups()
            tail = f".{decimals}" if decimals else ""
            grouped = f"{before}{whole.replace(mark, '')}{tail}{after}"
    return decimal if decimal and reads(decimal) else None, grouped if grouped and reads(grouped) else None


def same_unit(written: str, names: Iterable[str]) -> str | None:
    """The one of `names` that is the unit `written` in other letters or in words; None where none surely is."""
    known = list(names)
    plain = _plain(written)
    found = [name for name in known if _plain(name) == plain or name == _WORDS.get(plain)]
    return found[0] if len(found) == 1 else None


def _plain(name: str) -> str:
    plain = re.sub(r"[ .^*]", "", name.casefold()).replace("/hr", "/h")
    # A plural: `bbls`, `metres`; but not `m3/s`, `ms`.
    return plain[:-1] if len(plain) > 2 and plain.endswith("s") and not plain.endswith("/s") else plain
