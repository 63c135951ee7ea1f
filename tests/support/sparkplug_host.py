"""A host application of the test's own: says how it stands, listens to one node, keeps every rule before it."""

import asyncio
import json
import time
from collections.abc import Mapping
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

import aiomqtt

from tests.support.sparkplug_rules import Watching
from tests.support.sparkplug_wire import encoded_command

__all__ = ["Host"]


class Host:
    """At one server. `name` None: it only listens, as one that is no primary host may."""

    def __init__(
        self,
        port: int,
        name: str | None = None,
        *,
        group: str = "plant",
        node: str = "harbour",
        late: bool = False,
        signs_in: Mapping[str, Any] | None = None,
    ) -> None:
        """`signs_in`: what its client needs beside the port."""
        self._signs_in = signs_in or {}
        self._port, self._name = port, name
        self._group, self._node = group, node
        self.watching = Watching(group, node)
        self.watching.is_late = late
        self._client: aiomqtt.Client
        self._listening: asyncio.Task[None]

    async def __aenter__(self) -> Self:
        self._client = aiomqtt.Client("127.0.0.1", self._port, protocol=aiomqtt.ProtocolVersion.V311, **self._signs_in)
        await self._client.__aenter__()
        await self._client.subscribe(f"spBv1.0/{self._group}/+/{self._node}/#", qos=1)
        self._listening = asyncio.create_task(self._listen())
        if self._name is not None:
            await self.says(True)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._listening.cancel()
        (ended,) = await asyncio.gather(self._listening, return_exceptions=True)
        assert ended is None or isinstance(ended, asyncio.CancelledError), ended
        with suppress(aiomqtt.MqttError):
            await self._client.__aexit__(None, None, None)

    async def says(self, online: bool, timestamp: int | None = None) -> None:
        """As its birth or its death does; the server retains it."""
        told = {"online": online, "timestamp": round(time.time() * 1000) if timestamp is None else timestamp}
        await self.tells(f"STATE/{self._name}", json.dumps(told).encode(), retain=True, qos=1)

    async def asks_birth(self) -> None:
        await self.tells(f"{self._group}/NCMD/{self._node}", encoded_command("Node Control/Rebirth", boolean=True))

    async def tells(self, topic: str, payload: bytes, **how: Any) -> None:
        await self._client.publish(f"spBv1.0/{topic}", payload, **how)

    async def _listen(self) -> None:
        try:
            async for message in self._client.messages:
                # The broker of the demo gives retained messages of other topics too.
                if "CMD/" not in str(message.topic) and str(message.topic).startswith("spBv1.0/"):
                    assert isinstance(message.payload, bytes)
                    self.watching.take(str(message.topic), message.qos, message.retain, message.payload)
        except aiomqtt.MqttError:
            return
