"""Pure: a phrase and its values as one English sentence for people: what a reason says, made only where it is read.

A phrase names its values in braces, with how each is told behind a colon, as `str.format` has it, and four ways more:

- `{pressure:kPa .1f}`: a value in SI, told in that unit with the unit behind it (`{level:mm .0f}`, `{rate:m3/h .0f}`);
  `{spread:apart degC .1f}`: how far two temperatures are apart, which in another unit is another number than of one;
  `{lowest:bare m .3f}`: its unit stands behind another value of the sentence;
- `{age:duration}`: seconds, as people say them (`30 s`, `45 min`, `3.5 h`);
- `{expires:utc}`: seconds since 1970, as a time (`2026-03-14 12:00 UTC`);
- `{level:.7g}{unit:behind}`: a unit that is itself a value, with a space before it, and nothing where it is empty.

A value that is a reason itself is told as its own sentence. Another language is another phrase for the same one, with
the same names in it: for whoever tells it anew, in other units or another language, `told_parts` takes it apart.
"""

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from string import Formatter
from typing import Any, NamedTuple

from gateway.units.quantity import Dimension, dimensions_of, si_conversion

__all__ = ["DURATION", "TIME", "Part", "duration_words", "sentence", "told_parts"]

_IN_UNIT = re.compile(r"(apart |bare )?(\S+) (\S+)")
Told = tuple[str, str | None, Callable[[Any], str]]
TIME, DURATION = "utc", "duration"
_APART, _BARE = "apart ", "bare "


def sentence(phrase: str, values: Sequence[tuple[str, Any]]) -> str:
    """The sentence. A phrase without values stands as it is; KeyError for a name in it that has no value."""
    if not values:
        return phrase
    given = dict(values)
    return "".join([words if name is None else words + told(given[name]) for words, name, told in _pieces(phrase)])


class Part(NamedTuple):
    """Constant words of a phrase, and the value that stands behind them."""

    words: str
    name: str | None
    """Of the value; None: there is none behind the last words."""
    text: str
    """As it is told."""
    whole: str
    """The same with its unit, also where that stands elsewhere in the sentence."""
    value: Any
    kind: Dimension | str
    """The dimension of a value in SI that stands with its unit; TIME, DURATION; empty for any other."""


def told_parts(phrase: str, values: Sequence[tuple[str, Any]]) -> list[Part]:
    """What `sentence` puts together. Raises the same."""
    given = dict(values)
    if not given:
        return [Part(phrase, None, "", "", None, "")]
    parts = []
    for (words, name, told), (kind, unit) in zip(_pieces(phrase), _kinds(phrase), strict=True):
        if name is None:
            parts.append(Part(words, None, "", "", None, ""))
        else:
            text = told(given[name])
            parts.append(Part(words, name, text, f"{text}{unit}", given[name], kind))
    return parts


def duration_words(seconds: float) -> str:
    """A length of time as people say it: `30 s`, `45 min`, `3.5 h`."""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


def _time_words(utc_s: float) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M} UTC"


def _behind(unit: str) -> str:
    return f" {unit}" if unit else ""


_KINDS: dict[str, Callable[[Any], str]] = {DURATION: duration_words, TIME: _time_words, "behind": _behind}


@lru_cache(maxsize=1024)
def _pieces(phrase: str) -> list[Told]:
    """Words, the name of the value behind them, and how it is told. Raises ValueError for a form that is none."""
    return [(words, name, _teller(form or "")) for words, name, form, _ in Formatter().parse(phrase)]


@lru_cache(maxsize=1024)
def _kinds(phrase: str) -> list[tuple[Dimension | str, str]]:
    """Of its pieces, one each, with the unit that the piece itself leaves out."""
    return [_kind(form or "") for _, _, form, _ in Formatter().parse(phrase)]


def _kind(form: str) -> tuple[Dimension | str, str]:
    if form in (DURATION, TIME):
        return form, ""
    in_unit = _IN_UNIT.fullmatch(form)
    if in_unit is None:
        return "", ""
    how, unit, _ = in_unit.groups()
    return _dimension(unit, is_apart=how == _APART), f" {unit}" if how == _BARE else ""


def _dimension(unit: str, *, is_apart: bool) -> Dimension:
    dimensions = dimensions_of(unit)
    if is_apart:
        dimensions = tuple(each for each in dimensions if each is Dimension.TEMPERATURE_DIFFERENCE)
    if not dimensions:
        raise ValueError(f"'{unit}' is no unit")
    return dimensions[0]


def _teller(form: str) -> Callable[[Any], str]:
    if form in _KINDS:
        return _KINDS[form]
    in_unit = _IN_UNIT.fullmatch(form)
    if in_unit is None:
        return lambda value: format(getattr(value, "text", value), form)
    how, unit, number = in_unit.groups()
    try:
        dimension = _dimension(unit, is_apart=how == _APART)
    except ValueError as error:
        raise ValueError(f"'{unit}' in '{form}' is no unit") from error
    factor, offset = si_conversion(unit, dimension)
    # By what is whole where it can be, so that half a millimetre is rounded as it stands.
    times = 1.0 / factor
    behind = "" if how == _BARE else f" {unit}"
    return lambda value: f"{format((value - offset) * times, number)}{behind}"
