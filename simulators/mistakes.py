"""Mistakes in a scenario file as sentences: file, line, key, the value as it is written, and what would be right."""

import typing
from collections.abc import Mapping, Sequence
from pathlib import Path

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from simulators.scenario import Scenario
from simulators.scenario_check import near
from simulators.yaml_file import Place

__all__ = ["Mistakes"]

_UNKNOWN_KEY = "unknown key"
_COUNTED = ("movements", "faults", "forbidden")
_SHAPES = ("upright", "lying")
_BLOCKS = ("dict_type", "model_type", "model_attributes_type", "dict_attributes_type")
_LISTS = ("tuple_type", "list_type")


class Mistakes:
    """Says what is wrong in one tree, which `read_yaml` has made."""

    def __init__(self, path: Path, tree: Mapping[str, object], places: Mapping[tuple[str, ...], Place]) -> None:
        self._path = path
        self._tree = tree
        self._places = places

    def sentence(self, key: tuple[str, ...], message: str) -> str:
        """One mistake at a key. A value that the message does not show is put in front of it."""
        known = key
        while known and known not in self._places:
            known = known[:-1]
        file, line = self._places.get(known, (self._path.name, 1))
        written = self._at(key)
        if isinstance(written, str) and written not in message and not message.startswith(_UNKNOWN_KEY):
            message = f"{written!r}: {message}"
        return f"{file}:{line}: {_dotted(key) + ': ' if key else ''}{message}"

    def found(self, error: ErrorDetails) -> str:
        """One mistake that pydantic has found."""
        # It puts the name of a union's member into the location; that is no key of the file.
        key = tuple(str(part) for index, part in enumerate(error["loc"]) if not _is_shape(error["loc"], index))
        kind, value = error["type"], self._at(key)
        if kind == "value_error":
            message = str(error["ctx"]["error"])
            member, _, rest = message.partition(": ")
            if rest and member.isidentifier():
                key, message = (*key, member), rest
        elif kind == "missing":
            message = f"is missing; give {_example(error['loc'])}"
        elif kind == "extra_forbidden":
            message = f"{_UNKNOWN_KEY}; {near(key[-1], _known_keys(error['loc'][:-1]))}"
        elif kind in ("union_tag_not_found", "union_tag_invalid"):
            key = (*key, "kind")
            given = self._at(key)
            message = f"{'is missing' if given is None else f'{given!r} is no shape'}; give 'upright' or 'lying'"
        elif kind == "literal_error":
            message = f"{value!r} is not known here; {near(str(value), _words(error['ctx']['expected']))}"
        elif kind in _BLOCKS:
            message = f"{_what(value)} stands here; give a block of keys"
        elif kind in _LISTS:
            message = f"{_what(value)} stands here; give a list"
        elif kind == "too_short":
            message = "is empty; give at least one"
        else:
            message = f"{_what(value)} cannot be used here; {error['msg'][:1].lower()}{error['msg'][1:]}"
        return self.sentence(key, message)

    def _at(self, key: tuple[str, ...]) -> object:
        """What the file has at a key: a text, a mapping, a list; None where it has nothing."""
        node: object = self._tree
        for part in key:
            if isinstance(node, dict):
                node = node.get(part)
            elif isinstance(node, list) and part.isdecimal() and int(part) < len(node):
                node = node[int(part)]
            else:
                return None
        return node


def _is_shape(location: Sequence[int | str], index: int) -> bool:
    return index > 0 and location[index - 1] == "shape" and location[index] in _SHAPES


def _what(value: object) -> str:
    return "a list" if isinstance(value, list) else "a block of keys" if isinstance(value, dict) else repr(value)


def _words(expected: str) -> list[str]:
    """`'a', 'b' or 'c'` -> the words."""
    return expected.replace(" or ", ", ").replace("'", "").split(", ")


def _known_keys(location: Sequence[int | str]) -> list[str]:
    model = _model_at(location)
    return [] if model is None else [field.alias or name for name, field in model.model_fields.items()]


def _example(location: Sequence[int | str]) -> str:
    """How a key that is missing could be given."""
    key = str(location[-1])
    if key in ("lines", "tanks", "instruments", "signals"):
        return f"at least one of the {key}"
    model = _model_at(location[:-1])
    if model is None:
        return "it"
    schema = model.model_json_schema(mode="validation")["properties"].get(key, {})
    if "enum" in schema or "const" in schema:
        words = schema.get("enum", [schema.get("const")])
        return f"one of: {', '.join(map(str, words))}"
    examples = schema.get("examples")
    return f"it, for example {examples[0]}" if examples else "it, a block of keys"


def _model_at(location: Sequence[int | str]) -> type[BaseModel] | None:
    """The block that stands at a location, by the models' own annotations."""
    here: object = Scenario
    for part in location:
        here = _inside(here, part)
    found = _blocks(here)
    return found[0] if found else None


def _inside(annotation: object, part: int | str) -> object:
    """What stands at a key of a block, at a name in a mapping, at a number in a list."""
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is dict or origin is tuple:
        return arguments[-1] if origin is dict else arguments[0]
    blocks = _blocks(annotation)
    named = [block for block in blocks if block.__name__ == f"{str(part).capitalize()}Shape"]
    if named:
        return named[0]
    fields = {field.alias or name: field for block in blocks for name, field in block.model_fields.items()}
    return fields[str(part)].annotation if part in fields else None


def _blocks(annotation: object) -> list[type[BaseModel]]:
    """The blocks that an annotation allows: itself, or the members of a union."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [block for member in typing.get_args(annotation) for block in _blocks(member)]


def _dotted(key: tuple[str, ...]) -> str:
    """`movements[2].flow`, counting from 1 as people do."""
    text = ""
    for index, part in enumerate(key):
        if part.isdecimal() and index > 0 and key[index - 1] in _COUNTED:
            text += f"[{int(part) + 1}]"
        else:
            text += f".{part}" if text else part
    return text
