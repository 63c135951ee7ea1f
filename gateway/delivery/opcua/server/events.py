"""What happens, as events of a type of our own. They are events, not conditions: nothing is acknowledged from here."""

import secrets
from collections.abc import Mapping
from typing import Any

from asyncua import ua
from asyncua.common.event_objects import BaseEvent
from asyncua.server.server import Server

from gateway.clock import utc_now
from gateway.delivery.opcua.names import EVENT_FIELDS
from gateway.delivery.opcua.server.moments import moment
from gateway.delivery.opcua.server.nodes import NAMESPACE_INDEX, node_id
from gateway.delivery.opcua.server.space import TANKS

__all__ = ["EVENT_TYPE", "Events"]

EVENT_TYPE = node_id("TankEventType")
_YES = ("active", "simulated")
_SERVER = ua.NodeId(ua.ObjectIds.Server)


class Events:
    """From the loop."""

    def __init__(self, server: Server) -> None:
        self._server = server

    async def begin(self) -> None:
        """The type of our events."""
        base = self._server.get_node(ua.NodeId(ua.ObjectIds.BaseEventType))
        made = await base.add_object_type(EVENT_TYPE, ua.QualifiedName("TankEventType", NAMESPACE_INDEX))
        for name in EVENT_FIELDS:
            kind = ua.VariantType.Boolean if name in _YES else ua.VariantType.String
            await made.add_property(
                node_id(f"TankEventType/{name}"),
                ua.QualifiedName(name, NAMESPACE_INDEX),
                ua.get_default_value(kind),
                varianttype=kind,
            )

    def is_subtype(self, kind: Any, of: Any) -> bool:
        """Of the types that our events have."""
        return kind == of or of == ua.NodeId(ua.ObjectIds.BaseEventType)

    async def happened(self, told: Mapping[str, Any], is_known: bool) -> None:
        """Tell everybody who subscribed to the tank, to all tanks, or to the server. `is_known`: whether there is such
        a tank now."""
        tank = told["tank"]
        source = node_id(tank) if tank and is_known else TANKS
        event = BaseEvent()
        event.EventType = EVENT_TYPE
        event.EventId = secrets.token_bytes(16)
        event.Time = moment(told["at"])
        event.ReceiveTime = utc_now()
        event.SourceNode = source
        event.SourceName = tank or "gateway"
        event.Severity = told["severity"]
        event.Message = ua.LocalizedText(_words(told))
        for name in EVENT_FIELDS:
            kind = ua.VariantType.Boolean if name in _YES else ua.VariantType.String
            event.add_property(name, told[name], kind)
        for place in dict.fromkeys((source, TANKS, _SERVER)):
            event.emitting_node = place
            await self._server.iserver.subscription_service.trigger_event(event)


def _words(told: Mapping[str, Any]) -> str:
    where = told["tank"] or "gateway"
    words = f"{where}: {told['kind'].replace('_', ' ')}"
    if told["name"] and told["kind"] != "limit_changed":
        words += f" {told['name'].replace('_', ' ')}"
    if told["text"]:
        words += f": {told['text']}"
    return f"SIMULATED: {words}" if told["simulated"] else words
