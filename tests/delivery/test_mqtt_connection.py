"""A connection whose socket is closed by the very write that asked for more room in it."""

import asyncio
import socket
from typing import Any

import aiomqtt
import pytest

from gateway.delivery.mqtt_connection import Connection
from tests.support.deliveries import plan_for


def _connection() -> Connection:
    return Connection(
        plan_for(1883),
        client_id="gateway",
        password=None,
        tls_context=None,
        will=aiomqtt.Will("status"),
        settled=lambda number, refusal: None,
        wake=lambda: None,
    )


async def _complaints() -> list[dict[str, Any]]:
    """What the loop complains of in its next turns."""
    found: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: found.append(context))
    for _ in range(5):
        await asyncio.sleep(0)
    return found


@pytest.fixture
def pair() -> Any:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    with ours, theirs:
        yield ours, theirs


async def test_a_write_that_closes_the_socket_leaves_it_alone(
    pair: tuple[socket.socket, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    connection = _connection()
    monkeypatch.setattr(connection._client, "want_write", lambda: True)
    monkeypatch.setattr(connection._client, "loop_write", pair[0].close)
    connection._write(pair[0])
    assert await _complaints() == []


async def test_a_socket_that_is_closed_right_after_is_not_watched(
    pair: tuple[socket.socket, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As paho does: it says so before it closes."""
    connection = _connection()
    monkeypatch.setattr(connection._client, "want_write", lambda: True)
    monkeypatch.setattr(connection._client, "loop_write", lambda: None)

    connection._write(pair[0])
    connection._on_socket_unregister_write(connection._client, None, pair[0])
    pair[0].close()
    assert await _complaints() == []
