"""Every message of the suite is held against its published schema, by a validator that is not ours."""

from functools import cache
from typing import Any

import orjson
from jsonschema import Draft202012Validator
from referencing import Registry
from referencing.jsonschema import DRAFT202012

from gateway.payload.schemas import schemas

__all__ = ["valid_message"]


@cache
def _validator(name: str) -> Draft202012Validator:
    known = schemas()
    registry: Registry[Any] = Registry().with_resources(
        (schema["$id"], DRAFT202012.create_resource(schema)) for schema in known.values()
    )
    return Draft202012Validator(known[name], registry=registry)


def valid_message(payload: bytes) -> dict[str, Any]:
    """The message, decoded. Raises jsonschema.ValidationError unless it obeys the schema it names."""
    message: dict[str, Any] = orjson.loads(payload)
    _validator(message["schema"]).validate(message)
    return message
