"""Connections to the HTTP interface, each with a deadline and all within bounds: none can be kept from others.

uvicorn bounds how many there are by refusing those that come later, and lets one that says nothing stay for ever: who
opens enough of them and keeps silent has locked out everybody. So here it is the other way round: the one that has
kept us waiting for longest gives way. The kernel's TCP_DEFER_ACCEPT is no help: it keeps the silent ones in the queue
of those that have yet to be accepted, and drops others when that is full.
"""

import asyncio
import ipaddress
from collections.abc import Iterable
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["BoundedConnection", "Room", "peer_name"]

_REQUEST_S = 10.0
"""Longest from the beginning of a connection, or from the last answer, to the end of the next request."""
_ANSWER_S = 60.0
"""Longest from a request to the last byte of its answer that the peer takes."""
_PROTECTED_S = 5.0
"""An answer under way does not give way to another connection sooner."""
_SHARE = 4
"""Parts of the room, of which one peer has one at most."""
_LEAST_SHARE = 4


class Room:
    """At most `most` connections, a quarter of them from one peer."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._of_one_peer = max(_LEAST_SHARE, most // _SHARE)
        self._present: dict[BoundedConnection, None] = {}

    def enter(self, newcomer: "BoundedConnection") -> bool:
        """Makes room where there is none; False where nobody can be asked to give way."""
        rivals = [each for each in self._present if each.peer == newcomer.peer]
        if len(rivals) >= self._of_one_peer:
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

    def leave(self, connection: "BoundedConnection") -> None:
        self._present.pop(connection, None)


def _most_patiently_waited_for(connections: "Iterable[BoundedConnection]") -> "BoundedConnection | None":
    """That from which a request has been awaited for longest; else the oldest answer that is still being taken."""
    waiting = [each for each in connections if not each.is_answering]
    old = waiting or [each for each in connections if each.age_s > _PROTECTED_S]
    return max(old, key=lambda each: each.age_s, default=None)


class BoundedConnection(H11Protocol):
    """A connection of uvicorn's that has a deadline at any time."""

    def __init__(self, room: Room, **given: Any) -> None:
        super().__init__(**given)
        self.peer = ""
        self.is_answering = False
        """Between a request and the last byte of its answer."""
        self._room = room
        self._since_s = 0.0
        """When the present wait, or the present answer, began."""
        self._answered: object = None
        """The request whose answer is or was the last."""
        self._timer: asyncio.TimerHandle | None = None

    @property
    def age_s(self) -> float:
        return self.loop.time() - self._since_s

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.peer = _peer(transport)
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

    def _look(self) -> None:
        """Whether the request that was awaited is there, or its answer handed over."""
        if self.cycle is not None and not self.cycle.response_complete:
            if self.cycle is not self._answered:
                self._answered = self.cycle
                self._begin(is_answering=True)
        elif self.is_answering and not self.transport.get_write_buffer_size():
            self._begin(is_answering=False)

    def _begin(self, *, is_answering: bool) -> None:
        self.is_answering = is_answering
        self._since_s = self.loop.time()
        self._arm(_ANSWER_S if is_answering else _REQUEST_S)

    def _arm(self, seconds: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self.loop.call_later(seconds, self.abort)


def peer_name(host: str) -> str:
    """Who that is: an address, of version 6 the network of 64 bits, from which one host has its pick; empty: nobody."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return ""
    if address.version == 4:
        return str(address)
    return str(address.ipv4_mapped or ipaddress.ip_network((int(address), 64), strict=False))


def _peer(transport: asyncio.BaseTransport) -> str:
    name = transport.get_extra_info("peername")
    if not isinstance(name, tuple):
        return ""
    return peer_name(str(name[0]))
