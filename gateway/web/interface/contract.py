"""Between an endpoint and whoever answers it: what was asked, by whom, what is made of it, and why it cannot be."""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, NamedTuple

from gateway.errors import GatewayError
from gateway.person import Person
from gateway.process.standing import always

__all__ = [
    "JSON_TYPE",
    "BusyError",
    "Call",
    "Handler",
    "Made",
    "NobodyAskedError",
    "NotAllowedError",
    "UnknownError",
]

JSON_TYPE = "application/json"


class Call(NamedTuple):
    """One request, checked as far as its endpoint tells."""

    path: Mapping[str, str]
    """By name, what stands in the path."""
    query: Mapping[str, str]
    body: Mapping[str, Any]
    """Of a request that has one, its JSON object; else empty."""
    person: Person | None
    """Who has signed in."""
    stands: Callable[[], bool] = always
    """Whether that one still is."""


class Made(NamedTuple):
    """The answer."""

    body: bytes
    media_type: str = JSON_TYPE
    status: int = 200
    file_name: str = ""
    """Of what is to be kept as a file."""


Handler = Callable[[Call], Awaitable[Made]]
"""Raises UsageError for what was asked wrongly, NotKeptError where the ledger cannot be read, and the errors below."""


class UnknownError(GatewayError):
    """There is nothing of that name here."""

    def __init__(self, text: str, hint: str = "") -> None:
        super().__init__(text)
        self.hint = hint


class BusyError(GatewayError):
    """Others ask for the same at this moment: again a little later it may be had."""

    def __init__(self, text: str, hint: str = "") -> None:
        super().__init__(text)
        self.hint = hint


class NobodyAskedError(GatewayError):
    """This is for people who have signed in."""

    hint = "sign in"


class NotAllowedError(GatewayError):
    """Somebody of that role may not."""

    def __init__(self, text: str, hint: str = "") -> None:
        super().__init__(text)
        self.hint = hint
