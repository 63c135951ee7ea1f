"""`/api/1/site`, `/api/1/view` and `/api/1/live`, for one server."""

import asyncio
from collections.abc import AsyncIterator, Sequence

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from gateway.web.connections import stream_of
from gateway.web.stream.feed import Feed, Place
from gateway.web.stream.source import LiveSource
from gateway.web.stream.viewer import events

__all__ = ["LiveView"]

_HEADERS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
_JSON_TYPE = "application/json"
_EVENTS_TYPE = "text/event-stream"
_TOO_MANY = 503
_AGAIN_S = 10


class LiveView:
    """A `WebPart`."""

    def __init__(self, feed: Feed, source: LiveSource) -> None:
        self._feed = feed
        self._source = source
        self._ended = asyncio.Event()
        self._places: set[Place] = set()

    @property
    def routes(self) -> Sequence[BaseRoute]:
        return [
            Route("/api/1/site", self._site),
            Route("/api/1/view", self._view),
            Route("/api/1/live", self._live),
        ]

    def end(self) -> None:
        """At once: an answer that goes on would hold up the stop of the server."""
        self._ended.set()
        for place in self._places:
            place.wake.set()

    async def _site(self, _: Request) -> Response:
        return Response(await self._source.site(), media_type=_JSON_TYPE, headers=_HEADERS)

    async def _view(self, _: Request) -> Response:
        await self._feed.turn()
        return Response(self._feed.whole(), media_type=_JSON_TYPE, headers=_HEADERS)

    async def _live(self, request: Request) -> Response:
        if request.method == "HEAD":
            return Response(media_type=_EVENTS_TYPE, headers=_HEADERS)
        stream = stream_of(request.scope)
        if not stream.begin():
            text = f"{stream.most} others look at this live already, and there is no room for more; try again later\n"
            return Response(text, _TOO_MANY, _HEADERS | {"Retry-After": str(_AGAIN_S)}, "text/plain; charset=utf-8")
        place = self._feed.place(request.headers.get("last-event-id"))

        async def told() -> AsyncIterator[bytes]:
            self._places.add(place)
            try:
                async for piece in events(self._feed, place, stream, self._ended):
                    yield piece
            finally:
                self._places.discard(place)

        return StreamingResponse(told(), headers=_HEADERS, media_type=_EVENTS_TYPE)
