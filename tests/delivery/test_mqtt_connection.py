"""One connection, against servers of a few lines that do what a good one does not."""

import asyncio
import contextlib
import gc
import socket
import ssl
import struct
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
import trustme
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import ConnectionEndedError, Ended, EndedBy, Refusal, Will
from gateway.errors import DeliveryError
from tests.support.deliveries import make_delivery, plan_for, running, until
from tests.support.mosquitto import free_port

ACCEPTED = bytes([0x20, 0x02, 0x00, 0x00])
"""CONNACK of MQTT 3.1.1 (section 3.2)."""
STARTS = tuple(map(bytes.fromhex, ("40020001", "4000", "3005", "3205000173", "900300", "2002", "e000")))
"""Of PUBACK, PUBLISH, SUBACK, CONNACK and DISCONNECT."""
Script = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class Told:
    """What a connection has said."""

    def __init__(self) -> None:
        self.heard: list[tuple[bytes, bool]] = []
        self.settled: list[tuple[int, Refusal | None]] = []
        self.subscribed: list[str | None] = []
        self.wakes = 0

    def connection(self, port: int, tls: ssl.SSLContext | None = None, **changes: Any) -> Connection:
        def wake() -> None:
            self.wakes += 1

        return Connection(
            plan_for(port, **changes),
            client_id="gateway",
            password=None,
            tls_context=tls,
            will=Will("status", b"gone"),
            settled=lambda number, refusal: self.settled.append((number, refusal)),
            heard=lambda heard: self.heard.append((heard.payload, heard.retained)),
            subscribed=self.subscribed.append,
            wake=wake,
        )


@asynccontextmanager
async def server(script: Script, tls: ssl.SSLContext | None = None) -> AsyncIterator[int]:
    """Plays `script` to every client; gives the port."""

    async def play(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                await script(reader, writer)
        finally:
            writer.close()

    listener = await asyncio.start_server(play, "127.0.0.1", 0, ssl=tls, limit=1 << 16)
    async with listener:
        yield listener.sockets[0].getsockname()[1]


async def packet(reader: asyncio.StreamReader) -> int:
    """Read one packet; its first byte."""
    (kind,) = await reader.readexactly(1)
    length = shift = 0
    while True:
        (byte,) = await reader.readexactly(1)
        length |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            break
    await reader.readexactly(length)
    return int(kind)


async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await packet(reader)
    writer.write(ACCEPTED)
    await writer.drain()


@pytest.fixture
def complaints() -> list[dict[str, Any]]:
    """What the loop of this test complains of."""
    return []


@pytest.fixture(autouse=True)
async def no_complaint(complaints: list[dict[str, Any]]) -> AsyncIterator[None]:
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: complaints.append(context))
    yield
    for _ in range(5):
        await asyncio.sleep(0)
    assert complaints == []


async def test_a_write_that_closes_the_socket_leaves_nothing_watched() -> None:
    """The server reads nothing, so that a write waits for room; then it resets the connection: that write ends it."""
    go_on = asyncio.Event()

    async def reset(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        await go_on.wait()
        opened = writer.get_extra_info("socket")
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    told = Told()
    async with server(reset) as port:
        connection = told.connection(port)
        await connection.open()
        for _ in range(20):
            connection.send("tanks/harbour/TK-1/inventory", b"x" * 1_000_000)
        await asyncio.sleep(0)
        assert told.wakes == 0
        go_on.set()
        await until(lambda: connection.ended)
    assert connection.ended == Ended("server closed the connection", EndedBy.SERVER)
    assert told.wakes == 1
    with pytest.raises(ConnectionEndedError, match="server closed the connection"):
        connection.send("tanks/harbour/TK-1/inventory", b"x")
    connection.abort()


async def test_after_an_abort_nothing_is_written_that_was_still_to_come() -> None:
    async def nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        read.append(await reader.read())

    read: list[bytes] = []
    async with server(nothing) as port:
        connection = Told().connection(port)
        await connection.open()
        connection.send("tanks/harbour/TK-1/inventory", b"x")
        connection.abort()
        await until(lambda: read)
    assert read == [b""], "the publish was handed over, and not even DISCONNECT followed"


async def test_a_server_that_answers_no_ping_is_silent_and_has_not_ended_the_connection_itself() -> None:
    async def nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        await reader.read()

    told = Told()
    async with server(nothing) as port:
        connection = told.connection(port, keepalive_s=1)
        await connection.open()
        await until(lambda: connection.ended)
        connection.abort()
    assert connection.ended == Ended("Keep alive timeout", EndedBy.SILENCE)


async def test_bytes_that_are_no_mqtt_end_the_connection() -> None:
    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        # PUBLISH of two bytes that announce a topic of 65,535.
        writer.write(bytes([0x30, 0x02, 0xFF, 0xFF]))
        await reader.read()

    told = Told()
    async with server(speak) as port:
        connection = told.connection(port)
        await connection.open()
        await until(lambda: connection.ended)
        connection.abort()
    assert told.heard == []


@pytest.mark.parametrize("answer", [b"\x20\x00", b"\x00" * 9, b"\xff" * 9, b"SSH-2.0-server\r\n"])
async def test_a_server_of_another_kind_is_told_in_a_sentence(answer: bytes) -> None:
    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await packet(reader)
        writer.write(answer)
        await reader.read()

    async with server(speak) as port:
        with pytest.raises(DeliveryError, match=r"^(what the server sent is not|server did not answer within 0\.2 s)"):
            await Told().connection(port, timeout_s=0.2).open()


@given(st.binary(max_size=40) | st.builds(bytes.__add__, st.sampled_from(STARTS), st.binary(max_size=12)))
@settings(max_examples=60)
def test_whatever_a_server_sends_ends_the_connection_at_most(sent: bytes) -> None:
    """Bytes of no sense, and packets that begin well; then the server closes the connection."""

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        writer.write(sent)

    async def converse() -> None:
        complaints: list[dict[str, Any]] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: complaints.append(context))
        async with server(speak) as port:
            connection = Told().connection(port)
            await connection.open()
            for number in range(3):
                with contextlib.suppress(ConnectionEndedError):
                    connection.send(f"tanks/harbour/TK-{number}/inventory", b"x")
            await until(lambda: connection.ended)
            connection.abort()
            await asyncio.sleep(0)
        assert complaints == []

    asyncio.run(converse())


async def test_messages_that_come_in_one_piece_of_tls_are_all_heard() -> None:
    """A second message in the same record makes no socket readable: it has been deciphered already."""
    authority = trustme.CA()
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(theirs)
    ours = ssl.create_default_context(cadata=authority.cert_pem.bytes().decode())

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        assert await packet(reader) == 0x82
        publish = bytes([0x31, 0x07, 0x00, 0x01]) + b"s"
        # SUBACK, and two retained PUBLISH on the topic `s`.
        writer.write(bytes([0x90, 0x03, 0x00, 0x01, 0x00]) + publish + b"before"[:4] + publish + b"news")
        await reader.read()

    told = Told()
    async with server(speak, theirs) as port:
        connection = told.connection(port, ours)
        await connection.open()
        connection.subscribe("s")
        await until(lambda: len(told.heard) == 2)
        connection.abort()
    assert told.subscribed == [None]
    assert told.heard == [(b"befo", True), (b"news", True)]


async def test_a_subscription_that_is_refused_is_told() -> None:
    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await accept(reader, writer)
        await packet(reader)
        writer.write(bytes([0x90, 0x03, 0x00, 0x01, 0x80]))
        await reader.read()

    told = Told()
    async with server(refuse) as port:
        connection = told.connection(port)
        await connection.open()
        connection.subscribe("status")
        await until(lambda: told.subscribed)
        connection.abort()
    assert told.subscribed == ["Unspecified error"]


async def test_a_dial_given_up_is_closed_when_it_stands_after_all() -> None:
    """The server's queue is full when the dial begins, and has room when nobody waits any more."""
    with socket.socket() as listener, socket.socket() as filler:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        filler.connect(listener.getsockname())
        opening = asyncio.create_task(Told().connection(listener.getsockname()[1]).open())
        await asyncio.sleep(0.1)  # the dial hangs by then, or has not begun: it must end in both cases
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        listener.settimeout(20.0)
        first, _ = await asyncio.to_thread(listener.accept)
        ours, _ = await asyncio.to_thread(listener.accept)
        with first, ours:
            ours.settimeout(20.0)
            read = b""
            while piece := await asyncio.to_thread(ours.recv, 4096):
                read += piece
        assert read[:1] in (b"", b"\x10"), "at most CONNECT"


async def test_what_a_failed_try_needed_is_gone_without_the_collector() -> None:
    """The daemon lets the collector of cycles look rarely; a broker may be away for weeks."""
    gc.collect()
    gc.disable()
    try:
        before = sum(isinstance(each, paho.Client) for each in gc.get_objects())
        for _ in range(20):
            with pytest.raises(DeliveryError, match="Connection refused"):
                await Told().connection(free_port()).open()
        await asyncio.sleep(0)
        assert sum(isinstance(each, paho.Client) for each in gc.get_objects()) - before <= 1
    finally:
        gc.enable()


async def test_threads_do_not_gather_where_a_name_server_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    answer = threading.Event()

    def silent(*_: object, **__: object) -> None:
        answer.wait(20.0)
        raise OSError("no such name")

    monkeypatch.setattr(socket, "getaddrinfo", silent)
    try:
        with capture_logs() as logs:
            async with running(make_delivery(1883, timeout_s=0.01)):
                await until(lambda: len(logs) == 2)
        assert [entry["reason"] for entry in logs] == [
            "server did not answer within 0.03 s",
            "the try before is not over: is there a name server that answers?",
        ]
        assert sum(thread.name == "mqtt dial" for thread in threading.enumerate()) == 1
    finally:
        answer.set()


def test_the_process_ends_though_a_name_server_is_silent() -> None:
    """As outside as can be: a process whose name server never answers is told to stop, and is gone."""
    program = """
import asyncio, socket, threading
from tests.support.deliveries import make_delivery

asked = threading.Event()

def silent(*_, **__):
    asked.set()
    threading.Event().wait()

socket.getaddrinfo = silent

async def main():
    running = asyncio.create_task(make_delivery(1883).run())
    await asyncio.to_thread(asked.wait)
    running.cancel()
    await asyncio.wait([running])
    print("stopped", flush=True)

asyncio.run(main())
"""
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=Path(__file__).parents[2], capture_output=True, timeout=30, check=False
    )
    assert (done.returncode, done.stdout) == (0, b"stopped\n"), done.stderr.decode()
