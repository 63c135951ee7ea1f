"""Connections to the HTTP interface, each with a deadline and all within bounds: none can be kept from others.

uvicorn bounds how many there are by refusing those that come later, and lets one that says nothing stay for ever: who
opens enough of them and keeps silent has locked out everybody. So here it is the other way round: the one that has
kept us waiting for longest gives way. The kernel's TCP_DEFER_ACCEPT is no help: it keeps the silent ones in the queue
of those that have yet to be accepted, and drops others when that is full.
"""

import asyncio
import ipaddress
import socket
from collections.abc import Callable, Iterable
from ipaddress import IPv4Network, IPv6Network
from typing import Any, Protocol, cast

import h11
from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from gateway.web.access.policy import ALWAYS, encoded

__all__ = ["BoundedConnection", "Room", "Stream", "peer_name", "stream_of"]

_REQUEST_S = 10.0
"""Longest from the beginning of a connection, or from the last answer, to the end of the next request."""
_ANSWER_S = 60.0
"""Longest from a request to the last byte of its answer that the peer takes."""
_PROTECTED_S = 5.0
"""An answer under way does not give way to another connection sooner."""
_TAKES_NOTHING_S = 30.0
"""Longest that somebody to whom an answer goes on and on takes nothing of it."""
_LOOK_S = 2.0
_UNSENT = 32 * 1024
"""Bytes of such an answer that wait to be sent, here and in the system."""
_SHARE = 4
"""Parts of the room, of which one peer has one at most."""
_LEAST_SHARE = 4
_STREAMS_SHARE = 2
"""Parts of the room, of which answers that go on and on take one at most; and parts of that, of which one peer does."""
_NO_HTTP = b"this is no request by HTTP/1.1\n"
_CLOSING = encoded({"Content-Type": "text/plain; charset=utf-8", "Connection": "close"})
_STREAM = "stream"
"""Under which name an application finds its connection in the state of a request."""


class Stream(Protocol):
    """An answer that goes on and on, as the application that gives it sees it."""

    def begin(self) -> str:
        """From now on this answer may take as long as the peer takes something of it, and gives way to nobody. Where
        there is no room for it nothing has changed, and it is said why; else empty."""
        ...

    def gives(self, count: int) -> None:
        """So many bytes are handed over now."""
        ...

    def pushes(self, data: bytes) -> bool:
        """Hand that, which is not empty, over at once, past the application's own way, where the peer has taken what
        it was given before, or nearly; False: it is not handed over."""
        ...

    def end(self) -> None:
        """Nothing more is handed over. Where the peer has not even taken what was, the connection is closed."""
        ...


def stream_of(scope: Scope) -> Stream:
    """Of the request's connection. Raises KeyError where it is no `BoundedConnection`."""
    return cast("Stream", scope["state"][_STREAM])


class Present(Protocol):
    """A connection, as others have to make room for it or it for them."""

    peer: str

    @property
    def is_answering(self) -> bool: ...

    @property
    def is_streaming(self) -> bool: ...

    @property
    def age_s(self) -> float: ...

    def abort(self) -> None: ...


class Room:
    """At most `most` connections, a quarter of them from one peer. Answers that go on and on are counted apart, half of
    `most` at most and half of these of one peer: who looks on has his place, and takes it from nobody."""

    def __init__(self, most: int, shared: IPv4Network | IPv6Network | None = None) -> None:
        """`shared`: where a proxy is, by which many come; it has no share of its own."""
        self._most = most
        self._shared = shared
        self._of_one_peer = max(_LEAST_SHARE, most // _SHARE)
        self._streams = max(1, most // _STREAMS_SHARE)
        self._streams_of_one_peer = max(1, self._streams // _STREAMS_SHARE)
        self._present: dict[Present, None] = {}

    def begin_stream(self, connection: "BoundedConnection") -> str:
        """Why there is no room for one more; empty where there is."""
        streams = [each for each in self._present if each.is_streaming]
        if len(streams) >= self._streams:
            return f"{len(streams)} look at this live already, and there is no room for more"
        of_peer = 0 if self._is_shared(connection) else sum(each.peer == connection.peer for each in streams)
        if of_peer >= self._streams_of_one_peer:
            return f"{of_peer} look at this live from this address already, and there is no room for more from there"
        return ""

    def enter(self, newcomer: Present) -> bool:
        """Makes room where there is none; False where nobody can be asked to give way."""
        rivals = [each for each in self._present if each.peer == newcomer.peer and not each.is_streaming]
        if len(rivals) >= self._of_one_peer and not self._is_shared(newcomer):
            gives_way = _most_patiently_waited_for(rivals)
        elif len(self._present) >= self._most:
            gives_way = _most_patiently_waited_for(self._present)
        else:
            gives_way = None
            self._present[newcomer] = None
            return True
        if gives_way is None:
            return False
        self.leave(gives_way)
        gives_way.abort()
        self._present[newcomer] = None
        return True

    def leave(self, connection: Present) -> None:
        self._present.pop(connection, None)

    def _is_shared(self, connection: Present) -> bool:
        if self._shared is None or not connection.peer:
            return False
        # Of version 6 a peer is a network of 64 bits, and so is what is trusted, or less.
        peer = ipaddress.ip_network(connection.peer)
        return peer.version == self._shared.version and peer.overlaps(self._shared)


def _most_patiently_waited_for(connections: Iterable[Present]) -> Present | None:
    """That from which a request has been awaited for longest; else the oldest answer that is still being taken."""
    waiting = [each for each in connections if not each.is_answering]
    old = waiting or [each for each in connections if each.age_s > _PROTECTED_S and not each.is_streaming]
    return max(old, key=lambda each: each.age_s, default=None)


class BoundedConnection(H11Protocol):
    """A connection of uvicorn's that has a deadline at any time."""

    def __init__(self, room: Room, **given: Any) -> None:
        super().__init__(**given)
        self.peer = ""
        self.is_answering = False
        """Between the end of a request and the last byte of its answer."""
        self.is_streaming = False
        """Whether that answer goes on and on."""
        self.before_made: Callable[[], None] = _nothing
        """Called before it takes a place in the room."""
        self._room = room
        self._given = 0
        """Bytes of it that were handed over."""
        self._taken = 0
        self._since_s = 0.0
        """When the present wait, or the present answer, began."""
        self._answered: object = None
        """The request whose answer is or was the last."""
        self._is_under_way = False
        """Between the head of a request and the last byte of its answer."""
        self._timer: asyncio.TimerHandle | None = None

    @property
    def age_s(self) -> float:
        return self.loop.time() - self._since_s

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.peer = _peer(transport)
        self.before_made()
        self._begin(is_answering=False)
        if not self._room.enter(self):
            self.abort()

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        self._room.leave(self)
        if self._timer is not None:
            self._timer.cancel()
        super().connection_lost(exc)

    def abort(self) -> None:
        """Close at once, whatever the peer does."""
        self.transport.abort()

    def send_400_response(self, msg: str) -> None:
        """To what no application sees; with what every answer tells a browser."""
        for event in (
            h11.Response(status_code=400, headers=[*_CLOSING, *ALWAYS], reason=b"Bad Request"),
            h11.Data(data=_NO_HTTP),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _look(self) -> None:
        """Whether the request that was awaited is there, or its answer handed over."""
        if self.cycle is not None and not self.cycle.response_complete:
            if self.cycle is not self._answered:
                self._answered = self.cycle
                self._is_under_way = True
                # The application begins after this: it finds us there.
                self.cycle.scope["state"][_STREAM] = self
            # Until its body has come as well it is the peer who keeps us waiting.
            if not self.is_answering and not self.cycle.more_body:
                self._begin(is_answering=True)
        elif self._is_under_way and not self.transport.get_write_buffer_size():
            self._is_under_way = False
            self._begin(is_answering=False)

    # An answer that goes on and on

    def begin(self) -> str:
        refusal = self._room.begin_stream(self)
        if not refusal:
            self.is_answering = self.is_streaming = True
            self._given = self._taken = 0
            _keep_little_unsent(self.transport)
            self._arm_stream()
        return refusal

    def gives(self, count: int) -> None:
        self._given += count

    def pushes(self, data: bytes) -> bool:
        # Between the head of an answer without a length and its end h11 keeps account of nothing but the form of it:
        # chunks, or to HTTP/1.0 the bare bytes (RFC 9112, section 6.3).
        assert data, "an empty chunk is the last"
        cycle = self.cycle
        if self.flow.write_paused or self.transport.is_closing() or cycle is None or not cycle.response_started:
            return False
        is_bare = (self.conn.their_http_version or b"1.0") < b"1.1"
        self.transport.write(data if is_bare else b"%x\r\n%b\r\n" % (len(data), data))
        self.gives(len(data))
        return True

    def end(self) -> None:
        if self.flow.write_paused:
            self.abort()

    def _arm_stream(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self.loop.call_later(_LOOK_S, self._look_at_stream)

    def _look_at_stream(self) -> None:
        """Who takes anything, be it slowly, stays."""
        waiting = self.transport.get_write_buffer_size()
        taken = self._given - waiting
        if taken > self._taken or not waiting:
            self._taken = taken
            self._since_s = self.loop.time()
        elif self.age_s > _TAKES_NOTHING_S:
            self.abort()
            return
        self._arm_stream()

    def _begin(self, *, is_answering: bool) -> None:
        self.is_answering = is_answering
        self.is_streaming = False
        self._since_s = self.loop.time()
        self._arm(_ANSWER_S if is_answering else _REQUEST_S)

    def _arm(self, seconds: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self.loop.call_later(seconds, self.abort)


def _nothing() -> None: ...


def peer_name(host: str) -> str:
    """Who that is: an address, of version 6 the network of 64 bits, from which one host has its pick; empty: nobody."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return ""
    if address.version == 4:
        return str(address)
    return str(address.ipv4_mapped or ipaddress.ip_network((int(address), 64), strict=False))


def _keep_little_unsent(transport: asyncio.Transport) -> None:
    """What waits in buffers is old when it comes: better it is made when it can go."""
    transport.set_write_buffer_limits(high=_UNSENT)
    option = getattr(socket, "TCP_NOTSENT_LOWAT", None)
    connection = transport.get_extra_info("socket")
    if option is not None and connection is not None:  # not every system has it
        connection.setsockopt(socket.IPPROTO_TCP, option, _UNSENT)


def _peer(transport: asyncio.BaseTransport) -> str:
    name = transport.get_extra_info("peername")
    if not isinstance(name, tuple):
        return ""
    return peer_name(str(name[0]))
