"""Pure: the function that writes a record of one type as plain values, made from its fields as Python of its own.

A whole sheet is some three hundred fields, and is written for each record of history: a function in which the fields
stand takes a third of the time of a loop over them.
"""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, Protocol

__all__ = ["REQUIRED", "Bound", "Field", "Writing", "writer_of"]

REQUIRED: Any = object()
"""In place of a default."""
_MOST_KNOWN = 1024


class Bound:
    """What the text of a function names and is not in it."""

    def __init__(self) -> None:
        self.names: dict[str, Any] = {}

    def name(self, value: Any) -> str:
        """By which the text has it."""
        name = f"bound{len(self.names)}"
        self.names[name] = value
        return name


class Writing(Protocol):
    """How values of one type are written."""

    def code(self, value: str, bound: Bound) -> str:
        """An expression of the plain form of the value that a name or another expression stands for."""
        ...


class Field(NamedTuple):
    """One of a record."""

    name: str
    writing: Writing
    default: Any = REQUIRED


def writer_of(fields: Sequence[Field], *, recurs: bool) -> Callable[[Any], Any]:
    """Of a named tuple with these fields; what is as by default is left out.

    Where the very same records come again, each is written once as long as it is remembered.
    """
    bound = Bound()
    known: dict[int, tuple[Any, Any]] = {}
    # By their identity; each is kept as long as it stands there, so that no other has it.
    bound.names.update(known=known, MOST_KNOWN=_MOST_KNOWN)
    lines = ["def write(value):"]
    if recurs:
        lines += [
            "    found = known.get(id(value))",
            "    if found is not None and found[0] is value:",
            "        return found[1]",
        ]
    # Not by their own names, which may be words of Python's or of this text.
    places = [f"field{index}" for index in range(len(fields))]
    if places:
        lines.append(f"    {', '.join(places)}, = value")
    required = [
        f"{field.name!r}: {field.writing.code(place, bound)}, "
        for field, place in zip(fields, places, strict=True)
        if field.default is REQUIRED
    ]
    lines.append(f"    plain = {{{''.join(required)}}}")
    for field, place in zip(fields, places, strict=True):
        if field.default is not REQUIRED:
            lines.append(f"    if {_differs(place, field.default, bound)}:")
            lines.append(f"        plain[{field.name!r}] = {field.writing.code(place, bound)}")
    if recurs:
        lines += [
            "    if len(known) >= MOST_KNOWN:",
            "        known.clear()",
            "    known[id(value)] = value, plain",
        ]
    lines.append("    return plain")
    exec("\n".join(lines), bound.names)
    made: Callable[[Any], Any] = bound.names["write"]
    return made


def _differs(place: str, default: Any, bound: Bound) -> str:
    if default is None:
        return f"{place} is not None"
    name = bound.name(default)
    # Minus zero equals zero and is another number all the same.
    return f"{place} is not {name} and ({place} != {name} or isinstance({place}, float))"
