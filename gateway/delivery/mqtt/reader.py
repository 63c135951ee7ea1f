"""What lies on an MQTT server of one site, for a person who asks: read once, under a name of our own, nothing sent."""

import asyncio
import secrets
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import orjson

from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import Heard
from gateway.delivery.plan import MqttPlan
from gateway.delivery.secrets import password, tls_context
from gateway.errors import DeliveryError
from gateway.payload.writer import HEARTBEAT_SCHEMA, INVENTORY_SCHEMA, STATUS_SCHEMA

__all__ = ["Lying", "what_lies_there"]

_QUIET_S = 1.5
"""Without anything new: then what is retained has come. A server does not say that it was the last."""
_LONGEST_S = 10.0


@dataclass(slots=True)
class Lying:
    """The newest message of each kind, decoded."""

    inventories: dict[str, dict[str, Any]] = field(default_factory=dict)
    """By tank."""
    status: dict[str, Any] | None = None
    heartbeat: dict[str, Any] | None = None


class _Listener:
    def __init__(self, site: str) -> None:
        self.lying = Lying()
        self.refused: str | None = None
        self.something = asyncio.Event()
        self._site = site

    def heard(self, heard: Heard) -> None:
        """Take a message in; what is none of ours is left alone."""
        try:
            message = orjson.loads(heard.payload)
            schema, site = message["schema"], message.get("site") or message["identity"]["site"]
            tank = message["identity"]["tank"] if schema == INVENTORY_SCHEMA else None
        except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError):
            return
        if site != self._site:
            return
        lying = self.lying
        if isinstance(tank, str):
            new = tank not in lying.inventories
            lying.inventories[tank] = message
        elif schema == STATUS_SCHEMA:
            new, lying.status = lying.status is None, message
        elif schema == HEARTBEAT_SCHEMA:
            new, lying.heartbeat = lying.heartbeat is None, message
        else:
            return
        if new:
            self.something.set()

    def subscribed(self, refusal: str | None) -> None:
        if refusal is not None:
            self.refused = refusal
            self.something.set()

    def end(self) -> None:
        self.something.set()

    def complete(self, tanks: Collection[str]) -> bool:
        lying = self.lying
        return lying.status is not None and lying.heartbeat is not None and lying.inventories.keys() >= set(tanks)


async def what_lies_there(plan: MqttPlan, site: str, tanks: Collection[str]) -> Lying:
    """Connect, ask for the site's topics, wait until `tanks` and the gateway's own messages are there or nothing new
    comes. Raises DeliveryError with the reason where the server cannot be asked."""
    listener = _Listener(site)
    connection = Connection(
        plan,
        # Never the gateway's own: the server would end the connection of the one that has it.
        client_id=f"look{secrets.token_hex(8)}",
        password=await password(plan),
        tls_context=await tls_context(plan),
        will=None,
        settled=lambda number, refusal: None,
        heard=listener.heard,
        subscribed=listener.subscribed,
        wake=listener.end,
    )
    await connection.open()
    try:
        for topic in ("+/inventory", "gateway/status", "gateway/heartbeat"):
            connection.subscribe(f"{plan.prefix}/{site}/{topic}")
        await _gathered(connection, listener, tanks)
        await connection.close()
    finally:
        connection.abort()
    return listener.lying


async def _gathered(connection: Connection, listener: _Listener, tanks: Collection[str]) -> None:
    deadline_s = asyncio.get_running_loop().time() + _LONGEST_S
    while not listener.complete(tanks):
        left_s = deadline_s - asyncio.get_running_loop().time()
        listener.something.clear()
        try:
            async with asyncio.timeout(max(0.0, min(left_s, _QUIET_S))):
                await listener.something.wait()
        except TimeoutError:
            return
        if listener.refused is not None:
            raise DeliveryError(f"server refused to tell of the site's topics: {listener.refused}")
        if connection.ended is not None:
            raise DeliveryError(connection.ended.reason)
