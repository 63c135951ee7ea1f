"""One viewer's stream of server-sent events (HTML Living Standard, section 9.2).

It is told what is new when it can take it. What it cannot take is not kept for it: it catches up by what the ring still
has, or by the newest whole view.
"""

import asyncio
from collections.abc import AsyncIterator

from gateway.web.connections import Stream
from gateway.web.stream.feed import Feed, Place

__all__ = ["events"]

_PIECE = 64 * 1024
"""Bytes handed over at a time: a large view waits here, and not in a buffer of the connection's."""
_BEGIN = b"retry: 1000\n\n"
"""Milliseconds until a browser asks again."""


async def events(feed: Feed, place: Place, stream: Stream, ended: asyncio.Event) -> AsyncIterator[bytes]:
    """All that the viewer is told, until `ended`, which wakes nobody: whoever sets it wakes the place too."""
    with feed.watched_from(place):
        await feed.turn()
        told = _BEGIN + feed.next_for(place)
        while not ended.is_set():
            for begin in range(0, len(told), _PIECE):
                piece = told[begin : begin + _PIECE]
                stream.gives(len(piece))
                yield piece
                if ended.is_set():
                    return
            told = feed.next_for(place)
            while not told and not ended.is_set():
                await place.wake.wait()
                told = feed.next_for(place)
