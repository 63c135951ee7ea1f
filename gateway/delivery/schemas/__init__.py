"""JSON Schemas (draft 2020-12) of every message that leaves the gateway, one file each."""

from importlib.resources import files
from typing import Any

import orjson

__all__ = ["schemas"]

_NAMES = ("inventory", "inventories", "readings", "gateway-status")


def schemas() -> dict[str, dict[str, Any]]:
    """Every schema by the value of the `schema` member of the messages it describes."""
    loaded = [orjson.loads(files(__name__).joinpath(f"{name}.json").read_bytes()) for name in _NAMES]
    return {schema["properties"]["schema"]["const"]: schema for schema in loaded}
