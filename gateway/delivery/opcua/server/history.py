"""History, raw, out of what the gateway keeps: read page by page, with continuation points that hold over a restart.

A continuation point says where to go on, whole, so that nothing is kept for whoever never comes again. One answer has
so many values at most, and takes so long at most: what is more comes with the next, which may also be empty.
"""

import hashlib
import struct
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from asyncua import ua

from gateway.delivery.opcua.names import FIGURES
from gateway.delivery.opcua.server.moments import moment
from gateway.delivery.opcua.server.nodes import NAMESPACE_INDEX
from gateway.delivery.opcua.server.space import Space
from gateway.delivery.opcua.server.status import status_of

__all__ = ["MOST_NODES", "History", "Page", "ReadPage", "Sample"]

_Codes = ua.StatusCodes
MOST_NODES = 100
"""In one request."""
_MOST_VALUES = 1000
"""Of one node in one answer."""
_MOST_TOGETHER = 20_000
"""Of all nodes in one answer."""
_PAGES_AT_HAND = 4
_POINT = struct.Struct("<B?qqq8s")
_POINT_VERSION = 1
_PLACES = {each.key: place for place, each in enumerate(FIGURES)}
_FOREVER_NS = 1 << 62


class Sample(NamedTuple):
    """One sheet of a tank, as far as its history is told."""

    at_s: float
    figures: Sequence[Any]
    """As `feed.sheet_of` has them: value, quality, code, by hand."""


class Page(NamedTuple):
    samples: tuple[Sample, ...]
    beyond: int | None
    """None: there is no more."""


ReadPage = Callable[[str, int, int, bool, int | None, int], Awaitable[Page]]
"""(tank, begin, until, forward, beyond, at most): see `gateway.ledger.raw_history`. Raises OSError where the history
cannot be read."""


class _Asked(NamedTuple):
    tank: str
    begin_ns: int
    until_ns: int
    forward: bool
    beyond: int | None
    at_most: int


class History:
    """Answers HistoryRead."""

    def __init__(self, space: Space, read: ReadPage) -> None:
        self._space = space
        self._read = read
        self._pages: OrderedDict[_Asked, Page] = OrderedDict()

    async def read(self, params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
        nodes = params.NodesToRead
        if len(nodes) > MOST_NODES:
            return [_refused(_Codes.BadTooManyOperations) for _ in nodes]
        if params.ReleaseContinuationPoints:
            return [ua.HistoryReadResult() for _ in nodes]
        share = max(1, min(_MOST_VALUES, _MOST_TOGETHER // len(nodes)))
        return [await self._of_node(params.HistoryReadDetails, each, share) for each in nodes]

    async def _of_node(self, details: Any, node: ua.HistoryReadValueId, share: int) -> ua.HistoryReadResult:
        if not isinstance(details, ua.ReadRawModifiedDetails) or details.IsReadModified:
            return _refused(_Codes.BadHistoryOperationUnsupported)
        found = self._figure_of(node.NodeId)
        if isinstance(found, int):
            return _refused(found)
        tank, place = found
        if node.IndexRange:
            return _refused(_Codes.BadIndexRangeInvalid)
        asked = self._asked(details, node, tank, share)
        if isinstance(asked, int):
            return _refused(asked)
        try:
            page = await self._page(asked)
        except OSError:
            return _refused(_Codes.BadNoCommunication)
        result = ua.HistoryReadResult()
        result.HistoryData = ua.HistoryData()
        result.HistoryData.DataValues = [_value(each, place) for each in page.samples]
        is_counted = _ns(details.EndTime) is None or _ns(details.StartTime) is None
        enough = bool(is_counted and details.NumValuesPerNode and len(page.samples) >= details.NumValuesPerNode)
        if page.beyond is not None and not enough:
            result.ContinuationPoint = _packed(asked, page.beyond, node.NodeId)
        if not page.samples and not result.ContinuationPoint:
            result.StatusCode = ua.StatusCode(_Codes.GoodNoData)
        return result

    def _figure_of(self, node: ua.NodeId) -> tuple[str, int] | int:
        if node.NamespaceIndex == NAMESPACE_INDEX and isinstance(node.Identifier, str):
            tank, _, key = node.Identifier.partition("/")
            if tank in self._space.tanks and key in _PLACES:
                return tank, _PLACES[key]
            if tank in self._space.tanks:
                return int(_Codes.BadHistoryOperationUnsupported)
        return int(_Codes.BadHistoryOperationUnsupported if self._space.knows(node) else _Codes.BadNodeIdUnknown)

    def _asked(self, details: Any, node: ua.HistoryReadValueId, tank: str, share: int) -> _Asked | int:
        at_most = min(share, details.NumValuesPerNode or share)
        if node.ContinuationPoint:
            return _unpacked(node.ContinuationPoint, node.NodeId, tank, at_most)
        start_ns, end_ns = _ns(details.StartTime), _ns(details.EndTime)
        if (start_ns is None) + (end_ns is None) + (not details.NumValuesPerNode) > 1:
            return int(_Codes.BadInvalidTimestampArgument)
        if start_ns is None:
            # From the end backwards, so many.
            assert end_ns is not None
            return _Asked(tank, -_FOREVER_NS, end_ns, False, None, at_most)
        if end_ns is None:
            return _Asked(tank, start_ns, _FOREVER_NS, True, None, at_most)
        if end_ns < start_ns:
            return _Asked(tank, end_ns + 1, start_ns + 1, False, None, at_most)
        return _Asked(tank, start_ns, max(end_ns, start_ns + 1), True, None, at_most)

    async def _page(self, asked: _Asked) -> Page:
        """Several figures of one tank rest on the same sheets."""
        page = self._pages.get(asked)
        if page is None:
            page = await self._read(*asked)
            # The newest page may have more a moment later.
            if page.beyond is not None:
                self._pages[asked] = page
                while len(self._pages) > _PAGES_AT_HAND:
                    self._pages.popitem(last=False)
        return page


def _value(sample: Sample, place: int) -> ua.DataValue:
    at = moment(sample.at_s)
    told = sample.figures[place]
    if told is None:
        return ua.DataValue(None, ua.StatusCode(_Codes.BadNoData), at, at)
    value, quality, code, manual = told
    variant = ua.Variant(None, ua.VariantType.Null) if value is None else ua.Variant(value, ua.VariantType.Double)
    return ua.DataValue(variant, status_of(quality, code, value is not None, manual), at, at)


def _packed(asked: _Asked, beyond: int, node: ua.NodeId) -> bytes:
    point = _POINT.pack(
        _POINT_VERSION, asked.forward, asked.begin_ns, asked.until_ns, beyond, _mark(node, asked, beyond)
    )
    return bytes(point)


def _unpacked(point: bytes, node: ua.NodeId, tank: str, at_most: int) -> _Asked | int:
    try:
        version, forward, begin_ns, until_ns, beyond, mark = _POINT.unpack(point)
    except struct.error:
        return int(_Codes.BadContinuationPointInvalid)
    asked = _Asked(tank, begin_ns, until_ns, forward, beyond, at_most)
    if version != _POINT_VERSION or mark != _mark(node, asked, beyond):
        return int(_Codes.BadContinuationPointInvalid)
    return asked


def _mark(node: ua.NodeId, asked: _Asked, beyond: int) -> bytes:
    """By which one is known that belongs to another node, or was cut or changed on its way. It is no secret."""
    text = f"{node.to_string()} {asked.begin_ns} {asked.until_ns} {asked.forward} {beyond}"
    return hashlib.blake2b(text.encode(), digest_size=8).digest()


_UNSET = datetime(1601, 1, 1, tzinfo=UTC)
_EARLIEST = datetime(1678, 1, 1, tzinfo=UTC)
_LATEST = datetime(2261, 1, 1, tzinfo=UTC)


def _ns(given: datetime | None) -> int | None:
    """None: it is not given. What 64 bits of nanoseconds cannot hold is as far away as they can."""
    if given is None:
        return None
    aware = given if given.tzinfo is not None else given.replace(tzinfo=UTC)
    if aware <= _UNSET:
        return None
    held = min(max(aware, _EARLIEST), _LATEST)
    whole = held.replace(microsecond=0)
    return round(whole.timestamp()) * 1_000_000_000 + held.microsecond * 1000


def _refused(code: int) -> ua.HistoryReadResult:
    result = ua.HistoryReadResult()
    result.StatusCode = ua.StatusCode(code)
    return result
