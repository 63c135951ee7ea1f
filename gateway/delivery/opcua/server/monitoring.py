"""Subscriptions within bounds, and each owned by whoever made it.

Three things of asyncua 2.1 are done otherwise here, since they would show an old number as good: a deadband is measured
from the value that was told last, not from the one that was seen last (else what drifts slowly is never told); another
status is always told, whatever the deadband; and a value that is null breaks no comparison.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_subscription import InternalSubscription
from asyncua.server.monitored_item_service import MonitoredItemData, MonitoredItemService, WhereClauseEvaluator
from asyncua.server.subscription_service import SubscriptionService

# `ua.DataChangeFilter` is another class, of which what is decoded is none.
from asyncua.ua.uaprotocol_auto import DataChangeFilter

__all__ = ["BoundedItems", "BoundedSubscriptions", "Bounds"]

_Codes = ua.StatusCodes
_LONGEST_INTERVAL_MS = 3_600_000.0
_MOST_CONDITIONS = 10
"""Elements of a filter of events: one that refers to another twice is judged twice, and so on for each."""
_MOST_FIELDS = 100


class Bounds(NamedTuple):
    """What one client may take, and all of them."""

    shortest_interval_ms: float = 500.0
    subscriptions: int = 20
    """Of one session."""
    items: int = 40_000
    """Of one session, over all its subscriptions."""
    all_items: int = 200_000
    queue: int = 10
    """Values that wait of one item."""
    of_one_call: int = 10_000
    """Nodes in one request."""


class BoundedItems(MonitoredItemService):
    """The items of one subscription."""

    def __init__(
        self,
        subscription: InternalSubscription,
        address_space: AddressSpace,
        ranges: Mapping[ua.NodeId, tuple[float, float]],
        is_subtype: Callable[[Any, Any], bool],
    ) -> None:
        super().__init__(subscription, address_space)
        self._ranges = ranges
        self._is_subtype = is_subtype
        self._told: dict[int, ua.DataValue] = {}
        """By item, the value that was told last."""

    @property
    def count(self) -> int:
        return len(self._monitored_items)

    def _create_events_monitored_item(self, params: ua.MonitoredItemCreateRequest) -> ua.MonitoredItemCreateResult:
        found = params.RequestedParameters.Filter
        if not isinstance(found, ua.EventFilter) or (
            len(found.SelectClauses) > _MOST_FIELDS or len(found.WhereClause.Elements) > _MOST_CONDITIONS
        ):
            return _refused(_Codes.BadMonitoredItemFilterUnsupported)
        result = super()._create_events_monitored_item(params)
        item = self._monitored_items.get(result.MonitoredItemId)
        if item is not None:
            item.where_clause_evaluator = _Where(self.logger, self.aspace, found.WhereClause, self._is_subtype)
        return result

    async def _create_data_change_monitored_item(
        self, params: ua.MonitoredItemCreateRequest
    ) -> ua.MonitoredItemCreateResult:
        found = params.RequestedParameters.Filter = _given(params.RequestedParameters.Filter)
        if isinstance(found, DataChangeFilter):
            refusal = self._trouble_with(found, params.ItemToMonitor.NodeId)
            if refusal is not None:
                return _refused(refusal)
        elif found is not None:
            return _refused(_Codes.BadMonitoredItemFilterUnsupported)
        return await super()._create_data_change_monitored_item(params)

    def _trouble_with(self, found: DataChangeFilter, node: ua.NodeId) -> int | None:
        if found.DeadbandType == ua.DeadbandType.None_:
            return None
        if node not in self._ranges:
            return _Codes.BadFilterNotAllowed
        if not found.DeadbandValue >= 0.0:
            return _Codes.BadDeadbandFilterInvalid
        if found.DeadbandType == ua.DeadbandType.Percent and found.DeadbandValue > 100.0:
            return _Codes.BadDeadbandFilterInvalid
        return None

    def _modify_monitored_item(self, params: ua.MonitoredItemModifyRequest) -> ua.MonitoredItemModifyResult:
        result = ua.MonitoredItemModifyResult()
        item = self._monitored_items.get(params.MonitoredItemId)
        asked = params.RequestedParameters
        asked.Filter = _given(asked.Filter)
        if item is None or item.read_value_id is None:
            result.StatusCode = ua.StatusCode(_Codes.BadMonitoredItemIdInvalid)
            return result
        if isinstance(asked.Filter, DataChangeFilter) and item.where_clause_evaluator is None:
            refusal = self._trouble_with(asked.Filter, item.read_value_id.NodeId)
            if refusal is not None:
                result.StatusCode = ua.StatusCode(refusal)
                return result
            item.filter = asked.Filter
        elif asked.Filter is not None:
            result.StatusCode = ua.StatusCode(_Codes.BadMonitoredItemFilterUnsupported)
            return result
        item.client_handle = asked.ClientHandle
        item.queue_size = result.RevisedQueueSize = self._revise_queue_size(asked.QueueSize)
        result.RevisedSamplingInterval = self.isub.data.RevisedPublishingInterval
        return result

    def _delete_monitored_items(self, mid: int) -> ua.StatusCode:
        self._told.pop(mid, None)
        return super()._delete_monitored_items(mid)

    async def datachange_callback(self, handle: int, value: ua.DataValue, error: ua.StatusCode | None = None) -> None:
        identifier = self._monitored_datachange.get(handle)
        item = None if identifier is None else self._monitored_items.get(identifier)
        if item is None or identifier is None or item.mode == ua.MonitoringMode.Disabled:
            return
        before = self._told.get(identifier)
        if before is not None and not self._is_news(item, before, value):
            return
        self._told[identifier] = value
        # Both at once: without a value it would make an empty one first, which takes longer than all the rest of this.
        event = ua.MonitoredItemNotification(item.client_handle, value)
        await self.isub.enqueue_datachange_event(identifier, event, item.queue_size)

    def _is_news(self, item: MonitoredItemData, before: ua.DataValue, now: ua.DataValue) -> bool:
        if before.StatusCode != now.StatusCode:
            return True
        found = item.filter
        if not isinstance(found, DataChangeFilter):
            return before.Value != now.Value
        if found.Trigger == ua.DataChangeTrigger.Status:
            return False
        if found.Trigger == ua.DataChangeTrigger.StatusValueTimestamp and before.SourceTimestamp != now.SourceTimestamp:
            return True
        return self._has_moved(found, item, before, now)

    def _has_moved(
        self, found: DataChangeFilter, item: MonitoredItemData, before: ua.DataValue, now: ua.DataValue
    ) -> bool:
        was = None if before.Value is None else before.Value.Value
        is_now = None if now.Value is None else now.Value.Value
        if found.DeadbandType == ua.DeadbandType.None_ or was is None or is_now is None:
            return bool(was != is_now)
        least = found.DeadbandValue
        if found.DeadbandType == ua.DeadbandType.Percent:
            assert item.read_value_id is not None
            low, high = self._ranges.get(item.read_value_id.NodeId, (0.0, 0.0))
            least = (high - low) * found.DeadbandValue / 100.0
        return bool(abs(is_now - was) > least)


class _Where(WhereClauseEvaluator):
    """Filters of events. An event is also of every type above its own."""

    def __init__(
        self, logger: Any, address_space: AddressSpace, where: ua.ContentFilter, is_subtype: Callable[[Any, Any], bool]
    ) -> None:
        super().__init__(logger, address_space, where)
        self._is_subtype = is_subtype

    def eval(self, event: Any) -> bool:
        if not self.elements:
            return True
        try:
            return bool(self._eval_el(0, event))
        except Exception:  # noqa: BLE001 - what a stranger asks for and cannot be judged is not so
            return False

    def _eval_el(self, index: int, event: Any) -> Any:
        element = self.elements[index]
        if element.FilterOperator == ua.FilterOperator.OfType:
            return self._is_subtype(event.EventType, self._eval_op(element.FilterOperands[0], event))
        if element.FilterOperator == ua.FilterOperator.Not:
            return not self._eval_op(element.FilterOperands[0], event)
        return super()._eval_el(index, event)


class BoundedSubscriptions(SubscriptionService):
    """All subscriptions of the server."""

    def __init__(
        self,
        address_space: AddressSpace,
        server: InternalServer,
        bounds: Bounds,
        ranges: Mapping[ua.NodeId, tuple[float, float]],
        is_subtype: Callable[[Any, Any], bool],
    ) -> None:
        super().__init__(address_space, iserver=server)
        self._bounds = bounds
        self._ranges = ranges
        self._is_subtype = is_subtype
        self.owners: dict[int, Any] = {}
        """By subscription: whose it is, over reconnections."""

    def of(self, owner: Any) -> list[InternalSubscription]:
        return [sub for number, sub in self.subscriptions.items() if self.owners.get(number) == owner]

    def owned(self, number: int, owner: Any) -> InternalSubscription:
        """Raises ServiceError where it is another's, or nobody's."""
        found = self.subscriptions.get(number)
        if found is None or self.owners.get(number) != owner:
            raise ServiceError(_Codes.BadSubscriptionIdInvalid)
        return found

    async def create_for(
        self, owner: Any, params: ua.CreateSubscriptionParameters, callback: Any, session_id: ua.NodeId, request: Any
    ) -> ua.CreateSubscriptionResult:
        """Raises ServiceError where there are too many."""
        self.owners = {number: each for number, each in self.owners.items() if number in self.subscriptions}
        if len(self.of(owner)) >= self._bounds.subscriptions:
            raise ServiceError(_Codes.BadTooManySubscriptions)
        params.RequestedPublishingInterval = self._interval_ms(params.RequestedPublishingInterval)
        result = await self.create_subscription(params, callback, session_id, request_callback=request)
        self.owners[result.SubscriptionId] = owner
        made = self.subscriptions[result.SubscriptionId]
        made.monitored_item_srv = BoundedItems(made, self.aspace, self._ranges, self._is_subtype)
        return result

    def _interval_ms(self, asked: float) -> float:
        # Also of what is not a number.
        return (
            min(asked, _LONGEST_INTERVAL_MS)
            if asked > self._bounds.shortest_interval_ms
            else (self._bounds.shortest_interval_ms)
        )

    def check_room(self, owner: Any, more: int) -> None:
        """Raises ServiceError where that many items more are too many."""
        counts = {
            number: sub.monitored_item_srv.count
            for number, sub in self.subscriptions.items()
            if isinstance(sub.monitored_item_srv, BoundedItems)
        }
        own = sum(count for number, count in counts.items() if self.owners.get(number) == owner)
        if own + more > self._bounds.items or sum(counts.values()) + more > self._bounds.all_items:
            raise ServiceError(_Codes.BadTooManyMonitoredItems)


def _given(found: Any) -> Any:
    """A filter; None for the empty object by which a client says that it has none."""
    is_empty = isinstance(found, ua.ExtensionObject) and found.TypeId == ua.NodeId(ua.ObjectIds.Null)
    return None if is_empty else found


def _refused(code: int) -> ua.MonitoredItemCreateResult:
    result = ua.MonitoredItemCreateResult()
    result.StatusCode = ua.StatusCode(code)
    return result
