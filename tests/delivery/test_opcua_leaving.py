"""Connections of OPC UA that end: by being cut off, and after their session has gone on over another one."""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, ExitStack, suppress
from pathlib import Path

import pytest_asyncio
from asyncua import Client, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256

from gateway.delivery.opcua.certificates import Certificates
from tests.support.opcua_peer import CLIENT_URI, client_certificate
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


async def test_whoever_goes_on_sending_hears_why_it_was_cut_off(served: Yard) -> None:
    """A connection that is closed while more comes in is reset by the system, and what was said last with it (RFC 9293,
    section 3.10.7; RFC 1122, section 4.2.2.13)."""
    reader, writer = await asyncio.open_connection("127.0.0.1", served.plan.port)
    for _ in range(3):
        writer.write(b"GET / HTTP/1.1\r\n\r\n")
        await asyncio.sleep(0.1)
    async with asyncio.timeout(30.0):
        said = await reader.read()
    writer.close()
    assert said[:4] == b"ERRF"
    assert said.endswith(b"it sends something that is not OPC UA")


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


async def _goes_on(first: Client, second: Client) -> None:
    """With the session of the first, as after a cable was pulled."""
    await second.connect_socket()
    await second.send_hello()
    await second.open_secure_channel()
    second.uaclient.protocol.authentication_token = first.uaclient.protocol.authentication_token
    request = ua.ActivateSessionParameters()
    request.UserIdentityToken = ua.AnonymousIdentityToken(PolicyId="anonymous")
    await second.uaclient.activate_session(request)


async def test_a_session_that_has_gone_on_over_another_connection_outlives_the_first(served: Yard) -> None:
    """That the first has ended the server hears late."""
    first, second = Client(served.url, watchdog_intervall=60.0), Client(served.url, watchdog_intervall=60.0)
    await first.connect()
    try:
        await _goes_on(first, second)
        first.uaclient.protocol.transport.abort()
        await asyncio.sleep(0.5)
        assert (await second.get_node(_LEVEL).read_data_value()).StatusCode.is_good()
    finally:
        second.disconnect_socket()
        first.disconnect_socket()


class _Heard:
    def __init__(self) -> None:
        self.values: list[float] = []

    def datachange_notification(self, _: object, value: float, __: object) -> None:
        self.values.append(value)


async def test_what_changes_while_nobody_is_connected_waits_for_whoever_comes_back(served: Yard) -> None:
    """Not all clients ask again for what they missed: one that does not would show the number before as Good."""
    first, second, heard = Client(served.url), Client(served.url, watchdog_intervall=60.0), _Heard()
    await first.connect()
    try:
        made = await first.create_subscription(100, heard)
        await made.subscribe_data_change(first.get_node(_LEVEL))
        await served.until(lambda: heard.values == [1.0])
        first.uaclient.protocol.transport.abort()
        served.made.offer(sheet("TK-1", 2, level=good(2.0)))
        await served.told()
        await asyncio.sleep(0.5)
        await _goes_on(first, second)
        async with asyncio.timeout(5):
            told = await second.uaclient.publish([])
        (data,) = told.Parameters.NotificationMessage.NotificationData
        assert [each.Value.Value.Value for each in data.MonitoredItems] == [2.0]
    finally:
        second.disconnect_socket()
        first.disconnect_socket()


async def test_a_subscription_that_is_transferred_to_another_session_is_told_there(tmp_path: Path) -> None:
    files = client_certificate(tmp_path, "panel")
    plan = plan_for(tmp_path, security=("Basic256Sha256",))
    Certificates(plan.certificates).trust(files.read)
    heard = _Heard()
    async with yard(plan) as made, AsyncExitStack() as stack:
        made.made.offer(sheet("TK-1", 1, level=good(1.0)))
        await made.told()
        clients = []
        for _ in range(2):
            client = Client(made.url, watchdog_intervall=60.0)
            client.application_uri = CLIENT_URI
            await client.set_security(SecurityPolicyBasic256Sha256, files.certificate, files.key)
            await client.connect()
            stack.callback(client.disconnect_socket)
            clients.append(client)
        first, second = clients
        subscription = await first.create_subscription(100, heard)
        await subscription.subscribe_data_change(first.get_node(_LEVEL))
        await made.until(lambda: heard.values == [1.0])
        first.uaclient.protocol.transport.abort()
        transfer = ua.TransferSubscriptionsParameters(SubscriptionIds=[subscription.subscription_id])
        (result,) = await second.uaclient.transfer_subscriptions(transfer)
        assert result.StatusCode.is_good()
        made.made.offer(sheet("TK-1", 2, level=good(2.0)))
        async with asyncio.timeout(5):
            told = await second.uaclient.publish([])
        (data,) = told.Parameters.NotificationMessage.NotificationData
        assert [each.Value.Value.Value for each in data.MonitoredItems] == [2.0]
