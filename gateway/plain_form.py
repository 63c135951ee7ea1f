"""Pure: records as plain values (what JSON can carry) and back, made from their types: no field can be forgotten.

A named tuple becomes a mapping of its fields, without those that are as their default; a tuple a list; a set a sorted
list; an enum its value; a time ISO 8601 text; a number that JSON lacks its name. Numbers keep every digit. Where a
value is one of several types, what is written tells which: text, a whole number, another number, a record's mapping. A
record may hold others of its own type.
"""

from typing import Any, Generic, TypeVar, cast

from gateway.plain_parts import SteadyTime, form_of, recurring
from gateway.plain_place import PlainFormError

__all__ = ["PlainForm", "PlainFormError", "SteadyTime", "recurring"]

T = TypeVar("T")


class PlainForm(Generic[T]):
    """The plain form of a type made of named tuples, tuples, sets, mappings by name, enums, times and simple values.

    Raises TypeError for a type that holds anything else.
    """

    def __init__(self, kind: type[T]) -> None:
        self._form = form_of(kind)

    @property
    def shape(self) -> Any:
        """Everything that the form depends on, in plain values: fields, types and defaults."""
        return self._form.shape

    def to_plain(self, value: T) -> Any:
        """Plain values. What is below the top may be shared with others that were made: it is not to be changed."""
        return self._form.to_plain(value)

    def from_plain(self, plain: Any) -> T:
        """What was written. Raises PlainFormError for anything else."""
        return cast(T, self._form.from_plain(plain, None))

    def moved(self, value: T, by_s: float) -> T:
        """The same with every steady time later by `by_s` seconds."""
        return cast(T, self._form.moved(value, by_s))
