"""Pure: one endpoint as a row of a table: by which it is served, and described."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

__all__ = ["BINARY", "Endpoint", "Parameter"]

BINARY = "binary"
"""Of an answer that is a file."""


class Parameter(NamedTuple):
    """What may stand in the path or behind the question mark."""

    name: str
    text: str
    schema: Mapping[str, Any]
    required: bool = False


class Endpoint(NamedTuple):
    """`answer`: the kind that describes it, or the value of the `schema` member of a message that leaves the gateway
    elsewhere too."""

    name: str
    """By which whoever answers it is known."""
    method: str
    path: str
    summary: str
    answer: Any
    text: str = ""
    path_parameters: tuple[Parameter, ...] = ()
    query: tuple[Parameter, ...] = ()
    body: Any = None
    """The schema of its JSON object, or `actions` for those there are; None: it has none."""
    refusals: Mapping[int, str] = MappingProxyType({})
    """By status: when it is answered so, beside those that are common to all."""
    media_types: tuple[str, ...] = ("application/json",)
    """Of the answer."""
    same_at: tuple[int, ...] = ()
    """Refusals of the same kind as its answer."""
    longest_s: float = 30.0
    """It may take to be answered."""
    largest_bytes: int = 64_000
    """Of its body; unless more is said, as at the door. The guard lets through what is larger by its path."""
