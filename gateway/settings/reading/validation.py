"""Checks one block of the site file against its model and says each mistake in plain words."""

from collections.abc import Iterable, Sequence
from copy import copy
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from typing import Annotated, Any, Generic, NamedTuple, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError, WithJsonSchema, create_model
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from gateway.settings.reading.document import Document, KeyPath, Mistakes

__all__ = ["Checked", "suggestion", "unknown_key", "validate"]

Model = TypeVar("Model", bound=BaseModel)


class Checked(NamedTuple, Generic[Model]):
    """A validated block. `dropped` are the keys that are wrong or missing: do not look at those in `model`."""

    model: Model
    dropped: frozenset[str]


def suggestion(word: str, known: Iterable[str]) -> str:
    """`did you mean 'innage'?`, or the list of what is known."""
    words = list(known)
    close = get_close_matches(word, words, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return f"known are {', '.join(sorted(words))}" if words else "none is defined"


def unknown_key(word: str, known: Iterable[str]) -> str:
    return f"unknown key; {suggestion(word, known)}"


def validate(model: type[Model], document: Document, path: KeyPath, mistakes: Mistakes) -> "Checked[Model] | None":
    """The block at `path` as `model`, with every mistake in it reported.

    So that one mistake does not hide those that compare several keys, the keys that are wrong are left out and the
    rest is tried again, without asking for those that are required. None: not even that makes a block.
    """
    data = document.data(path)
    try:
        return Checked(model.model_validate(data), frozenset())
    except ValidationError as error:
        details = error.errors(include_url=False)
    dropped = set()
    for detail in details:
        _report(detail, model, document, path, mistakes)
        if detail["loc"]:
            dropped.add(str(detail["loc"][0]))
    if not isinstance(data, dict):
        return None
    kept = {key: value for key, value in data.items() if key not in dropped}
    try:
        return Checked(_lenient(model).model_validate(kept), frozenset(dropped))
    except ValidationError:
        return None


@cache
def _lenient(model: type[Model]) -> type[Model]:
    """The same model with nothing required: what was left out is None."""
    optional: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        if field.is_required():
            not_required = copy(field)
            not_required.default = None
            optional[name] = (field.annotation, not_required)
    return create_model(f"{model.__name__}InPart", __base__=model, **optional)


def _report(
    detail: ErrorDetails, model: type[BaseModel], document: Document, path: KeyPath, mistakes: Mistakes
) -> None:
    """Put the library's error into our words, at the place where the file has the fault."""
    kind = detail["type"]
    location = detail["loc"]
    where: KeyPath = path
    for part in location:
        if document.node((*where, part)) is not None:
            where = (*where, part)
    word = detail["input"] if isinstance(detail["input"], str) else ""
    if kind == "missing":
        name = str(location[-1])
        mistakes.add((*where, name), f"is missing{_example(name, _field(model, location))}")
    elif kind == "extra_forbidden":
        holder = _model_at(model, location[:-1])
        mistakes.add(where, unknown_key(str(location[-1]), _keys(holder) if holder else ()))
    elif kind == "enum" or kind == "literal_error":
        mistakes.add(where, f"'{word}' is not known; {suggestion(word, _words(detail))}")
    elif kind == "union_tag_invalid":
        key = str(detail["ctx"]["discriminator"]).strip("'")
        tag = str(detail["ctx"]["tag"])
        mistakes.add((*where, key), f"'{tag}' is not known; {suggestion(tag, _words(detail))}")
    elif kind == "union_tag_not_found":
        key = str(detail["ctx"]["discriminator"]).strip("'")
        mistakes.add((*where, key), f"is missing{_example(key, _field(model, location))}")
    elif kind in ("model_type", "model_attributes_type", "dict_type"):
        shown = f"'{word}' stands where" if word else "is empty or a list where"
        mistakes.add(where, f"{shown} a block of keys belongs")
    elif kind in ("list_type", "tuple_type"):
        shown = f"'{word}' stands" if word else "a block of keys stands"
        mistakes.add(where, f"{shown} where a list belongs; begin each item with '- '")
    else:
        mistakes.add(where, detail["msg"])


def _words(detail: ErrorDetails) -> list[str]:
    context = detail.get("ctx", {})
    listed = str(context.get("expected") or context.get("expected_tags") or "")
    return [word.strip().strip("'") for word in listed.replace(" or ", ",").split(",")]


def _keys(model: type[BaseModel]) -> list[str]:
    return list(model.model_fields)


def _example(name: str, field: FieldInfo | None) -> str:
    """What to give for a key that is missing."""
    if field is None:
        return ""
    kinds = [
        str(get_args(found.model_fields["kind"].annotation)[0])
        for found in _models_in(field.annotation)
        if "kind" in found.model_fields
    ]
    if kinds:
        return f"; give one of {', '.join(kinds)}"
    for extra in field.metadata:
        if isinstance(extra, WithJsonSchema) and extra.json_schema is not None:
            if "pattern" in extra.json_schema:
                return f"; give the name of the {name}"
            examples = extra.json_schema.get("examples")
            if examples:
                return f"; give for example {examples[0]}"
    words = [getattr(word, "value", word) for word in _enumerated(field.annotation)]
    return f"; give one of {', '.join(words)}" if words else ""


def _enumerated(annotation: Any) -> list[Any]:
    if isinstance(annotation, type) and issubclass(annotation, StrEnum):
        return list(annotation)
    return []


def _field(model: type[BaseModel], location: Sequence[str | int]) -> FieldInfo | None:
    holder = _model_at(model, location[:-1])
    return None if holder is None else holder.model_fields.get(str(location[-1]))


def _model_at(model: type[BaseModel], location: Sequence[str | int]) -> type[BaseModel] | None:
    """The model that a location leads to: through fields, lists, mappings and the tags of unions."""
    candidates: list[type[BaseModel]] = [model]
    is_name = False
    for part in location:
        if is_name:
            is_name = False
            continue  # of one of the blocks of a mapping, all of which have the same model
        following: list[type[BaseModel]] = []
        for candidate in candidates:
            field = candidate.model_fields.get(str(part))
            if field is not None:
                following.extend(_models_in(field.annotation))
                is_name = is_name or _is_mapping(field.annotation)
            elif isinstance(part, int) or _has_tag(candidate, str(part)):
                following.append(candidate)
        candidates = following
    return candidates[0] if candidates else None


def _is_mapping(annotation: Any) -> bool:
    return get_origin(annotation) is dict or any(_is_mapping(each) for each in get_args(annotation))


def _has_tag(model: type[BaseModel], tag: str) -> bool:
    return any(tag in get_args(field.annotation) for field in model.model_fields.values())


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    arguments = get_args(annotation)
    if get_origin(annotation) is Annotated:
        arguments = arguments[:1]
    return [found for argument in arguments for found in _models_in(argument)]
