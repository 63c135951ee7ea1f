"""What a part of the HTTP interface is to the server: routes, and an end."""

from collections.abc import Sequence
from typing import Protocol

from starlette.routing import BaseRoute

__all__ = ["WebPart"]


class WebPart(Protocol):
    """Of one server, for as long as that runs."""

    @property
    def routes(self) -> Sequence[BaseRoute]:
        """Asked once, in the order in which they are looked at."""
        ...

    def end(self) -> None:
        """The server stops: answers that go on without end are to end now. May be called more than once."""
        ...
