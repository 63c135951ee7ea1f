"""One viewer's stream of server-sent events (HTML Living Standard, section 9.2).

It is told what is new when it can take it. What it cannot take is not kept for it: it catches up by what the ring still
has, or by the newest whole view. Who keeps up is told by the feed itself, with no task of his own woken for it.
"""

import asyncio
from collections.abc import Iterable, MutableSet

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
_LOOKED_AT_EACH_S = 2.0
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
        self._left = b""
        """Of what was made for it, what it did not take at once."""
        self._looked_at_s = 0.0
        """When something last went through everything that stands before this: whether its viewer may still look is
        looked at there."""

    def end(self) -> None:
        """It says no more, and is over as soon as the peer has what it was given, or at once where it takes nothing."""
        self._over.set()
        self._place.wake.set()
        self._stream.end()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        gone = asyncio.create_task(self._until_gone(receive), name="viewer, whether it is there")
        self._present.add(self)
        try:
            # Before the turn, which may be the first since the site became another: it is to be told so.
            with self._feed.watched_from(self._place):
                await self._feed.turn()
                await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
                await self._tell(send)
                last = b"" if self._packer is None else self._packer.end()
                await send({"type": "http.response.body", "body": self._left + last, "more_body": False})
        finally:
            self._present.discard(self)
            await end([gone])
            if not gone.cancelled():
                # What it sends has been refused, which has ended this.
                gone.exception()

    async def _tell(self, send: Send) -> None:
        told = [_BEGIN, *self._feed.next_for(self._place)]
        begin = b"" if self._packer is None else GZIP_HEADER
        text = begin + self._text(told)
        while True:
            for start in range(0, len(text), _PIECE):
                piece = text[start : start + _PIECE]
                self._stream.gives(len(piece))
                await send({"type": "http.response.body", "body": piece, "more_body": True})
            self._looked_at_s = asyncio.get_running_loop().time()
            if self._over.is_set():
                # What is packed counts for the end of its file, whether it goes or not.
                return
            text = self._text(self._feed.next_for(self._place))
            if not text:
                self._place.takes_at_once = self._takes_at_once
                await self._place.wake.wait()
                self._place.takes_at_once = None
                if self._over.is_set():
                    return
                text, self._left = self._left, b""
                text += self._text(self._feed.next_for(self._place))

    def _takes_at_once(self) -> bool:
        if self._over.is_set() or asyncio.get_running_loop().time() - self._looked_at_s >= _LOOKED_AT_EACH_S:
            return False
        text = self._text(self._feed.next_for(self._place))
        if not text or (len(text) <= _PIECE and self._stream.pushes(text)):
            return True
        self._left = text
        return False

    def _text(self, told: Iterable[Parcel]) -> bytes:
        return b"".join([each.text if self._packer is None else self._packer.add(each) for each in told])

    async def _until_gone(self, receive: Receive) -> None:
        try:
            while (await receive())["type"] != "http.disconnect":
                pass
        finally:
            # Also where no more of it is taken: nobody would see any more that it goes.
            self._over.set()
            self._place.wake.set()
