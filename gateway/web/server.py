"""The HTTP interface: metrics, the newest inventories, and whether the gateway is alive. It only ever reads.

What is shown comes from callables, so that this stage knows nothing of the others.
"""

import asyncio
import contextlib
import errno
import inspect
import socket
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Mapping, Sequence
from functools import partial
from http import HTTPStatus
from types import MappingProxyType
from typing import Any, cast

import orjson
import structlog
import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp

from gateway.clock import SystemClock
from gateway.errors import GatewayError, NotKeptError, UsageError
from gateway.process.progress import CameRound, nobody_asks
from gateway.process.tasks import end, fault_of
from gateway.web.access.access import Access
from gateway.web.access.guard import Guard
from gateway.web.access.headers import Headed
from gateway.web.access.routes import access_routes
from gateway.web.access.tls import Tls
from gateway.web.access.tokens import Tokens
from gateway.web.connections import BoundedConnection, Room
from gateway.web.encodings import takes_gzip
from gateway.web.hosts import KnownHostsOnly
from gateway.web.interface.routes import PREFIX, refusal
from gateway.web.part import WebPart
from gateway.web.plan import BACKLOG, HttpPlan, Readiness
from gateway.web.tls_door import TlsDoor

__all__ = ["Asked", "Content", "HttpServer"]

Content = Callable[[], bytes | Awaitable[bytes]]
"""Makes a document when it is asked for; may do so aside, in a thread, and be awaited."""

Asked = Callable[[Mapping[str, str]], Awaitable[bytes]]
"""The same of what is asked for by a query. Raises UsageError, NotKeptError."""

_PATHS = b"""This is a tank-gateway, and there is nothing at this address. Its page for people is at /
In a terminal there is `tank-gateway show`. For programs there are
/inventories  the newest inventory of every tank
/readings     the newest reading of every signal, with its raw words
/alarms       every alarm that is not normal
/transfers    those that are open, with how far they have come; ?all=yes: those of the last 31 days too
/tickets      ?from=2026-03-01&until=2026-04-01, or one by its ?number=12
/days         closes of days, every revision; likewise; &brief=yes: without the tanks of each
/amounts      what others measured, by when it was moved; likewise
/stock        what the tanks hold now, by product and owner
/lines        how lines and instruments do, counted since the start
/metrics      for Prometheus
/health       whether it runs
/ready        whether every line is connected and no tank is Bad
"""
_METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_JSON_TYPE = "application/json"
_HEADERS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
_VARY = {"Vary": "Accept-Encoding"}
_CONTENT_S = 30.0
"""Longest a document may take to make."""
_RESOLVE_S = 10.0
_STOP_S = 3.0
"""Longest a stop waits for requests in progress."""
_IDLE_S = 5
"""Longest a connection is kept for a next request that has not begun."""
_KEEP_ALIVE_S = 30
"""After which a peer that has silently gone is asked, and after which what it does not acknowledge is given up."""
_HINTS = {
    errno.EADDRINUSE: "stop the program that uses it, or set another port under `web` in the site file",
    errno.EACCES: "choose a port above 1023 under `web` in the site file",
    errno.EADDRNOTAVAIL: "choose an address of this machine under `web` in the site file",
}
_LOGGER = structlog.get_logger("gateway.web")


class HttpServer:
    """GET /metrics, /inventories, /readings, /alarms, /lines, /health, /ready, and pages of the accounts.

    `healthy` says whether the daemon's loops have made progress of late: /health answers 200 when they have, else 503.
    `readiness` says whether all that is watched can be: /ready answers with it, 200 when it can, else 503.
    """

    def __init__(
        self,
        plan: HttpPlan,
        *,
        metrics: Content,
        inventories: Content,
        healthy: Callable[[], bool],
        readiness: Callable[[], Readiness],
        readings: Content | None = None,
        lines: Content | None = None,
        alarms: Content | None = None,
        accounts: Mapping[str, Asked] = MappingProxyType({}),
        packed_metrics: Content | None = None,
        came_round: CameRound = nobody_asks,
        parts: Sequence[WebPart] = (),
        access: Access | None = None,
    ) -> None:
        """`packed_metrics`: the metrics packed by gzip, for those who take them so. `accounts`: pages by path.
        `parts`: what stands beside these documents; each ends with this server. `access`: who may come; without it
        whoever reaches this does."""
        self._plan = plan
        self._came_round = came_round
        self._parts = parts
        self._access = access
        self._tokens = Tokens(plan.access.tokens)
        self._tls = None if plan.access.tls is None else Tls(plan.access.tls, SystemClock(), self._certificate_ends)
        self._metrics = metrics
        self._packed_metrics = packed_metrics
        self._inventories = inventories
        self._beside = {"/readings": readings, "/lines": lines, "/alarms": alarms}
        self._accounts = accounts
        self._healthy = healthy
        self._readiness = readiness
        self.port: int | None = None
        """The port in use, from the moment it is bound; the plan may leave the choice to the system with 0."""
        self._listener: socket.socket | None = None
        """Had by `reserve`, until `run` takes it."""

    async def reserve(self, *, port_is_own: bool) -> None:
        """Have the address before `run`, whose first callers wait until then. Raises GatewayError when it cannot be.

        `port_is_own`: this process may hold it by another server, which is to go; then `run` has it in its turn.
        """
        if self._tls is not None:
            await self._tls.begin()
        try:
            self._listener = await self._listen()
        except GatewayError as error:
            cause = error.__cause__
            if not (port_is_own and isinstance(cause, OSError) and cause.errno == errno.EADDRINUSE):
                raise

    async def run(self) -> None:
        """Serve until cancelled; then end within a few seconds whatever is connected.

        Raises GatewayError when the address cannot be had.
        """
        if self._tls is not None:
            await self._tls.begin()
        reserved, self._listener = self._listener, None
        with reserved or await self._listen() as listener:
            self.port = listener.getsockname()[1]
            _LOGGER.info("web.listening", host=self._plan.host, port=self.port, tls=self._tls is not None)
            if self._access is not None:
                self._access.take_over(self._plan.access)
                if self._tls is None:
                    self._access.certificate_until_s = None
            room = Room(self._plan.connections, self._plan.access.trusted_proxy)
            server = _Server(self._config(room), self._came_round)
            loops = [asyncio.create_task(each, name="tls") for each in self._over_tls(server, listener, room)]
            listeners = [] if loops else [listener]
            serving = asyncio.create_task(server.serve(sockets=listeners), name="http server")
            try:
                ended, _ = await asyncio.wait({serving, *loops}, return_when=asyncio.FIRST_COMPLETED)
                raise fault_of(ended.pop())
            finally:
                server.should_exit = True
                for part in self._parts:
                    part.end()
                await end(loops)
                try:
                    await asyncio.wait({serving}, timeout=_STOP_S)
                finally:
                    serving.cancel()
                    server.drop_connections()
                    self._tokens.end()
                    if self._tls is not None:
                        self._tls.end()

    def _over_tls(self, server: "_Server", listener: socket.socket, room: Room) -> list[Coroutine[Any, Any, None]]:
        """What takes connections in where they come over TLS, and looks after the certificate."""
        if self._tls is None:
            return []

        def connection() -> BoundedConnection:
            return BoundedConnection(room, config=server.config, server_state=server.server_state, app_state={})

        return [TlsDoor(listener, self._tls.context, room, connection).run(), self._tls.watch()]

    def _certificate_ends(self, until_s: float) -> None:
        if self._access is not None:
            self._access.certificate_until_s = until_s

    async def _listen(self) -> socket.socket:
        host, port = self._plan.host, self._plan.port
        try:
            async with asyncio.timeout(_RESOLVE_S):
                found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
            family, _, _, _, address = found[0]
            listener = socket.create_server(address[:2], family=family, backlog=BACKLOG)
            _watch_peers(listener)
            return listener
        except (OSError, UnicodeError) as exc:  # TimeoutError is an OSError; UnicodeError: a name that IDNA refuses
            code, words = (exc.errno, exc.strerror) if isinstance(exc, OSError) else (None, None)
            # create_server adds the address to the system's own words; it is said already.
            reason = words.partition(" (while")[0] if words else "no such host name"
            error = GatewayError(f"cannot serve HTTP on {host} port {port}: {reason}")
            error.hint = _HINTS.get(code or 0, "check `host` and `port` under `web` in the site file")
            raise error from exc

    def _config(self, room: Room) -> uvicorn.Config:
        routes: list[BaseRoute] = [
            Route("/metrics", self._answer_metrics),
            Route("/inventories", _json(self._inventories)),
            Route("/health", self._answer_health),
            Route("/ready", self._answer_ready),
        ]
        routes += [Route(path, _json(content)) for path, content in self._beside.items() if content is not None]
        routes += [Route(path, _answering(content)) for path, content in self._accounts.items()]
        routes += [route for part in self._parts for route in part.routes]
        routes += [] if self._access is None else access_routes(self._access)
        served: ASGIApp = Starlette(
            routes=routes,
            exception_handlers={
                HTTPStatus.NOT_FOUND: _answer_unknown,
                HTTPStatus.METHOD_NOT_ALLOWED: _answer_other_method,
                ClientDisconnect: _answer_nobody,
                Exception: _answer_failure,
            },
        )
        if self._access is not None:
            served = Guard(served, self._access, self._tokens)
        names = {self._plan.host, socket.gethostname(), *self._plan.names}
        config = uvicorn.Config(
            Headed(KnownHostsOnly(served, names), self._plan.access),
            http=cast("type[asyncio.Protocol]", partial(BoundedConnection, room)),
            ws="none",
            lifespan="off",
            # Failures are logged by `_answer_failure`, in the gateway's own form.
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            backlog=BACKLOG,
            timeout_keep_alive=_IDLE_S,
            timeout_graceful_shutdown=1,
        )
        config.load()
        return config

    async def _answer_metrics(self, request: Request) -> Response:
        if self._packed_metrics is None or not takes_gzip(request.headers.get("Accept-Encoding", "")):
            return Response(await _made(self._metrics), media_type=_METRICS_TYPE, headers=_HEADERS | _VARY)
        headers = _HEADERS | _VARY | {"Content-Encoding": "gzip"}
        return Response(await _made(self._packed_metrics), media_type=_METRICS_TYPE, headers=headers)

    async def _answer_health(self, _: Request) -> Response:
        if self._healthy():
            return Response(b'{"healthy":true}', media_type=_JSON_TYPE, headers=_HEADERS)
        return Response(b'{"healthy":false}', status_code=503, media_type=_JSON_TYPE, headers=_HEADERS)

    async def _answer_ready(self, _: Request) -> Response:
        readiness = self._readiness()
        status = 200 if readiness.ready else 503
        return Response(orjson.dumps(readiness), status_code=status, media_type=_JSON_TYPE, headers=_HEADERS)


def _watch_peers(listener: socket.socket) -> None:
    """The system's own means against peers that have gone without a word; connections inherit them."""
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", _KEEP_ALIVE_S), ("TCP_USER_TIMEOUT", _KEEP_ALIVE_S * 1000)):
        option = getattr(socket, name, None)
        if option is not None:  # not every system has them
            listener.setsockopt(socket.IPPROTO_TCP, option, value)


class _Server(uvicorn.Server):
    """Signals belong to the daemon, so this server takes none."""

    def __init__(self, config: uvicorn.Config, came_round: CameRound) -> None:
        super().__init__(config)
        self._came_round = came_round

    async def on_tick(self, counter: int) -> bool:
        self._came_round(0.0)
        return await super().on_tick(counter)

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    def drop_connections(self) -> None:
        """Close what is still open, without waiting for the peer."""
        for connection in list(self.server_state.connections):
            transport = getattr(connection, "transport", None)
            if isinstance(transport, asyncio.WriteTransport):
                transport.abort()


def _json(content: Content) -> Callable[[Request], Awaitable[Response]]:
    async def answer(_: Request) -> Response:
        return Response(await _made(content), media_type=_JSON_TYPE, headers=_HEADERS)

    return answer


def _answering(content: Asked) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        try:
            async with asyncio.timeout(_CONTENT_S):
                made = await content(dict(request.query_params))
        except UsageError as error:
            return Response(f"{error}; {error.hint}\n", status_code=400, media_type="text/plain", headers=_HEADERS)
        except NotKeptError as error:
            return Response(f"{error}\n", status_code=503, media_type="text/plain", headers=_HEADERS)
        return Response(made, media_type=_JSON_TYPE, headers=_HEADERS)

    return answer


async def _made(content: Content) -> bytes:
    made = content()
    if inspect.isawaitable(made):
        async with asyncio.timeout(_CONTENT_S):
            return await made
    return made


async def _answer_unknown(request: Request, _: Exception) -> Response:
    if request.url.path.startswith(PREFIX):
        return refusal(404, "there is nothing under this address", f"{PREFIX}description.json tells what there is")
    return Response(_PATHS, status_code=HTTPStatus.NOT_FOUND, media_type="text/plain", headers=_HEADERS)


async def _answer_other_method(request: Request, error: Exception) -> Response:
    allowed = error.headers if isinstance(error, HTTPException) else None
    return refusal(405, f"{request.method} is nothing that can be done here", headers=allowed)


async def _answer_nobody(_: Request, __: Exception) -> Response:
    """To who went before the end of his request: no fault, or anybody could fill the log with them."""
    return Response(status_code=400)


async def _answer_failure(request: Request, exc: Exception) -> Response:
    _LOGGER.error("web.request_failed", path=request.url.path, exc_info=exc)
    return Response(b"the gateway could not answer; its log says why\n", status_code=500, media_type="text/plain")
