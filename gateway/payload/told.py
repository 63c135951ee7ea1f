"""Pure: what sentences of the gateway are made of, for whoever tells them anew: in other units, or another language.

A message has a reason by its code and its English sentence. Beside these the page is told, of each sentence that bears
values, the phrase with the values' names in braces, and by name what each is:

- text, where it is a name, a count, or anything else that is the same in all units;
- `{"text", "value", "unit"}`: a number in SI with the symbol of its unit (`K`: how far temperatures are apart), and how
  it stands in the sentence, which tells what digits are known of it;
- `{"text", "time"}` and `{"text", "seconds"}`.

A sentence without values is its own phrase, and is not among them.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from math import isfinite
from typing import Any

from gateway.payload.plain import iso_time
from gateway.reasons import Reason
from gateway.sentences import DURATION, TIME, Part, told_parts
from gateway.units.quantity import Dimension

__all__ = ["reasons_in", "sentence_documents"]

_UNITS = {
    Dimension.LENGTH: "m",
    Dimension.TEMPERATURE: "degC",
    Dimension.TEMPERATURE_DIFFERENCE: "K",
    Dimension.GAUGE_PRESSURE: "Pa",
    Dimension.ABSOLUTE_PRESSURE: "Pa",
    Dimension.VOLUME: "m3",
    Dimension.DENSITY: "kg/m3",
    Dimension.MASS: "kg",
    Dimension.VOLUME_FLOW: "m3/s",
    Dimension.MASS_FLOW: "kg/s",
    Dimension.RATIO: "1",
}
"""Symbols of what people may read in other units, or with another decimal sign."""
_SYMBOLS = frozenset(_UNITS.values())
_UNIT = "unit"
"""The name of a value that is the unit of the one before it."""


def sentence_documents(reasons: Iterable[Reason]) -> list[dict[str, Any]]:
    """`{"text", "phrase", "values"}` of each sentence that bears values, once; those within others before them."""
    found: dict[str, dict[str, Any]] = {}
    for reason in reasons:
        _add(reason, found)
    return list(found.values())


def reasons_in(value: Any) -> list[Reason]:
    """Every reason in a record, a sequence or a mapping of them, however deep, each once."""
    found: dict[Reason, None] = {}
    _gather(value, found)
    return list(found)


def _gather(value: Any, found: dict[Reason, None]) -> None:
    if isinstance(value, Reason):
        found[value] = None
    elif isinstance(value, tuple | list | set | frozenset):
        for each in value:
            _gather(each, found)
    elif isinstance(value, dict):
        for each in value.values():
            _gather(each, found)


def _add(reason: Reason, found: dict[str, dict[str, Any]]) -> None:
    if not reason.values:
        return
    for _, value in reason.values:
        if isinstance(value, Reason):
            _add(value, found)
    text = reason.text
    if text in found:
        return
    phrase = ""
    values: dict[str, Any] = {}
    parts = told_parts(reason.phrase, reason.values)
    for place, part in enumerate(parts):
        before = parts[place - 1] if place else part
        if before.name is not None and part.name == _UNIT and part.words in ("", " "):
            # Of the number that it stands behind.
            values[before.name] = _with_unit(before, part)
            continue
        phrase += part.words
        if part.name is not None:
            phrase += f"{{{part.name}}}"
            values[part.name] = _told(part)
    found[text] = {"text": text, "phrase": phrase, "values": values}


def _with_unit(number: Part, unit: Part) -> Any:
    """By its SI symbol, if that is one that is known here; else as it stands."""
    text = f"{number.text}{unit.words}{unit.text}"
    if unit.value in _SYMBOLS and unit.value != "1":
        return _quantity(text, number.value, str(unit.value))
    return text


def _told(part: Part) -> Any:
    kind, value, text = part.kind, part.value, part.whole
    if kind == TIME:
        return {"text": text, "time": iso_time(datetime.fromtimestamp(value, UTC))}
    if kind == DURATION:
        return {"text": text, "seconds": value} if isfinite(value) else text
    if isinstance(kind, Dimension) and kind in _UNITS:
        return _quantity(text, value, _UNITS[kind])
    return text


def _quantity(text: str, value: Any, unit: str) -> Any:
    is_number = isinstance(value, int | float) and isfinite(value)
    return {"text": text, "value": float(value), "unit": unit} if is_number else text
