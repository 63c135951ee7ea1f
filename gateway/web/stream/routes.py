"""`/api/1/site`, `/api/1/view` and `/api/1/live`, for one server."""

from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from gateway.web.connections import stream_of
from gateway.web.encodings import takes_gzip
from gateway.web.stream.feed import Feed
from gateway.web.stream.parcel import Parcel, gzipped
from gateway.web.stream.source import LiveSource
from gateway.web.stream.viewer import HEADERS, EventStream

__all__ = ["LiveView"]

_JSON_TYPE = "application/json"
_TOO_MANY = 503
_AGAIN_S = 10


class LiveView:
    """A `WebPart`."""

    def __init__(self, feed: Feed, source: LiveSource) -> None:
        self._feed = feed
        self._source = source
        self._streams: set[EventStream] = set()
        self._has_ended = False
        self._fixed = Parcel(b"")

    @property
    def routes(self) -> Sequence[BaseRoute]:
        return [
            Route("/api/1/site", self._site),
            Route("/api/1/view", self._view),
            Route("/api/1/live", self._live),
        ]

    def end(self) -> None:
        """At once: an answer that goes on would hold up the stop of the server."""
        self._has_ended = True
        for stream in self._streams:
            stream.end()

    async def _site(self, request: Request) -> Response:
        made = await self._source.site()
        if self._fixed.text != made:
            self._fixed = Parcel(made)
        return _document(request, [self._fixed])

    async def _view(self, request: Request) -> Response:
        await self._feed.turn()
        return _document(request, self._feed.whole())

    async def _live(self, request: Request) -> Response:
        """`after`, or as browsers have it the header Last-Event-ID: the last event that the viewer has."""
        if request.method == "HEAD":
            return Response(media_type=EventStream.media_type, headers=HEADERS)
        stream = stream_of(request.scope)
        refusal = "the gateway is being stopped" if self._has_ended else stream.begin()
        if refusal:
            headers = HEADERS | {"Retry-After": str(_AGAIN_S)}
            return Response(f"{refusal}; try again later\n", _TOO_MANY, headers, "text/plain; charset=utf-8")
        last = request.headers.get("last-event-id") or request.query_params.get("after")
        return EventStream(self._feed, self._feed.place(last), stream, self._streams, is_packed=_takes_packed(request))


def _document(request: Request, parcels: Sequence[Parcel]) -> Response:
    if _takes_packed(request):
        headers = HEADERS | {"Content-Encoding": "gzip"}
        return Response(gzipped(parcels), media_type=_JSON_TYPE, headers=headers)
    return Response(b"".join(each.text for each in parcels), media_type=_JSON_TYPE, headers=HEADERS)


def _takes_packed(request: Request) -> bool:
    return takes_gzip(request.headers.get("accept-encoding", ""))
