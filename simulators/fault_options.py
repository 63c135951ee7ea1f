"""Options of faults as scenario files give them: text -> the fault, with what would be right where it is wrong."""

import dataclasses
import difflib
import typing
from collections.abc import Callable, Mapping

from simulators.faults import FAULTS, Fault, Garbled
from simulators.units import DIMENSIONS, parse_quantity

__all__ = ["fault_schemas", "make_fault"]

_IN_FILES = {"delay_s": "delay"}
"""Fields whose option has another name, because it carries its unit."""
_DIFFERENCES = ("length", "temperature difference", "pressure", "flow")
_LARGEST = 1e30
_YES_NO = {"true": True, "yes": True, "false": False, "no": False}


def make_fault(name: str, options: Mapping[str, object] | None = None) -> Fault:
    """A fault by its name in scenario files. Raises ValueError, `key: what is wrong; what would be right`."""
    kind = FAULTS.get(name)
    if kind is None:
        raise ValueError(f"fault: there is no fault {name!r}; {_near(name, FAULTS)}")
    fields = _fields(kind)
    values: dict[str, object] = {}
    for key, value in (options or {}).items():
        known = {_IN_FILES.get(field, field): field for field in fields} | {field: field for field in fields}
        if key not in known:
            words = [_IN_FILES.get(field, field) for field in fields]
            hint = _near(key, words) if words else "it has none, leave it out"
            raise ValueError(f"options.{key}: {name} has no such option; {hint}")
        values[known[key]] = _read(key, value, fields[known[key]]) if isinstance(value, str) else value
    for key, field in fields.items():
        if field.default is dataclasses.MISSING and key not in values:
            raise ValueError(
                f"options.{key}: {name} needs it: {field.metadata['says']}; give for example {_EXAMPLES[key]}"
            )
    return kind(**values)


def fault_schemas() -> dict[str, dict[str, typing.Any]]:
    """Fault -> JSON Schema of its options, with the fault itself as the description."""
    found = {}
    for name, kind in FAULTS.items():
        fields = _fields(kind)
        schema: dict[str, typing.Any] = {
            "type": "object",
            "description": " ".join((kind.__doc__ or "").split()),
            "properties": {_IN_FILES.get(key, key): _schema(field) for key, field in fields.items()},
            "additionalProperties": False,
        }
        needed = [key for key, field in fields.items() if field.default is dataclasses.MISSING]
        found[name] = schema | ({"required": needed} if needed else {})
    return found


def _fields(kind: type[Fault]) -> "dict[str, dataclasses.Field[typing.Any]]":
    return {field.name: field for field in dataclasses.fields(typing.cast(typing.Any, kind))}


def _read(key: str, text: str, field: "dataclasses.Field[typing.Any]") -> object:
    reader: Callable[[str], object] = _READERS.get(field.name, str)
    try:
        value = reader(text)
    except (KeyError, ValueError):
        wanted = _WANTED.get(field.name, field.metadata["says"])
        raise ValueError(f"options.{key}: {text!r} is not {wanted}; give for example {_EXAMPLES[field.name]}") from None
    lowest = field.metadata.get("lowest", 1)
    highest = field.metadata.get("highest")
    if isinstance(value, int) and not isinstance(value, bool) and not lowest <= value <= (highest or value):
        limits = f"{lowest} to {highest}" if highest else f"{lowest} or more"
        raise ValueError(f"options.{key}: {text!r} is out of range; give {limits}")
    return value


def _delay(text: str) -> float:
    delay_s = parse_quantity(text, "duration")
    if delay_s < 0:
        raise ValueError
    return delay_s


def _difference(text: str) -> float:
    for dimension in _DIFFERENCES:
        try:
            return parse_quantity(text, dimension)
        except ValueError:
            continue
    raise ValueError


def _finite(text: str) -> float:
    number = float(text)
    if not abs(number) < _LARGEST:
        raise ValueError
    return number


_READERS: dict[str, Callable[[str], object]] = {
    "element": int,
    "code": int,
    "amount": _difference,
    "delay_s": _delay,
    "half_answered": lambda text: _YES_NO[text.lower()],
    "factor": _finite,
}
_WANTED = {
    "element": "a whole number",
    "code": "a whole number",
    "amount": "a length, temperature, pressure or flow",
    "delay_s": f"a duration with its unit ({', '.join(DIMENSIONS['duration'])})",
    "half_answered": "true or false",
    "factor": "a number",
}
_EXAMPLES = {
    "element": "4",
    "signal": "t3",
    "code": "4",
    "amount": "50 mm",
    "delay_s": "3 s",
    "half_answered": "true",
    "factor": "0.8",
    "how": "bytes",
}


def _schema(field: "dataclasses.Field[typing.Any]") -> dict[str, typing.Any]:
    says = {"description": field.metadata["says"]}
    if field.name == "how":
        return says | {"enum": list(Garbled.WAYS)}
    if field.name in ("element", "code"):
        return says | {"type": ["integer", "string"], "examples": [int(_EXAMPLES[field.name])]}
    if field.name == "factor":
        return says | {"type": ["number", "string"], "examples": [float(_EXAMPLES[field.name])]}
    if field.name == "half_answered":
        return says | {"enum": [True, False, *_YES_NO]}
    return says | {"type": "string", "examples": [_EXAMPLES[field.name]]}


def _near(word: str, known: Mapping[str, object] | list[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"did you mean {near[0]!r}?" if near else f"give one of: {', '.join(known)}"
