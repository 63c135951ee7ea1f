"""The description of the HTTP interface, OpenAPI 3.1: made of the table by which it is served, of the kinds that its
answers are checked against, of the models that actions are read by, and of the schemas of messages.
"""

import inspect
import re
from collections.abc import Iterator, Mapping
from enum import Enum
from functools import cache
from typing import Any, get_args, get_origin

from pydantic import BaseModel, TypeAdapter

from gateway import __version__
from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.requests import ACTIONS, FILES, LONGEST_TEXT
from gateway.actions.second_person import SECOND_PERSON_ACTIONS
from gateway.cautions import METHODS, MONITORING, NOT_FOR_CUSTODY, VALVE, cautions_for
from gateway.payload.history import EVENT_SCHEMA
from gateway.payload.schemas import schemas
from gateway.payload.writer import INVENTORY_SCHEMA
from gateway.web.interface.documents import MESSAGE
from gateway.web.interface.endpoint import BINARY, Endpoint, Parameter
from gateway.web.interface.neighbours import NEIGHBOURS
from gateway.web.interface.root_paths import ROOT_PATHS
from gateway.web.interface.table import ENDPOINTS

__all__ = ["description"]

_PLACE = "#/components/schemas/"
_NAMED = {"inventory": INVENTORY_SCHEMA, "event": EVENT_SCHEMA}
"""Messages that stand within the answers of the interface, by the name that its kinds call them."""
_REFUSAL = "refusal"
_COMMON = {
    400: "It was asked wrongly: what is wrong and what would be right.",
    401: "This is for who has signed in.",
    403: "This is not for somebody of that role, or it did not come from the page of this gateway.",
    404: "There is nothing under this address.",
    503: "It cannot be had now, such as of a ledger that cannot be read: never an empty list in its place.",
}
_OF_BODIES = {413: "The body is too long.", 415: "The body is said to be something else than JSON."}


@cache
def description() -> Mapping[str, Any]:
    """The same object at each call: nobody is to change it."""
    kinds = _kinds()
    paths: dict[str, dict[str, Any]] = {}
    for endpoint in (*ENDPOINTS, *NEIGHBOURS, *ROOT_PATHS):
        paths.setdefault(endpoint.path, {})[endpoint.method.lower()] = _operation(endpoint)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "tank-gateway",
            "version": __version__,
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
            "description": "\n\n".join(
                (
                    "What a tank-gateway tells and takes in over HTTP. JSON in SI, times in UTC by ISO 8601. A Bad "
                    "value is null and never zero; quality and reason stand beside each. Members are added and never "
                    "renamed; leave alone those that are not known.",
                    NOT_FOR_CUSTODY,
                    MONITORING,
                    METHODS,
                    VALVE,
                )
            ),
        },
        "tags": [
            {"name": "page", "description": "What the page asks for and does."},
            {"name": "programs", "description": "Documents for programs, older than the page."},
        ],
        "security": [{}, {"session": []}, {"token": []}],
        "paths": paths,
        "components": {
            "schemas": dict(sorted(kinds.items())),
            "securitySchemes": {
                "session": {
                    "type": "apiKey",
                    "in": "cookie",
                    "name": "tank-gateway",
                    "description": "The cookie that signing in sets; its name begins so, and ends as the site has it. "
                    "What changes something carries the header X-Page-Proof too, with `proof` of /api/1/session.",
                },
                "token": {"type": "http", "scheme": "bearer", "description": "Of a program that only reads."},
            },
        },
    }


# Operations


def _operation(endpoint: Endpoint) -> dict[str, Any]:
    is_page = endpoint.path.startswith("/api/")
    told: dict[str, Any] = {
        "operationId": endpoint.name,
        "tags": ["page" if is_page else "programs"],
        "summary": endpoint.summary,
        "responses": _responses(endpoint, is_page=is_page),
    }
    if endpoint.text:
        told["description"] = endpoint.text
    parameters = [_parameter(each, "path") for each in endpoint.path_parameters]
    parameters += [_parameter(each, "query") for each in endpoint.query]
    if endpoint.body is not None:
        told["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": _body(endpoint)}},
        }
        told["security"] = [{"session": []}]
    if parameters:
        told["parameters"] = parameters
    return told


def _body(endpoint: Endpoint) -> Any:
    return dict(endpoint.body) if isinstance(endpoint.body, Mapping) else {"$ref": f"{_PLACE}action"}


def _parameter(parameter: Parameter, where: str) -> dict[str, Any]:
    return {
        "name": parameter.name,
        "in": where,
        "required": parameter.required,
        "description": parameter.text,
        "schema": dict(parameter.schema),
    }


def _responses(endpoint: Endpoint, *, is_page: bool) -> dict[str, Any]:
    refusals = {**_COMMON, **endpoint.refusals} if is_page else dict(endpoint.refusals)
    if endpoint.body is not None:
        refusals |= _OF_BODIES
    responses = {"200": {"description": "It.", "content": _content(endpoint)}}
    for status, text in sorted(refusals.items()):
        # What is refused by an action is its answer.
        answer = endpoint.answer if status in (409, 422) and _has_code(endpoint.answer) else None
        schema = {"$ref": f"{_PLACE}{_name_of(answer) if answer is not None else _REFUSAL}"}
        content = {"application/json": {"schema": schema}} if is_page else _as_told(endpoint, status)
        responses[str(status)] = {"description": text, "content": content}
    return responses


def _has_code(answer: Any) -> bool:
    return isinstance(answer, type) and "code" in answer.__annotations__


def _as_told(endpoint: Endpoint, status: int) -> dict[str, Any]:
    """Of what is older than the page: a refusal is a line of text, but for those who always answer so."""
    if status in endpoint.same_at:
        return _content(endpoint)
    if status in (401, 403):
        return {"text/plain": {"schema": {"type": "string"}}}
    return {"text/plain": {"schema": {"type": "string"}}}


def _content(endpoint: Endpoint) -> dict[str, Any]:
    if endpoint.answer == BINARY:
        # Its bytes are what its media type says.
        return {kind: {} for kind in endpoint.media_types}
    if isinstance(endpoint.answer, str):
        schema: Any = {"$ref": f"{_PLACE}{_message_name(endpoint.answer)}"}
    elif isinstance(endpoint.answer, Mapping):
        schema = dict(endpoint.answer)
    else:
        schema = {"$ref": f"{_PLACE}{_name_of(endpoint.answer)}"}
    return {kind: {"schema": schema} for kind in endpoint.media_types}


# Schemas


def _kinds() -> dict[str, Any]:
    found: dict[str, Any] = {}
    for endpoint in (*ENDPOINTS, *NEIGHBOURS, *ROOT_PATHS):
        if isinstance(endpoint.answer, str) and endpoint.answer != BINARY:
            found |= _of_message(_message_name(endpoint.answer), endpoint.answer)
    for name, schema in _NAMED.items():
        found |= _of_message(name, schema)
    kinds = [each.answer for each in ENDPOINTS if isinstance(each.answer, type)]
    for kind in dict.fromkeys(kinds):
        made = TypeAdapter(kind).json_schema(mode="serialization", ref_template=f"{_PLACE}{{model}}")
        for name, schema in made.pop("$defs", {}).items():
            found[name] = _tidied(schema)
        found[_name_of(kind)] = _tidied(made)
    found[_REFUSAL] = {
        "type": "object",
        "properties": {
            "code": {"enum": [1, 2], "description": "1: it cannot be done; 2: it was asked wrongly."},
            "lines": {"type": "array", "items": {"type": "string"}, "description": "Why, in sentences."},
            "hint": {"type": "string", "description": "What would be right."},
        },
        "required": ["code", "lines", "hint"],
    }
    return found | dict(_actions())


def _message_name(schema: str) -> str:
    return schema.split("/")[1]


def _of_message(name: str, schema: str) -> dict[str, Any]:
    """The schema of a message and what it rests on, each under a name of its own."""
    whole = dict(schemas()[schema])
    shared = whole.pop("$defs", {})
    for key in ("$schema", "$id"):
        whole.pop(key, None)
    found = {name: whole, **{f"{name}.{each}": told for each, told in shared.items()}}
    return {each: _moved(told, name) for each, told in found.items()}


def _moved(told: Any, name: str) -> Any:
    if isinstance(told, dict):
        return {
            key: _place_of(each, name) if key == "$ref" and isinstance(each, str) else _moved(each, name)
            for key, each in told.items()
        }
    return [_moved(each, name) for each in told] if isinstance(told, list) else told


def _place_of(reference: str, name: str) -> str:
    """Another message is known by its id, what a message shares with itself by its definitions."""
    if reference.startswith("#/$defs/"):
        return f"{_PLACE}{name}.{reference.removeprefix('#/$defs/')}"
    found = re.fullmatch(r"urn:tank-gateway:([a-z-]+):\d+", reference)
    return reference if found is None else f"{_PLACE}{found[1]}"


def _name_of(kind: Any) -> str:
    return str(kind.__name__)


def _tidied(told: Any) -> Any:
    """Without the titles that repeat names, and with references to messages."""
    if isinstance(told, dict):
        if MESSAGE in told:
            return {"$ref": f"{_PLACE}{told[MESSAGE]}"}

        # A member that is called so has a schema there, and no text.
        return {key: _tidied(each) for key, each in told.items() if key != "title" or not isinstance(each, str)}
    return [_tidied(each) for each in told] if isinstance(told, list) else told


def _actions() -> Iterator[tuple[str, dict[str, Any]]]:
    models: dict[str, type[BaseModel]] = {**ACTIONS, **ACCOUNT_ACTIONS, **SECOND_PERSON_ACTIONS}
    names = {word: f"action.{word}" for word in models}
    yield (
        "action",
        {
            "description": "One of the actions. Every field is a text, as it would be typed, with its unit.",
            "oneOf": [{"$ref": f"{_PLACE}{name}"} for name in names.values()],
            "discriminator": {
                "propertyName": "action",
                "mapping": {word: f"{_PLACE}{name}" for word, name in names.items()},
            },
        },
    )
    for word, model in models.items():
        fields = model.model_fields
        properties = {name: _field(word, name, field) for name, field in fields.items()}
        text = inspect.cleandoc(model.__doc__ or "").strip()
        yield (
            names[word],
            {
                "type": "object",
                "description": "\n\n".join([*([text] if text else []), *cautions_for(word)]),
                "properties": properties,
                "required": [name for name, field in fields.items() if field.is_required()],
                "additionalProperties": False,
            },
        )


def _field(word: str, name: str, field: Any) -> dict[str, Any]:
    told: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": FILES.get((word, name), LONGEST_TEXT)}
    kinds = [field.annotation, *get_args(field.annotation)]
    choices = next((kind for kind in kinds if isinstance(kind, type) and issubclass(kind, Enum)), None)
    if name == "action":
        told = {"const": word}
    elif choices is not None:
        told = {"type": "string", "enum": [each.value for each in choices]}
    elif int in kinds or any(get_origin(kind) is not None and int in get_args(kind) for kind in kinds):
        told = {"type": "string", "pattern": "^[0-9]{1,9}$"}
    if field.description:
        told["description"] = field.description
    return told
