"""Pure: a phrase and its values as one English sentence for people: what a reason says, made only where it is read.

A phrase names its values in braces, with how each is told behind a colon, as `str.format` has it, and four ways more:

- `{pressure:kPa .1f}`: a value in SI, told in that unit with the unit behind it (`{level:mm .0f}`, `{rate:m3/h .0f}`);
- `{age:duration}`: seconds, as people say them (`30 s`, `45 min`, `3.5 h`);
- `{expires:utc}`: seconds since 1970, as a time (`2026-03-14 12:00 UTC`);
- `{level:.7g}{unit:behind}`: a unit that is itself a value, with a space before it, and nothing where it is empty.

A value that is a reason itself is told as its own sentence. Another language is another phrase for the same one, with
the same names in it.
"""

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from string import Formatter
from typing import Any

from gateway.units.quantity import dimensions_of, si_conversion

__all__ = ["duration_words", "sentence"]

_IN_UNIT = re.compile(r"(\S+) (\S+)")
Told = tuple[str, str | None, Callable[[Any], str]]


def sentence(phrase: str, values: Sequence[tuple[str, Any]]) -> str:
    """The sentence. A phrase without values stands as it is; KeyError for a name in it that has no value."""
    if not values:
        return phrase
    given = dict(values)
    return "".join([words if name is None else words + told(given[name]) for words, name, told in _pieces(phrase)])


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


_KINDS: dict[str, Callable[[Any], str]] = {"duration": duration_words, "utc": _time_words, "behind": _behind}


@lru_cache(maxsize=1024)
def _pieces(phrase: str) -> list[Told]:
    """Words, the name of the value behind them, and how it is told. Raises ValueError for a form that is none."""
    return [(words, name, _teller(form or "")) for words, name, form, _ in Formatter().parse(phrase)]


def _teller(form: str) -> Callable[[Any], str]:
    if form in _KINDS:
        return _KINDS[form]
    in_unit = _IN_UNIT.fullmatch(form)
    if in_unit is None:
        return lambda value: format(getattr(value, "text", value), form)
    unit, number = in_unit.groups()
    dimensions = dimensions_of(unit)
    if not dimensions:
        raise ValueError(f"'{unit}' in '{form}' is no unit")
    factor, offset = si_conversion(unit, dimensions[0])
    # By what is whole where it can be, so that half a millimetre is rounded as it stands.
    times = 1.0 / factor
    return lambda value: f"{format((value - offset) * times, number)} {unit}"
