"""One viewer's stream of server-sent events (HTML Living Standard, section 9.2).

It is told what is new when it can take it. What it cannot take is not kept for it: it catches up by what the ring still
has, or by the newest whole view.
"""

import asyncio
from collections.abc import MutableSet

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from gateway.process.tasks import end
from gateway.web.connections import Stream
from gateway.web.stream.feed import Feed, Place
from gateway.web.stream.parcel import GZIP_HEADER, Packer, Parcel

__all__ = ["HEADERS", "EventStream"]

HEADERS = {"Cache-Control": "no-store", "Vary": "Accept-Encoding", "X-Content-Type-Options": "nosniff"}
_UNBUFFERED = {"X-Accel-Buffering": "no"}
"""Asks a proxy in between not to gather what comes before it passes it on."""
_PIECE = 32 * 1024
"""Bytes handed over at a time: a large view waits here, and not in a buffer of the connection's."""
_BEGIN = Parcel(b"retry: 1000\n\n")
"""Milliseconds until a browser asks again."""


class EventStream(Response):
    """An answer that goes on until its viewer goes or it is ended."""

    media_type = "text/event-stream"

    def __init__(
        self, feed: Feed, place: Place, stream: Stream, present: MutableSet["EventStream"], *, is_packed: bool
    ) -> None:
        """`present`: where it is found while it goes on. `is_packed`: by gzip."""
        super().__init__(headers=HEADERS | _UNBUFFERED | ({"Content-Encoding": "gzip"} if is_packed else {}))
        # It has no length.
        self.raw_headers = [pair for pair in self.raw_headers if pair[0] != b"content-length"]
        self._feed = feed
        self._place = place
        self._stream = stream
        self._present = present
        self._packer = Packer() if is_packed else None
        self._over = asyncio.Event()

    def end(self) -> None:
        """It says no more, and is over as soon as the peer has what it was given, or at once where it takes nothing."""
        self._over.set()
        self._place.wake.set()
        self._stream.end()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._feed.turn()
        gone = asyncio.create_task(self._until_gone(receive), name="viewer, whether it is there")
        self._present.add(self)
        try:
            with self._feed.watched_from(self._place):
                await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
                await self._tell(send)
                last = b"" if self._packer is None else self._packer.end()
                await send({"type": "http.response.body", "body": last, "more_body": False})
        finally:
            self._present.discard(self)
            await end([gone])

    async def _tell(self, send: Send) -> None:
        told = [_BEGIN, *self._feed.next_for(self._place)]
        begin = b"" if self._packer is None else GZIP_HEADER
        while not self._over.is_set():
            text = begin + b"".join([each.text if self._packer is None else self._packer.add(each) for each in told])
            begin = b""
            for start in range(0, len(text), _PIECE):
                piece = text[start : start + _PIECE]
                self._stream.gives(len(piece))
                await send({"type": "http.response.body", "body": piece, "more_body": True})
            told = self._feed.next_for(self._place)
            if not told and not self._over.is_set():
                await self._place.wake.wait()
                told = self._feed.next_for(self._place)

    async def _until_gone(self, receive: Receive) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass
        self._over.set()
        self._place.wake.set()
