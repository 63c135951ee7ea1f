"""An HTTP server in the test's own loop, by uvicorn and Starlette: it takes events, and answers as it is told to."""

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import orjson
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

__all__ = ["Asked", "WebhookServer"]


class Asked(NamedTuple):
    """A request that came, whatever was answered."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def content(self) -> Any:
        return orjson.loads(self.body)


class _Server(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """They are the test's own."""
        yield


class WebhookServer:
    """Listens from `start` on, at the same port each time."""

    def __init__(self, *, certificate: Path | None = None) -> None:
        self._certificate = certificate
        self._server: _Server | None = None
        self._task: asyncio.Task[None] | None = None
        self._stopping = asyncio.Event()
        self.port = 0
        self.asked: list[Asked] = []
        self.taken: list[Asked] = []
        """Those that were answered with 2xx."""
        self.answer: Callable[[Asked], Response | None] = lambda _: None
        """In place of 204."""
        self.hangs = False
        self.goes_on_for_ever = False

    @property
    def url(self) -> str:
        return f"{'http' if self._certificate is None else 'https'}://127.0.0.1:{self.port}/events"

    async def start(self) -> None:
        self._stopping.clear()
        listening = socket.socket()
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", self.port))
        self.port = listening.getsockname()[1]
        given: dict[str, Any] = {} if self._certificate is None else {"ssl_certfile": str(self._certificate)}
        app = Starlette(routes=[Route("/{path:path}", self._take, methods=["POST"])])
        config = uvicorn.Config(app, log_config=None, lifespan="off", timeout_graceful_shutdown=0, **given)
        if self._certificate is not None:
            config.load()
            assert isinstance(config.ssl, ssl.SSLContext)
        self._server = _Server(config)
        self._task = asyncio.create_task(self._server.serve(sockets=[listening]))
        while not self._server.started:  # noqa: ASYNC110 (uvicorn raises no event)
            await asyncio.sleep(0.005)

    async def stop(self) -> None:
        if self._server is not None and self._task is not None:
            self._stopping.set()
            self._server.force_exit = self._server.should_exit = True
            await self._task
            self._server = self._task = None

    async def _take(self, request: Request) -> Response:
        asked = Asked(request.url.path, dict(request.headers), await request.body())
        self.asked.append(asked)
        if self.hangs:
            await self._stopping.wait()
        if self.goes_on_for_ever:
            self.taken.append(asked)
            return StreamingResponse(_for_ever())
        answer = self.answer(asked) or Response(status_code=204)
        if answer.status_code < 300:
            self.taken.append(asked)
        return answer


async def _for_ever() -> AsyncIterator[bytes]:
    while True:
        yield b"x" * 4096
        await asyncio.sleep(0)
