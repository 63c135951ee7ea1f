"""Clients of the OPC UA server that mean harm, or are broken: cut off with a sentence, while another one reads on."""

import asyncio
import random
import secrets
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import NamedTuple

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.common.utils import ServiceError

from tests.support.opcua_peer import Peer, peer
from tests.support.opcua_yard import Yard, good, node, plan_for, sheet, yard

pytestmark = pytest.mark.asyncio(loop_scope="module")
_SESSIONS = 6
_LEVEL = node("TK-1/level")


class Beset(NamedTuple):
    yard: Yard
    peer: Peer


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def beset(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Beset]:
    async with yard(plan_for(tmp_path_factory.mktemp("opcua"), sessions=_SESSIONS)) as made, peer() as client:
        made.made.offer(sheet("TK-1", 1, level=good(1.0)))
        await made.told()
        await client.ask("connect", url=made.url)
        await client.ask("subscribe", nodes=[_LEVEL])
        await client.until(lambda told: told.get("value") == 1.0)
        yield Beset(made, client)


async def still_reads(beset: Beset) -> None:
    """The honest one gets what is new."""
    level = 2.0 + len(beset.peer.came)
    beset.yard.made.offer(sheet("TK-1", 2, level=good(level)))
    await beset.peer.until(lambda told: told.get("value") == level)


async def answer_to(beset: Beset, content: bytes) -> str:
    """What a stranger is told that sends these bytes, until it is cut off; empty: nothing."""
    reader, writer = await asyncio.open_connection("127.0.0.1", beset.yard.plan.port)
    try:
        writer.write(content)
        async with asyncio.timeout(15):
            with suppress(ConnectionError):
                told = await reader.read(-1)
                assert told[:3] == b"ERR", told[:40]
                return told[16:].decode()
    finally:
        writer.close()
    return ""


def chunk(kind: bytes, body: bytes, size: int | None = None) -> bytes:
    return kind + struct.pack("<I", len(body) + 8 if size is None else size) + body


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"GET / HTTP/1.1\r\nHost: tanks\r\n\r\n", "something that is not OPC UA"),
        (secrets.token_bytes(500), "something that is not OPC UA"),
        (chunk(b"MSGF", b"", 0xFFFFFFFF), "a chunk of 4294967295 bytes"),
        (chunk(b"HELF", b"", 60_000), "a chunk of 60000 bytes"),
        (chunk(b"HELF", struct.pack("<IIIIIi", 0, 1, 65_535, 0, 0, -1)), "chunks of less than 8192 bytes"),
        (chunk(b"HELF", b"\xff" * 40) * 2, "a greeting that is none"),
        (chunk(b"HELF", b"\xff" * 4), "a greeting that is none"),
        (chunk(b"OPNF", b"\x00" * 60), "a message that cannot be taken"),
        (chunk(b"MSGF", b"\x01\x00\x00\x00" * 8), "a message that cannot be taken"),
        (chunk(b"OPNF", struct.pack("<III", 0, 5, 0x7FFFFFFF) + b"x" * 20), "a message that cannot be taken"),
    ],
)
async def test_bytes_that_are_none_of_this_protocol(beset: Beset, content: bytes, sentence: str) -> None:
    assert sentence in await answer_to(beset, content)
    await still_reads(beset)


async def test_a_chunk_that_never_ends(beset: Beset) -> None:
    assert "not ended it within 10 s" in await answer_to(beset, b"HELF\x40\x00\x00\x00half")
    await still_reads(beset)


class Stranger(Client):  # type: ignore[misc]
    """Keeps what it sends."""

    sent: list[bytes]
    spoil: random.Random | None = None
    """By which the inside of what it sends is made wrong; None: it is left as it is."""


@asynccontextmanager
async def stranger(beset: Beset) -> AsyncIterator[Stranger]:
    """Connected as asyncua does, to do by its parts what an honest client does not."""
    client = Stranger(beset.yard.url, timeout=30, watchdog_intervall=60.0)
    client.sent = []
    await client.connect_socket()
    transport = client.uaclient.protocol.transport
    write = transport.write

    def kept(content: bytes) -> None:
        client.sent.append(bytes(content))
        inside = bytearray(content)
        if client.spoil is not None:
            for _ in range(client.spoil.randint(1, 6)):
                inside[client.spoil.randrange(24, len(inside))] = client.spoil.randrange(256)
        write(bytes(inside))

    transport.write = kept
    await client.send_hello()
    await client.open_secure_channel()
    await client.create_session()
    await client.activate_session()
    try:
        yield client
    finally:
        with suppress(Exception):
            await client.disconnect()


async def test_messages_with_a_few_bytes_that_are_wrong(beset: Beset) -> None:
    """What an honest client sends to sign in, read and subscribe, with up to four bytes of it changed or left out."""
    async with stranger(beset) as client:
        await client.get_node(_LEVEL).read_data_value()
        sent = [*client.sent]
    assert {each[:3] for each in sent} == {b"HEL", b"OPN", b"MSG"}
    chance = random.Random(2026)
    for _ in range(120):
        bad = [bytearray(each) for each in sent]
        for _ in range(chance.randint(1, 4)):
            one = chance.choice(bad)
            place = chance.randrange(len(one))
            if chance.random() < 0.2:
                del one[place]
            else:
                one[place] = chance.randrange(256)
        reader, writer = await asyncio.open_connection("127.0.0.1", beset.yard.plan.port)
        try:
            writer.write(b"".join(bad))
            with suppress(ConnectionError, TimeoutError):
                async with asyncio.timeout(0.05):
                    await reader.read(-1)
        finally:
            writer.close()
    await still_reads(beset)
    await beset.yard.until(lambda: len(beset.yard.made.status().clients) == 1)


async def test_requests_whose_inside_is_wrong(beset: Beset) -> None:
    """On a channel and in a session that are right: behind the heads (24 bytes) up to six bytes of each are not."""
    item = ua.ReadValueId(ua.NodeId.from_string(_LEVEL), ua.AttributeIds.Value)
    read, browse, subscribe, watch, history = (
        ua.ReadRequest(),
        ua.BrowseRequest(),
        ua.CreateSubscriptionRequest(),
        ua.CreateMonitoredItemsRequest(),
        ua.HistoryReadRequest(),
    )
    read.Parameters.NodesToRead = [item, item]
    browse.Parameters.NodesToBrowse = [ua.BrowseDescription(NodeId=ua.NodeId.from_string(node("tanks")))]
    subscribe.Parameters.RequestedPublishingInterval = 100.0
    asked = ua.MonitoredItemCreateRequest(ItemToMonitor=item)
    asked.RequestedParameters.Filter = ua.DataChangeFilter(ua.DataChangeTrigger.StatusValue, 1, 0.1)
    watch.Parameters.ItemsToCreate = [asked]
    history.Parameters.NodesToRead = [ua.HistoryReadValueId(item.NodeId)]
    history.Parameters.HistoryReadDetails = ua.ReadRawModifiedDetails()
    chance = random.Random(2027)
    for number in range(40):
        async with stranger(beset) as client:
            client.spoil, protocol = chance, client.uaclient.protocol
            for request in (read, browse, subscribe, watch, history):
                with suppress(ConnectionError):
                    protocol._send_request(request)
            await asyncio.sleep(0.02)
            if protocol.transport is not None:
                protocol.transport.abort()
        if number % 10 == 9:
            await still_reads(beset)
    await beset.yard.until(lambda: len(beset.yard.made.status().clients) == 1)


async def test_more_connections_than_may_be(beset: Beset) -> None:
    port = beset.yard.plan.port
    held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(30)]
    try:
        sentences = []
        for reader, _ in held[_SESSIONS - 1 :]:
            with suppress(ConnectionError):
                sentences.append((await reader.read(-1))[16:].decode())
        assert sentences
        assert set(sentences) <= {f"{_SESSIONS} are connected already, as many as may", ""}
        await still_reads(beset)
        # Those that have a place and never sign in give it to one that does.
        await asyncio.sleep(2.1)
        async with stranger(beset) as client:
            assert (await client.get_node(_LEVEL).read_data_value()).StatusCode.is_good()
        await still_reads(beset)
    finally:
        for _, writer in held:
            writer.close()
    await beset.yard.until(lambda: len(beset.yard.made.status().clients) == 1)


async def test_sessions_without_end_over_one_connection(beset: Beset) -> None:
    async with stranger(beset) as client:
        for _ in range(3):
            with pytest.raises((ua.UaError, ServiceError)):
                await client.create_session()
    await still_reads(beset)


async def test_subscriptions_to_everything_as_fast_as_possible(beset: Beset) -> None:
    async with stranger(beset) as client:

        class Nothing:
            def datachange_notification(self, *_: object) -> None: ...

        made = [await client.create_subscription(0, Nothing()) for _ in range(20)]
        assert {each.parameters.RequestedPublishingInterval for each in made} <= {0.0, 100.0}
        with pytest.raises(ua.UaError, match=r"(?i)subscriptions"):
            await client.create_subscription(1, Nothing())
        params = ua.CreateMonitoredItemsParameters()
        params.SubscriptionId = made[0].subscription_id
        asked = ua.MonitoredItemCreateRequest()
        asked.ItemToMonitor.NodeId = ua.NodeId.from_string(_LEVEL)
        asked.ItemToMonitor.AttributeId = ua.AttributeIds.Value
        asked.RequestedParameters.QueueSize = 2**31
        params.ItemsToCreate = [asked] * 9_000
        for _ in range(4):
            results = await client.uaclient.create_monitored_items(params)
            assert results[0].RevisedQueueSize == 10
        with pytest.raises(ua.UaError, match=r"(?i)monitored items|monitoreditems"):
            await client.uaclient.create_monitored_items(params)
        await still_reads(beset)
    await still_reads(beset)


async def test_arrays_that_are_said_to_be_huge_and_requests_for_too_much(beset: Beset) -> None:
    async with stranger(beset) as client:
        params = ua.ReadParameters()
        item = ua.ReadValueId(ua.NodeId.from_string(_LEVEL), ua.AttributeIds.Value)
        params.NodesToRead = [item] * 10_001
        with pytest.raises(ua.UaError, match=r"(?i)too many operations|toomany"):
            await client.uaclient.read(params)
        params.NodesToRead = [item] * 100_000
        with pytest.raises((ua.UaError, ConnectionError, TimeoutError)):
            await client.uaclient.read(params)
    await still_reads(beset)


async def test_one_that_asks_and_does_not_read(beset: Beset) -> None:
    async with stranger(beset) as client:
        protocol = client.uaclient.protocol
        protocol.transport.pause_reading()
        request = ua.ReadRequest()
        item = ua.ReadValueId(ua.NodeId.from_string(node("tanks/cautions")), ua.AttributeIds.Value)
        request.Parameters.NodesToRead = [item] * 9_000
        for _ in range(40):
            protocol._send_request(request)
        await beset.yard.until(lambda: len(beset.yard.made.status().clients) == 1)
        await still_reads(beset)


async def test_what_belongs_to_another_session(beset: Beset) -> None:
    async with stranger(beset) as one, stranger(beset) as other:

        class Nothing:
            def datachange_notification(self, *_: object) -> None: ...

        made = await one.create_subscription(500, Nothing())
        for number in range(60, 120):
            found = await other.uaclient.delete_subscriptions([number])
            assert found[0].name == "BadSubscriptionIdInvalid"
        await one.uaclient.delete_subscriptions([made.subscription_id])
    await still_reads(beset)
