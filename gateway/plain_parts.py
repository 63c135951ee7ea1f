"""Pure: the parts of a plain form (`gateway.plain_form`): how values of one type are written, read and moved."""

import math
from collections.abc import Hashable, Mapping
from datetime import datetime
from enum import Enum
from functools import cache
from types import MappingProxyType, NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from gateway.errors import GatewayError

__all__ = ["PlainFormError", "SteadyTime", "part_of"]

_STEADY = "steady"
SteadyTime = Annotated[float, _STEADY]
"""Seconds by a clock that is never set and counts from anywhere: `PlainForm.moved` takes them to another such clock."""
_REQUIRED: Any = object()
"""In place of a default."""
_CALLED, _SIMPLE, _NUMBER, _OPTIONAL_NUMBER, _WORD = range(5)
"""How a field is written: by a call, or where its record is, which is faster."""
_MOST_KNOWN = 1024
_NAMED = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}


class PlainFormError(GatewayError):
    """Plain values are not what they are to be read as. The text names the place."""

    def __init__(self, place: str, wanted: str) -> None:
        super().__init__(f"{place or 'the whole'} is not {wanted}")


class _Part:
    """How values of one type are written, read and moved: as they are, where a kind does not say otherwise."""

    shape: Any
    """What the type is, in plain values: what is written alike is shaped alike."""
    has_times = False
    """Whether there may be steady times within."""
    way = _CALLED
    loose: frozenset[Any] = frozenset()
    """What keeps a value from being unchangeable for sure: a mapping, or a record around it that is not known yet."""

    def to_plain(self, value: Any) -> Any:
        return value

    def from_plain(self, plain: Any, place: str) -> Any:
        return plain

    def moved(self, value: Any, by_s: float) -> Any:
        return value


class _Simple(_Part):
    """Text, whole numbers, yes or no: plain already."""

    way = _SIMPLE

    def __init__(self, kind: type) -> None:
        self.shape = kind.__name__
        self._kind = kind

    def from_plain(self, plain: Any, place: str) -> Any:
        if type(plain) is not self._kind:
            raise PlainFormError(place, f"of kind {self.shape}")
        return plain


class _Number(_Part):
    way = _NUMBER

    def __init__(self, is_time: bool = False) -> None:
        self.has_times = is_time
        self.shape = "steady time" if is_time else "float"

    def to_plain(self, value: Any) -> Any:
        return value if math.isfinite(value) else str(float(value))

    def from_plain(self, plain: Any, place: str) -> Any:
        if isinstance(plain, str) and plain in _NAMED:
            return _NAMED[plain]
        if type(plain) not in (float, int):
            raise PlainFormError(place, "a number")
        return float(plain)

    def moved(self, value: Any, by_s: float) -> Any:
        return value + by_s if self.has_times else value


class _Time(_Part):
    shape = "time"

    def to_plain(self, value: Any) -> Any:
        return value.isoformat()

    def from_plain(self, plain: Any, place: str) -> Any:
        try:
            instant = datetime.fromisoformat(plain)
        except (TypeError, ValueError) as error:
            raise PlainFormError(place, "a time") from error
        if instant.tzinfo is None:
            raise PlainFormError(place, "a time with its zone")
        return instant


class _Word(_Part):
    """A member of an enum."""

    way = _WORD

    def __init__(self, kind: type[Enum]) -> None:
        self.shape = {"one of": kind.__name__}
        self._kind = kind
        self._by_value = {member.value: member for member in kind}

    def to_plain(self, value: Any) -> Any:
        return value._value_

    def from_plain(self, plain: Any, place: str) -> Any:
        found = self._by_value.get(plain) if type(plain) in (str, int) else None
        if found is None:
            raise PlainFormError(place, f"a {self._kind.__name__} of this version")
        return found


class _Optional(_Part):
    def __init__(self, part: _Part) -> None:
        self.shape = {"or none": part.shape}
        self.has_times = part.has_times
        self.way = _OPTIONAL_NUMBER if part.way == _NUMBER else _CALLED
        self.loose = part.loose
        self._part = part

    def to_plain(self, value: Any) -> Any:
        return None if value is None else self._part.to_plain(value)

    def from_plain(self, plain: Any, place: str) -> Any:
        return None if plain is None else self._part.from_plain(plain, place)

    def moved(self, value: Any, by_s: float) -> Any:
        return None if value is None else self._part.moved(value, by_s)


class _Either(_Part):
    """A value of one of several types that are told apart by how they are written."""

    def __init__(self, parts: Mapping[type, _Part]) -> None:
        self.shape = {"either": [part.shape for part in parts.values()]}
        self.loose = frozenset().union(*[part.loose for part in parts.values()])
        self.has_times = any(part.has_times for part in parts.values())
        self._parts = parts
        self._by_written = {dict if isinstance(part, _Record | _Again) else kind: part for kind, part in parts.items()}

    def to_plain(self, value: Any) -> Any:
        return self._part(value).to_plain(value)

    def from_plain(self, plain: Any, place: str) -> Any:
        kind = float if isinstance(plain, str) and plain in _NAMED and float in self._parts else type(plain)
        part = self._by_written.get(kind)
        if part is None:
            raise PlainFormError(place, "of a kind that may stand there")
        return part.from_plain(plain, place)

    def moved(self, value: Any, by_s: float) -> Any:
        return self._part(value).moved(value, by_s) if self.has_times else value

    def _part(self, value: Any) -> _Part:
        exact = self._parts.get(type(value))
        return exact or next(part for kind, part in self._parts.items() if isinstance(value, kind))


class _Again(_Part):
    """A record within one of its own type."""

    def __init__(self, kind: Any) -> None:
        self.shape = {"again": kind.__name__}
        self.loose = frozenset({kind})
        self._kind = kind

    def to_plain(self, value: Any) -> Any:
        return part_of(self._kind).to_plain(value)

    def from_plain(self, plain: Any, place: str) -> Any:
        return part_of(self._kind).from_plain(plain, place)


class _Row(_Part):
    """A tuple of any length, or a set, of values of one type."""

    def __init__(self, part: _Part, kind: type) -> None:
        self.shape = {f"{kind.__name__} of": part.shape}
        self.loose = part.loose
        self.has_times = part.has_times
        self._part = part
        self._kind = kind

    def to_plain(self, value: Any) -> Any:
        if not value:
            return []
        write = self._part.to_plain
        written = [write(each) for each in value]
        return sorted(written) if self._kind is frozenset else written

    def from_plain(self, plain: Any, place: str) -> Any:
        return self._kind(
            [self._part.from_plain(each, f"{place}[{index}]") for index, each in enumerate(_list(plain, place))]
        )

    def moved(self, value: Any, by_s: float) -> Any:
        return self._kind([self._part.moved(each, by_s) for each in value]) if self.has_times else value


class _Fixed(_Part):
    """A tuple of certain types."""

    def __init__(self, parts: tuple[_Part, ...]) -> None:
        self.shape = [part.shape for part in parts]
        self.loose = frozenset().union(*[part.loose for part in parts])
        self.has_times = any(part.has_times for part in parts)
        self._parts = parts

    def to_plain(self, value: Any) -> Any:
        return [part.to_plain(each) for part, each in zip(self._parts, value, strict=True)]

    def from_plain(self, plain: Any, place: str) -> Any:
        given = _list(plain, place)
        if len(given) != len(self._parts):
            raise PlainFormError(place, f"a list of {len(self._parts)}")
        pairs = enumerate(zip(self._parts, given, strict=True))
        return tuple([part.from_plain(each, f"{place}[{index}]") for index, (part, each) in pairs])

    def moved(self, value: Any, by_s: float) -> Any:
        return tuple([part.moved(each, by_s) for part, each in zip(self._parts, value, strict=True)])


class _ByName(_Part):
    """A mapping from text."""

    loose = frozenset({Mapping})

    def __init__(self, part: _Part) -> None:
        self.shape = {"by name": part.shape}
        self.has_times = part.has_times
        self._part = part

    def to_plain(self, value: Any) -> Any:
        return {name: self._part.to_plain(each) for name, each in value.items()}

    def from_plain(self, plain: Any, place: str) -> Any:
        given = _mapping(plain, place)
        return MappingProxyType({name: self._part.from_plain(each, f"{place}.{name}") for name, each in given.items()})

    def moved(self, value: Any, by_s: float) -> Any:
        if not self.has_times:
            return value
        return MappingProxyType({name: self._part.moved(each, by_s) for name, each in value.items()})


class _Record(_Part):
    """A named tuple."""

    def __init__(self, kind: Any) -> None:
        hints = get_type_hints(kind, include_extras=True)
        self._kind = kind
        _BEGUN.add(kind)
        self._defaults: dict[str, Any] = kind._field_defaults
        self._parts: dict[str, _Part] = {name: part_of(hints[name]) for name in kind._fields}
        _BEGUN.remove(kind)
        self._writing = [
            (name, part.way, part.to_plain, self._defaults.get(name, _REQUIRED)) for name, part in self._parts.items()
        ]
        self.loose = frozenset().union(*[part.loose for part in self._parts.values()]) - {kind}
        self._known: dict[int, tuple[Any, Any]] = {}
        """Of those written last, by their identity; each is kept as long as it stands here, so that no other has it."""
        self.has_times = any(part.has_times for part in self._parts.values())
        self.shape = {
            name: {"is": part.shape, "default": part.to_plain(self._defaults[name])}
            if name in self._defaults
            else part.shape
            for name, part in self._parts.items()
        }

    def to_plain(self, value: Any) -> Any:
        if self.loose:
            return self._written(value)
        # Sheets have many a part from one to the next, the very same: that a figure is not applicable, and why.
        known = self._known.get(id(value))
        if known is not None and known[0] is value:
            return known[1]
        plain = self._written(value)
        if len(self._known) >= _MOST_KNOWN:
            self._known.clear()
        self._known[id(value)] = value, plain
        return plain

    def _written(self, value: Any) -> Any:
        # Whole sheets are written for each record of history: the plain kinds of fields are spared a call.
        plain = {}
        for (name, way, write, default), each in zip(self._writing, value, strict=True):
            # Minus zero equals zero and is another number all the same.
            if each is default or (default is not _REQUIRED and each == default and not isinstance(each, float)):
                continue
            if way == _CALLED:
                plain[name] = write(each)
            elif way == _SIMPLE or (way == _OPTIONAL_NUMBER and each is None):
                plain[name] = each
            elif way == _WORD:
                plain[name] = each._value_
            else:
                plain[name] = each if math.isfinite(each) else write(each)
        return plain

    def from_plain(self, plain: Any, place: str) -> Any:
        given = _mapping(plain, place)
        unknown = given.keys() - self._parts.keys()
        if unknown:
            raise PlainFormError(f"{place}.{min(unknown)}".lstrip("."), f"a part of {self._kind.__name__}")
        values = []
        for name, part in self._parts.items():
            if name in given:
                values.append(part.from_plain(given[name], f"{place}.{name}".lstrip(".")))
            elif name in self._defaults:
                values.append(self._defaults[name])
            else:
                raise PlainFormError(f"{place}.{name}".lstrip("."), "there")
        return self._kind(*values)

    def moved(self, value: Any, by_s: float) -> Any:
        if not self.has_times:
            return value
        return self._kind(
            *[
                part.moved(each, by_s) if part.has_times else each
                for part, each in zip(self._parts.values(), value, strict=True)
            ]
        )


def _list(plain: Any, place: str) -> list[Any]:
    if not isinstance(plain, list):
        raise PlainFormError(place, "a list")
    return plain


def _mapping(plain: Any, place: str) -> dict[str, Any]:
    if not isinstance(plain, dict) or not all(isinstance(name, str) for name in plain):
        raise PlainFormError(place, "a mapping")
    return plain


_BEGUN: set[Any] = set()
"""Records whose part is being made: one that comes up again lies within itself."""


def part_of(kind: Any) -> _Part:
    return _Again(kind) if kind in _BEGUN else _made_part(kind)


@cache
def _made_part(kind: Hashable) -> _Part:
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        if inner != (float, _STEADY):
            raise TypeError(f"{kind} has no plain form")
        return _Number(is_time=True)
    if origin in (Union, UnionType):
        known = [each for each in inner if each is not NoneType]
        if len(known) == 1 and len(inner) == 2:
            return _Optional(part_of(known[0]))
        if len(known) == len(inner) and all(isinstance(each, type) for each in known):
            return _Either({each: part_of(each) for each in known})
    elif origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return _Row(part_of(inner[0]), tuple)
        return _Fixed(tuple([part_of(each) for each in inner]))
    elif origin is frozenset:
        return _Row(part_of(inner[0]), frozenset)
    elif origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        if inner[0] is str:
            return _ByName(part_of(inner[1]))
    elif isinstance(kind, type):
        if issubclass(kind, Enum):
            return _Word(kind)
        if issubclass(kind, tuple) and hasattr(kind, "_fields"):
            return _Record(kind)
        if kind is float:
            return _Number()
        if kind is datetime:
            return _Time()
        if kind in (str, int, bool):
            return _Simple(kind)
    raise TypeError(f"{kind} has no plain form")
