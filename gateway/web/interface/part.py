"""The interface as a part of the server."""

from collections.abc import Mapping, Sequence

from starlette.routing import BaseRoute

from gateway.web.interface.contract import Handler
from gateway.web.interface.routes import routes
from gateway.web.interface.table import ENDPOINTS

__all__ = ["Interface"]


class Interface:
    """A `WebPart`."""

    def __init__(self, handlers: Mapping[str, Handler]) -> None:
        """By the names of their endpoints."""
        self._handlers = handlers

    @property
    def routes(self) -> Sequence[BaseRoute]:
        return routes(ENDPOINTS, self._handlers)

    def end(self) -> None:
        """No answer goes on without end."""
