"""Pure: what a plain form (`gateway.plain_form`) is made of: how values of one type are written, read and moved."""

import math
from collections.abc import Hashable, Mapping
from datetime import datetime
from enum import Enum
from functools import cache
from types import MappingProxyType, NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

from gateway.plain_code import REQUIRED, Bound, Field, writer_of
from gateway.plain_place import Place, PlainFormError

__all__ = ["SteadyTime", "form_of", "recurring"]

T = TypeVar("T")
_STEADY = "steady"
SteadyTime = Annotated[float, _STEADY]
"""Seconds by a clock that is never set and counts from anywhere: `PlainForm.moved` takes them to another such clock."""
_NAMED = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}


class _Form:
    """How values of one type are written, read and moved: as they are, where a kind does not say otherwise."""

    shape: Any
    """What the type is, in plain values: what is written alike is shaped alike."""
    has_times = False
    """Whether there may be steady times within."""
    is_number = False
    """Whether a float stands for itself."""
    loose: frozenset[Any] = frozenset()
    """What keeps a value from being unchangeable for sure: a mapping, or a record around it that is not known yet."""

    def to_plain(self, value: Any) -> Any:
        return value

    def code(self, value: str, bound: Bound) -> str:
        """The same as an expression within the function of a record."""
        return f"{bound.name(self.to_plain)}({value})"

    def from_plain(self, plain: Any, place: Place) -> Any:
        return plain

    def moved(self, value: Any, by_s: float) -> Any:
        return value


class _Simple(_Form):
    """Text, whole numbers, yes or no: plain already."""

    def __init__(self, kind: type) -> None:
        self.shape = kind.__name__
        self._kind = kind

    def code(self, value: str, bound: Bound) -> str:
        return value

    def from_plain(self, plain: Any, place: Place) -> Any:
        if type(plain) is not self._kind:
            raise PlainFormError(place, f"of kind {self.shape}")
        return plain


class _Number(_Form):
    is_number = True

    def __init__(self, is_time: bool = False) -> None:
        self.has_times = is_time
        self.shape = "steady time" if is_time else "float"

    def to_plain(self, value: Any) -> Any:
        return value if math.isfinite(value) else str(float(value))

    def code(self, value: str, bound: Bound) -> str:
        return (
            f"({value} if {bound.name(-math.inf)} < {value} < {bound.name(math.inf)} else {super().code(value, bound)})"
        )

    def from_plain(self, plain: Any, place: Place) -> Any:
        if isinstance(plain, str) and plain in _NAMED:
            return _NAMED[plain]
        if type(plain) not in (float, int):
            raise PlainFormError(place, "a number")
        return float(plain)

    def moved(self, value: Any, by_s: float) -> Any:
        return value + by_s if self.has_times else value


class _Time(_Form):
    shape = "time"

    def to_plain(self, value: Any) -> Any:
        return value.isoformat()

    def from_plain(self, plain: Any, place: Place) -> Any:
        try:
            instant = datetime.fromisoformat(plain)
        except (TypeError, ValueError) as error:
            raise PlainFormError(place, "a time") from error
        if instant.tzinfo is None:
            raise PlainFormError(place, "a time with its zone")
        return instant


class _Word(_Form):
    """A member of an enum."""

    def __init__(self, kind: type[Enum]) -> None:
        self.shape = {"one of": kind.__name__}
        self._kind = kind
        self._by_value = {member.value: member for member in kind}

    def to_plain(self, value: Any) -> Any:
        return value._value_

    def code(self, value: str, bound: Bound) -> str:
        return f"{value}._value_"

    def from_plain(self, plain: Any, place: Place) -> Any:
        found = self._by_value.get(plain) if type(plain) in (str, int) else None
        if found is None:
            raise PlainFormError(place, f"a {self._kind.__name__} of this version")
        return found


class _Optional(_Form):
    def __init__(self, form: _Form) -> None:
        self.shape = {"or none": form.shape}
        self.has_times = form.has_times
        self.is_number = form.is_number
        self.loose = form.loose
        self._form = form

    def to_plain(self, value: Any) -> Any:
        return None if value is None else self._form.to_plain(value)

    def code(self, value: str, bound: Bound) -> str:
        return f"(None if {value} is None else {self._form.code(value, bound)})"

    def from_plain(self, plain: Any, place: Place) -> Any:
        return None if plain is None else self._form.from_plain(plain, place)

    def moved(self, value: Any, by_s: float) -> Any:
        return None if value is None else self._form.moved(value, by_s)


class _Either(_Form):
    """A value of one of several types that are told apart by how they are written."""

    def __init__(self, forms: Mapping[type, _Form]) -> None:
        self.shape = {"either": [form.shape for form in forms.values()]}
        self.loose = frozenset().union(*[form.loose for form in forms.values()])
        self.has_times = any(form.has_times for form in forms.values())
        self._forms = forms
        self._by_written = {dict if isinstance(form, _Record | _Again) else kind: form for kind, form in forms.items()}

    def to_plain(self, value: Any) -> Any:
        return self._form(value).to_plain(value)

    def from_plain(self, plain: Any, place: Place) -> Any:
        kind = float if isinstance(plain, str) and plain in _NAMED and float in self._forms else type(plain)
        form = self._by_written.get(kind)
        if form is None:
            raise PlainFormError(place, "of a kind that may stand there")
        return form.from_plain(plain, place)

    def moved(self, value: Any, by_s: float) -> Any:
        return self._form(value).moved(value, by_s) if self.has_times else value

    def _form(self, value: Any) -> _Form:
        exact = self._forms.get(type(value))
        return exact or next(form for kind, form in self._forms.items() if isinstance(value, kind))


class _Again(_Form):
    """A record within one of its own type."""

    def __init__(self, kind: Any) -> None:
        self.shape = {"again": kind.__name__}
        self.loose = frozenset({kind})
        self._kind = kind

    def to_plain(self, value: Any) -> Any:
        return form_of(self._kind).to_plain(value)

    def from_plain(self, plain: Any, place: Place) -> Any:
        return form_of(self._kind).from_plain(plain, place)


class _Row(_Form):
    """A tuple of any length, or a set, of values of one type."""

    def __init__(self, form: _Form, kind: type) -> None:
        self.shape = {f"{kind.__name__} of": form.shape}
        self.loose = form.loose
        self.has_times = form.has_times
        self._form = form
        self._kind = kind

    def to_plain(self, value: Any) -> Any:
        write = self._form.to_plain
        written = [write(each) for each in value]
        return sorted(written) if self._kind is frozenset else written

    def code(self, value: str, bound: Bound) -> str:
        # Most are empty.
        written = f"[{self._form.code('each', bound)} for each in {value}]"
        return f"({f'sorted({written})' if self._kind is frozenset else written} if {value} else [])"

    def from_plain(self, plain: Any, place: Place) -> Any:
        return self._kind(
            [self._form.from_plain(each, (place, index)) for index, each in enumerate(_list(plain, place))]
        )

    def moved(self, value: Any, by_s: float) -> Any:
        return self._kind([self._form.moved(each, by_s) for each in value]) if self.has_times else value


class _Fixed(_Form):
    """A tuple of certain types."""

    def __init__(self, forms: tuple[_Form, ...]) -> None:
        self.shape = [form.shape for form in forms]
        self.loose = frozenset().union(*[form.loose for form in forms])
        self.has_times = any(form.has_times for form in forms)
        self._forms = forms

    def to_plain(self, value: Any) -> Any:
        return [form.to_plain(each) for form, each in zip(self._forms, value, strict=True)]

    def code(self, value: str, bound: Bound) -> str:
        return f"[{', '.join(form.code(f'{value}[{index}]', bound) for index, form in enumerate(self._forms))}]"

    def from_plain(self, plain: Any, place: Place) -> Any:
        given = _list(plain, place)
        if len(given) != len(self._forms):
            raise PlainFormError(place, f"a list of {len(self._forms)}")
        pairs = enumerate(zip(self._forms, given, strict=True))
        return tuple([form.from_plain(each, (place, index)) for index, (form, each) in pairs])

    def moved(self, value: Any, by_s: float) -> Any:
        return tuple([form.moved(each, by_s) for form, each in zip(self._forms, value, strict=True)])


class _ByName(_Form):
    """A mapping from text."""

    loose = frozenset({Mapping})

    def __init__(self, form: _Form) -> None:
        self.shape = {"by name": form.shape}
        self.has_times = form.has_times
        self._form = form

    def to_plain(self, value: Any) -> Any:
        return {name: self._form.to_plain(each) for name, each in value.items()}

    def from_plain(self, plain: Any, place: Place) -> Any:
        given = _mapping(plain, place)
        return MappingProxyType({name: self._form.from_plain(each, (place, name)) for name, each in given.items()})

    def moved(self, value: Any, by_s: float) -> Any:
        if not self.has_times:
            return value
        return MappingProxyType({name: self._form.moved(each, by_s) for name, each in value.items()})


class _Record(_Form):
    """A named tuple."""

    def __init__(self, kind: Any) -> None:
        hints = get_type_hints(kind, include_extras=True)
        self._kind = kind
        _BEGUN.add(kind)
        self._defaults: dict[str, Any] = kind._field_defaults
        self._forms: dict[str, _Form] = {name: form_of(hints[name]) for name in kind._fields}
        _BEGUN.remove(kind)
        self._reading = [
            (name, form.is_number, form.from_plain, self._defaults.get(name, REQUIRED))
            for name, form in self._forms.items()
        ]
        self.loose = frozenset().union(*[form.loose for form in self._forms.values()]) - {kind}
        if kind in _RECURRING and self.loose:
            raise TypeError(f"{kind} holds what may change: that the same comes again says nothing")
        fields = [Field(name, form, self._defaults.get(name, REQUIRED)) for name, form in self._forms.items()]
        self._write = writer_of(fields, recurs=kind in _RECURRING)
        self.has_times = any(form.has_times for form in self._forms.values())
        self.shape = {
            name: {"is": form.shape, "default": form.to_plain(self._defaults[name])}
            if name in self._defaults
            else form.shape
            for name, form in self._forms.items()
        }

    def to_plain(self, value: Any) -> Any:
        return self._write(value)

    def code(self, value: str, bound: Bound) -> str:
        return f"{bound.name(self._write)}({value})"

    def from_plain(self, plain: Any, place: Place) -> Any:
        # Whole sheets are read for each record that is delivered: numbers are spared a call, and places their text.
        given = plain if type(plain) is dict else _mapping(plain, place)
        values, defaults = [], 0
        for name, is_number, read, default in self._reading:
            if name in given:
                each = given[name]
                values.append(each if is_number and type(each) is float else read(each, (place, name)))
            elif default is not REQUIRED:
                values.append(default)
                defaults += 1
            else:
                raise PlainFormError((place, name), "there")
        if len(given) + defaults != len(values):
            unknown = min(map(str, given.keys() - self._forms.keys()))
            raise PlainFormError((place, unknown), f"a field of {self._kind.__name__}")
        return self._kind(*values)

    def moved(self, value: Any, by_s: float) -> Any:
        if not self.has_times:
            return value
        return self._kind(
            *[
                form.moved(each, by_s) if form.has_times else each
                for form, each in zip(self._forms.values(), value, strict=True)
            ]
        )


def _list(plain: Any, place: Place) -> list[Any]:
    if not isinstance(plain, list):
        raise PlainFormError(place, "a list")
    return plain


def _mapping(plain: Any, place: Place) -> dict[str, Any]:
    if not isinstance(plain, dict) or not set(map(type, plain)) <= {str}:
        raise PlainFormError(place, "a mapping")
    return plain


_RECURRING: set[Any] = set()
_BEGUN: set[Any] = set()
"""Records whose form is being made: one that comes up again lies within itself."""


def recurring(kind: type[T]) -> type[T]:
    """For named tuples of which the very same come again and again: each is written once. What was written of it may
    then stand in several records, so that nothing that it holds can change."""
    _RECURRING.add(kind)
    return kind


def form_of(kind: Any) -> _Form:
    return _Again(kind) if kind in _BEGUN else _made_form(kind)


@cache
def _made_form(kind: Hashable) -> _Form:
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        if inner != (float, _STEADY):
            raise TypeError(f"{kind} has no plain form")
        return _Number(is_time=True)
    if origin in (Union, UnionType):
        known = [each for each in inner if each is not NoneType]
        if len(known) == 1 and len(inner) == 2:
            return _Optional(form_of(known[0]))
        if len(known) == len(inner) and all(isinstance(each, type) for each in known):
            return _Either({each: form_of(each) for each in known})
    elif origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return _Row(form_of(inner[0]), tuple)
        return _Fixed(tuple([form_of(each) for each in inner]))
    elif origin is frozenset:
        return _Row(form_of(inner[0]), frozenset)
    elif origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        if inner[0] is str:
            return _ByName(form_of(inner[1]))
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
