"""Bytes through a TCP connection to a converter, which puts them on its serial line and sends back what it hears."""

import asyncio
from collections.abc import Callable
from typing import cast

from gateway.acquisition.links.tcp_socket import keep_alive, plain_cause
from gateway.errors import NoConnectionError
from gateway.modbus.framing import Framing, ReadRequest

__all__ = ["TcpChannel"]


class _Stream(asyncio.Protocol):
    """One connection from its making to its end."""

    def __init__(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        self.transport: asyncio.Transport | None = None
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._silenced = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)
        keep_alive(transport)

    def data_received(self, data: bytes) -> None:
        if not self._silenced:
            self._on_bytes(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if not self._silenced:
            error = NoConnectionError(f"the connection broke: {exc}" if exc else "the peer closed the connection")
            error.__cause__ = exc
            self._on_lost(error)
        if not self.ended.done():
            self.ended.set_result(None)

    def abort(self) -> None:
        self._silenced = True
        if self.transport is not None:
            self.transport.abort()


class TcpChannel:
    """A `Channel`."""

    def __init__(self, host: str, port: int, framing: Framing) -> None:
        self._host = host
        self._port = port
        self._framing = framing
        self._stream: _Stream | None = None

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        loop = asyncio.get_running_loop()
        try:
            _, self._stream = await loop.create_connection(lambda: _Stream(on_bytes, on_lost), self._host, self._port)
        except (OSError, UnicodeError) as exc:
            # A host name that cannot even be encoded for a look-up raises UnicodeError.
            raise NoConnectionError(plain_cause(exc)) from exc

    def transmit(self, request: ReadRequest) -> None:
        if self._stream is None or self._stream.transport is None:
            raise NoConnectionError("not connected")
        self._stream.transport.write(self._framing.request_frame(request))

    async def close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.abort()
            # An aborted transport reports its end on the next turn of the loop: this does not wait for the peer.
            await asyncio.shield(stream.ended)
