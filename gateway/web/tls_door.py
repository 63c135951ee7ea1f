"""Connections over TLS, each within the bounds of all others from its first moment: one that keeps silent before it has
shaken hands has its place among those that may have to give way, and its deadline.
"""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable

from gateway.process.tasks import end
from gateway.web.connections import BoundedConnection, Room, peer_name

__all__ = ["Pace", "TlsDoor"]

_HANDSHAKE_S = 10.0
_A_SECOND = 40.0
_AT_ONCE = 80.0
"""Handshakes, of some 2 ms of work each: who makes hundreds of connections takes a tenth of the loop that polls, and
no more. Ten viewers who all come back in one moment wait for nothing."""
_AGAIN_S = 0.5
"""After the system could not give another connection."""


class Pace:
    """At most `at_once` together, and in the long run `a_second`. Times: seconds of any clock that runs on."""

    def __init__(self, a_second: float, at_once: float) -> None:
        self._a_second = a_second
        self._at_once = at_once
        self._left = at_once
        self._at_s = 0.0

    def wait_s(self, now_s: float) -> float:
        """How long until the next may be; it counts from then on."""
        passed_s = max(0.0, now_s - self._at_s)
        self._left = min(self._at_once, self._left + passed_s * self._a_second) - 1.0
        self._at_s = now_s
        return max(0.0, -self._left / self._a_second)


class _Greeting:
    """A connection that has not shaken hands yet, as the room sees it."""

    is_answering = False
    is_streaming = False

    def __init__(self, raw: socket.socket, peer: str) -> None:
        self.peer = peer
        self._raw = raw
        self._loop = asyncio.get_running_loop()
        self._since_s = self._loop.time()

    @property
    def age_s(self) -> float:
        return self._loop.time() - self._since_s

    def abort(self) -> None:
        """The handshake fails by that."""
        with contextlib.suppress(OSError):
            self._raw.shutdown(socket.SHUT_RDWR)


class TlsDoor:
    """`run` takes connections in until cancelled."""

    def __init__(
        self, listener: socket.socket, context: ssl.SSLContext, room: Room, make: Callable[[], BoundedConnection]
    ) -> None:
        self._listener = listener
        self._context = context
        self._room = room
        self._make = make
        self._greeted: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        self._listener.setblocking(False)
        loop, pace = asyncio.get_running_loop(), Pace(_A_SECOND, _AT_ONCE)
        try:
            while True:
                await asyncio.sleep(pace.wait_s(loop.time()))
                try:
                    raw, address = await loop.sock_accept(self._listener)
                except OSError:  # no descriptor is left, or the peer has gone again
                    await asyncio.sleep(_AGAIN_S)
                    continue
                greeting = _Greeting(raw, peer_name(str(address[0])))
                if not self._room.enter(greeting):
                    raw.close()
                    continue
                task = asyncio.create_task(self._greet(raw, greeting), name="tls handshake")
                self._greeted.add(task)
                task.add_done_callback(self._greeted.discard)
        finally:
            await end(self._greeted)

    async def _greet(self, raw: socket.socket, greeting: _Greeting) -> None:
        def connection() -> BoundedConnection:
            made = self._make()
            # It takes the place over, or else somebody would have to give way to it.
            made.before_made = lambda: self._room.leave(greeting)
            return made

        try:
            await asyncio.get_running_loop().connect_accepted_socket(
                connection, raw, ssl=self._context, ssl_handshake_timeout=_HANDSHAKE_S
            )
        except (OSError, asyncio.CancelledError) as error:  # a peer that speaks no TLS, is too slow, or has gone
            raw.close()
            if isinstance(error, asyncio.CancelledError):
                raise
        finally:
            self._room.leave(greeting)
