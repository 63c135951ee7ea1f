"""JSON Schemas (draft 2020-12) of every message that leaves the gateway, one file each."""

from importlib.resources import files
from typing import Any

import orjson

__all__ = ["schemas"]

_NAMES = ("inventory", "inventories", "readings", "lines", "gateway-status", "heartbeat")


def schemas() -> dict[str, dict[str, Any]]:
    """Every schema by the value of the `schema` member of the messages it describes."""
    loaded = [_read(name) for name in _NAMES]
    inventory, version = loaded[0], _read("inventory-version")
    # An inventory in all but what its own file says.
    members = {**inventory["properties"], **version["properties"]}
    required = [*inventory["required"], "version"]
    loaded.append({**inventory, **version, "properties": members, "required": required})
    return {schema["properties"]["schema"]["const"]: schema for schema in loaded}


def _read(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = orjson.loads(files(__name__).joinpath(f"{name}.json").read_bytes())
    return schema
