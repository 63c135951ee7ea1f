"""Connections of OPC UA that end: by being cut off, and after their session has gone on over another one."""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, ExitStack, suppress
from pathlib import Path

import pytest_asyncio
from asyncua import Client, ua

from tests.support.opcua_yard import Yard, good, node, plan_for, processes, sheet, yard

_SESSIONS = 3
_LEVEL = node("TK-1/level")
_GREETING = b"HELF" + struct.pack("<IIIIIIi", 32, 0, 65_535, 65_535, 0, 0, -1)


@pytest_asyncio.fixture
async def served(tmp_path: Path) -> AsyncIterator[Yard]:
    async with yard(plan_for(tmp_path, sessions=_SESSIONS)) as made:
        made.made.offer(sheet("TK-1", 1, level=good(1.0)))
        await made.told()
        yield made


def _descriptors(process: int) -> int:
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


async def test_whoever_is_cut_off_and_stays_on_the_line_has_no_place_any_more(served: Yard) -> None:
    async with AsyncExitStack() as stack:
        for _ in range(_SESSIONS):
            reader, writer = await asyncio.open_connection("127.0.0.1", served.plan.port)
            stack.callback(writer.close)
            writer.write(b"GET / HTTP/1.1\r\n\r\n")
            assert (await reader.read(4)) == b"ERRF"
        reader, writer = await asyncio.open_connection("127.0.0.1", served.plan.port)
        stack.callback(writer.close)
        writer.write(_GREETING)
        assert (await reader.read(4)) == b"ACKF"


async def test_those_who_are_turned_away_and_stay_on_the_line_hold_few_descriptors(served: Yard) -> None:
    """Else whoever comes often enough takes all of the process, and it can read no file any more."""
    (process,) = processes()
    before = most = _descriptors(process)
    with ExitStack() as stack:
        for number in range(500):
            one = stack.enter_context(socket.socket())
            one.setblocking(False)
            with suppress(BlockingIOError):
                one.connect(("127.0.0.1", served.plan.port))
            if number % 20 == 19:
                await asyncio.sleep(0.01)
                most = max(most, _descriptors(process))
        await served.until(lambda: len(served.made.status().clients) == _SESSIONS)
    # Those who have a place, a hundred who may hear that there is none, and who has come just now.
    assert most - before <= _SESSIONS + 200


async def test_a_session_that_has_gone_on_over_another_connection_outlives_the_first(served: Yard) -> None:
    """As after a cable was pulled: that the first has ended the server hears late."""
    first, second = Client(served.url, watchdog_intervall=60.0), Client(served.url, watchdog_intervall=60.0)
    await first.connect()
    try:
        await second.connect_socket()
        await second.send_hello()
        await second.open_secure_channel()
        second.uaclient.protocol.authentication_token = first.uaclient.protocol.authentication_token
        request = ua.ActivateSessionParameters()
        request.UserIdentityToken = ua.AnonymousIdentityToken(PolicyId="anonymous")
        await second.uaclient.activate_session(request)
        first.uaclient.protocol.transport.abort()
        await asyncio.sleep(0.5)
        assert (await second.get_node(_LEVEL).read_data_value()).StatusCode.is_good()
    finally:
        second.disconnect_socket()
        first.disconnect_socket()
