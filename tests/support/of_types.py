"""Any value of a type, by its hints alone: a field that is new is drawn as soon as it is there."""

from collections.abc import Mapping
from datetime import UTC, datetime
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

__all__ = ["fields_within", "values_of"]

_NUMBERS = st.floats(allow_nan=False)
_WHOLE = st.integers(min_value=0, max_value=(1 << 40) - 1)


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any value of a type made of named tuples, tuples, sets, mappings, enums, times and simple values; no NaN."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return values_of(inner[0])
    if origin in (Union, UnionType):
        return st.one_of(*[values_of(each) for each in inner])
    if origin is tuple and inner[-1] is Ellipsis:
        return st.lists(values_of(inner[0]), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*[values_of(each) for each in inner])
    if origin is frozenset:
        return st.frozensets(values_of(inner[0]), max_size=3)
    if origin is Mapping:
        return st.dictionaries(st.text(max_size=5), values_of(inner[1]), max_size=3)
    if kind is NoneType:
        return st.none()
    if issubclass(kind, Enum):
        return st.sampled_from(kind)
    if issubclass(kind, tuple):
        # Only when it is drawn: a record may hold others of its own type.
        return st.deferred(lambda: _record_of(kind))
    return {
        float: _NUMBERS,
        int: _WHOLE,
        bool: st.booleans(),
        str: st.text(max_size=5),
        datetime: st.datetimes(timezones=st.just(UTC)),
    }[kind]


@cache
def _record_of(kind: Any) -> st.SearchStrategy[Any]:
    hints = get_type_hints(kind, include_extras=True)
    return st.tuples(*[values_of(hints[name]) for name in kind._fields]).map(lambda given: kind(*given))


def fields_within(kind: Any) -> set[tuple[str, Any]]:
    """(TYPE.FIELD, its hint) of every named tuple in a type."""
    found: set[tuple[str, Any]] = set()
    _gather(kind, found)
    return found


def _gather(kind: Any, found: set[tuple[str, Any]]) -> None:
    if isinstance(kind, type) and issubclass(kind, tuple) and hasattr(kind, "_fields"):
        for name, hint in get_type_hints(kind, include_extras=True).items():
            if (f"{kind.__name__}.{name}", hint) not in found:
                found.add((f"{kind.__name__}.{name}", hint))
                _gather(hint, found)
    for each in get_args(kind):
        _gather(each, found)
