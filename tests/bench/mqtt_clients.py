"""`python -m tests.bench.mqtt_clients KIND PORT MESSAGES`: one client of the publish bench, in a process of its own.

Prints its seconds of wall clock and of processor, from the first publish to the last acknowledgement.
"""

import asyncio
import sys
import time
from collections.abc import Callable, Coroutine

import aiomqtt
import uvloop

from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import Refusal, Will
from gateway.delivery.plan import MqttPlan

__all__ = ["PAYLOAD", "WINDOW", "main"]

WINDOW = 20
PAYLOAD = b"x" * 6_700
"""As long as an inventory of some elements."""
TOPIC = "tanks/bench/TK-1/inventory"


async def ours(port: int, messages: int) -> tuple[float, float]:
    to_send, unsettled = messages, messages
    done = asyncio.Event()

    def settled(number: int, refusal: Refusal | None) -> None:
        nonlocal to_send, unsettled
        unsettled -= 1
        if to_send:
            to_send -= 1
            connection.send(TOPIC, PAYLOAD)
        elif not unsettled:
            done.set()

    connection = Connection(
        MqttPlan("127.0.0.1", port, window=WINDOW),
        client_id="bench",
        password=None,
        tls_context=None,
        will=Will("tanks/bench/gateway/status", b""),
        settled=settled,
        heard=lambda heard: None,
        subscribed=lambda refusal: None,
        wake=done.set,
    )
    await connection.open()
    begun = _now()
    for _ in range(WINDOW):
        to_send -= 1
        connection.send(TOPIC, PAYLOAD)
    await done.wait()
    found = _since(begun)
    await connection.close()
    return found


async def aiomqtt_(port: int, messages: int) -> tuple[float, float]:
    """As many publishes under way as the window lets, each by a task of its own, since each waits."""
    left = messages

    async def publish(client: aiomqtt.Client) -> None:
        nonlocal left
        while left:
            left -= 1
            await client.publish(TOPIC, PAYLOAD, qos=1, retain=True)

    async with aiomqtt.Client("127.0.0.1", port, identifier="bench", max_inflight_messages=WINDOW) as client:
        client.pending_calls_threshold = WINDOW + 1
        begun = _now()
        async with asyncio.TaskGroup() as tasks:
            for _ in range(WINDOW):
                tasks.create_task(publish(client))
        return _since(begun)


CLIENTS: dict[str, Callable[[int, int], Coroutine[None, None, tuple[float, float]]]] = {
    "ours": ours,
    "aiomqtt": aiomqtt_,
}


def _now() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _since(begun: tuple[float, float]) -> tuple[float, float]:
    return time.perf_counter() - begun[0], time.process_time() - begun[1]


def main(kind: str, port: str, messages: str) -> None:
    print(*uvloop.run(CLIENTS[kind](int(port), int(messages))))


if __name__ == "__main__":
    main(*sys.argv[1:])
