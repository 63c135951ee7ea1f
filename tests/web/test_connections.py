"""Nobody can keep others from the HTTP interface: silent, slow and countless peers on real sockets."""

import asyncio
import ipaddress
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import httpx
import pytest
from structlog.testing import capture_logs

from gateway.web import connections
from gateway.web.access.access import Access
from gateway.web.access.plan import AccessPlan
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from tests.web.access.gate import Gate

_PATIENCE_S = 30.0
_LARGE = b"x" * 8_000_000
"""More than the buffers of both ends of a connection hold."""
READY = Readiness(True, 1, 1, 1, 1, 0, 0)


@asynccontextmanager
async def serving(most: int = 16, proxy: str | None = None, access: Access | None = None) -> AsyncIterator[int]:
    """The port of a server with room for `most` connections, a quarter of them from one address, but for a proxy."""
    plan = AccessPlan(trusted_proxy=None if proxy is None else ipaddress.ip_network(proxy))
    server = HttpServer(
        HttpPlan("127.0.0.1", 0, connections=most, access=plan),
        metrics=lambda: b"metrics 1\n",
        inventories=lambda: _LARGE,
        healthy=lambda: True,
        readiness=lambda: READY,
        access=access,
    )
    task = asyncio.create_task(server.run())
    while server.port is None:  # noqa: ASYNC110 (bound in a thread)
        await asyncio.sleep(0.005)
    try:
        yield server.port
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


class Peer:
    """A connection from an address of its own choice: all of 127.0.0.0/8 is this machine."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    @classmethod
    async def connected(cls, port: int, *, of: str = "127.0.0.1") -> "Peer":
        return cls(*await asyncio.open_connection("127.0.0.1", port, local_addr=(of, 0), limit=2**10))

    async def asked(self, path: str = "/metrics") -> str:
        """The first line of the answer; empty where the connection ends instead."""
        with suppress(ConnectionError):
            self.writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            async with asyncio.timeout(_PATIENCE_S):
                return (await self.reader.readline()).decode().strip()
        return ""

    async def is_closed(self) -> bool:
        async with asyncio.timeout(_PATIENCE_S):
            try:
                while await self.reader.read(2**16):
                    pass
            except ConnectionError:
                pass
        return True

    def close(self) -> None:
        self.writer.transport.abort()


@asynccontextmanager
async def peers(count: int, port: int, *, of: list[str], sending: bytes = b"") -> AsyncIterator[list[Peer]]:
    made = []
    for number in range(count):
        peer = await Peer.connected(port, of=of[number % len(of)])
        with suppress(ConnectionError):
            peer.writer.write(sending)
        made.append(peer)
    try:
        yield made
    finally:
        for peer in made:
            peer.close()


OK = "HTTP/1.1 200 OK"


@pytest.mark.parametrize("sending", [b"", b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "])
@pytest.mark.parametrize("of", [["127.0.0.1"], [f"127.0.0.{number}" for number in range(2, 60)]])
async def test_two_hundred_half_open_connections_lock_nobody_out(sending: bytes, of: list[str]) -> None:
    async with serving() as port, peers(200, port, of=of, sending=sending):
        for _ in range(5):
            peer = await Peer.connected(port)
            assert await peer.asked() == OK
            peer.close()


async def test_descriptors_stay_within_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    def held() -> int:
        return len(os.listdir("/proc/self/fd"))

    monkeypatch.setattr(connections, "_REQUEST_S", 600.0)
    async with serving(most=16) as port:
        before = held()
        async with peers(200, port, of=[f"127.0.1.{number}" for number in range(1, 200)]) as made:
            last = await Peer.connected(port)
            assert await last.asked() == OK
            # Each of ours has a descriptor in this process too; those of the server are what is more.
            async with asyncio.timeout(_PATIENCE_S):
                while held() - before - len(made) - 1 > 16:  # noqa: ASYNC110 (nothing tells when)
                    await asyncio.sleep(0.01)
            last.close()


async def test_one_address_cannot_take_more_than_its_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixteen places, four for one: the other address keeps what it has, and the fifth takes the place of the first."""
    monkeypatch.setattr(connections, "_REQUEST_S", 600.0)
    async with serving(most=16) as port:
        other = await Peer.connected(port, of="127.0.0.9")
        async with peers(40, port, of=["127.0.0.1"]) as made:
            for peer in made[:36]:
                assert await peer.is_closed()
            assert [await peer.asked() for peer in made[36:]] == [OK] * 4
            assert await other.asked() == OK
        other.close()


async def test_a_proxy_by_which_many_come_has_more_than_one_share(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_REQUEST_S", 600.0)
    async with serving(most=16, proxy="127.0.0.5") as port:
        async with peers(14, port, of=["127.0.0.5"]) as made:
            other = await Peer.connected(port)
            assert [await peer.asked() for peer in made] == [OK] * 14
            assert await other.asked() == OK
            other.close()
        async with peers(40, port, of=["127.0.0.5"]):
            last = await Peer.connected(port)
            assert await last.asked() == OK, "nor has it more than there is"
            last.close()


@pytest.mark.parametrize("sending", [b"", b"GET /metrics HTTP/1.1\r\nX: "])
async def test_who_says_nothing_or_half_of_it_is_let_go(sending: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_REQUEST_S", 0.2)
    async with serving() as port:
        peer = await Peer.connected(port)
        peer.writer.write(sending)
        assert await peer.is_closed()
        peer.close()


async def _trickle(peer: Peer) -> None:
    """A byte each hundredth of a second, for as long as it is taken."""
    with suppress(ConnectionError):
        while True:
            peer.writer.write(b"x")
            await asyncio.sleep(0.01)


async def test_who_says_it_a_byte_at_a_time_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_REQUEST_S", 0.3)
    async with serving() as port:
        peer = await Peer.connected(port)
        peer.writer.write(b"GET /metrics HTTP/1.1\r\nX: ")
        trickling = asyncio.create_task(_trickle(peer))
        assert await peer.is_closed()
        trickling.cancel()
        peer.close()


async def test_a_body_that_never_ends_ends_its_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer has been given; what trickles in after it would keep uvicorn's own idle time from passing."""
    monkeypatch.setattr(connections, "_REQUEST_S", 0.3)
    async with serving() as port:
        peer = await Peer.connected(port)
        peer.writer.write(b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1000000\r\n\r\n")
        trickling = asyncio.create_task(_trickle(peer))
        assert await peer.is_closed()
        trickling.cancel()
        peer.close()


@pytest.mark.parametrize(
    "sending",
    [
        b"GET /health HTTP/1.1\r\n\r\n",
        b"GET /health HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"\x16\x03\x01\x02\x00\r\n\r\n",
        b"GET /h\xc3\xa9 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n{",
    ],
)
async def test_what_is_no_request_is_answered_with_all_that_a_browser_is_told(sending: bytes) -> None:
    async with serving() as port:
        peer = await Peer.connected(port)
        peer.writer.write(sending)
        head = (await peer.reader.readuntil(b"\r\n\r\n")).decode().lower()
        assert head.startswith("http/1.1 400 ")
        for header in ("content-security-policy: default-src 'none'", "cache-control: no-store", "connection: close"):
            assert header in head
        assert await peer.is_closed()
        peer.close()


@pytest.mark.parametrize("length", [b"4", b"0", b"48"])
async def test_what_has_two_lengths_is_one_request_and_the_last(length: bytes) -> None:
    """RFC 9112, section 6.1: what is a body to a proxy before us is no second request to us, and nobody's answer."""
    sending = b"POST /api/1/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: %s\r\n" % length
    sending += b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    async with serving() as port:
        peer = await Peer.connected(port)
        peer.writer.write(sending)
        async with asyncio.timeout(_PATIENCE_S):
            answer = await peer.reader.read()
        assert answer.startswith(b"HTTP/1.1 400 ")
        assert answer.count(b"HTTP/1.1 ") == 1
        peer.close()


_SIGN_IN = b"POST /api/1/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"


@pytest.mark.parametrize(
    "sending", [b"Content-Length: 60000\r\n\r\n{", b"Transfer-Encoding: chunked\r\n\r\n1\r\n{\r\n"]
)
async def test_who_keeps_a_body_back_is_awaited_as_one_who_keeps_a_head_back(
    sending: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No more time, and no more right to stay: it is the same silence a line later."""
    of = [f"127.0.0.{number}" for number in range(2, 60)]
    gate = Gate(tmp_path)
    async with serving(access=gate.access) as port, peers(200, port, of=of, sending=_SIGN_IN + sending):
        last = await Peer.connected(port)
        assert await last.asked("/health") == OK, "nobody is locked out"
        last.close()
        monkeypatch.setattr(connections, "_REQUEST_S", 0.3)
        peer = await Peer.connected(port)
        peer.writer.write(_SIGN_IN + sending)
        assert await peer.is_closed()
        peer.close()
    gate.end()


async def test_who_goes_before_the_end_of_his_request_is_no_fault(tmp_path: Path) -> None:
    """Nobody who has not signed in fills the log with faults of the program."""
    gate = Gate(tmp_path)
    with capture_logs() as logs:
        async with serving(access=gate.access) as port:
            for path in (b"sign-in", b"join"):
                peer = await Peer.connected(port)
                peer.writer.write(_SIGN_IN.replace(b"sign-in", path) + b"Content-Length: 100\r\n\r\n{")
                await asyncio.sleep(0.05)
                peer.close()
                await asyncio.sleep(0.05)
            last = await Peer.connected(port)
            assert await last.asked("/health") == OK
            last.close()
    gate.end()
    assert [line["event"] for line in logs if line["log_level"] == "error"] == []


async def test_who_does_not_take_its_answer_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_ANSWER_S", 0.3)
    async with serving() as port:
        # A window of a few kilobytes, never opened again.
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(sock, ("127.0.0.1", port))
        await loop.sock_sendall(sock, b"GET /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        taken = 0
        await asyncio.sleep(0.6)
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(ConnectionError):
                while some := await loop.sock_recv(sock, 2**20):
                    taken += len(some)
        assert taken < len(_LARGE)
        sock.close()


async def test_slow_readers_do_not_lock_out_those_who_ask_for_little(monkeypatch: pytest.MonkeyPatch) -> None:
    """More of them than there is room for: the oldest of the answers gives way once it is no longer protected."""
    monkeypatch.setattr(connections, "_PROTECTED_S", 0.0)
    sending = b"GET /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    async with serving() as port, peers(60, port, of=["127.0.0.1"], sending=sending):
        await asyncio.sleep(0.1)
        peer = await Peer.connected(port)
        assert await peer.asked() == OK
        peer.close()


async def test_an_answer_under_way_is_not_cut_off_for_a_newcomer() -> None:
    """Four places for one address, all of them taken by answers that have just begun: the fifth is let go."""
    sending = b"GET /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    async with serving() as port, peers(4, port, of=["127.0.0.1"], sending=sending) as made:
        async with asyncio.timeout(_PATIENCE_S):
            assert [await peer.reader.readline() for peer in made] == [b"HTTP/1.1 200 OK\r\n"] * 4
        fifth = await Peer.connected(port)
        assert await fifth.is_closed()
        other = await Peer.connected(port, of="127.0.0.2")
        assert await other.asked() == OK
        for peer in made:
            head = await peer.reader.readuntil(b"\r\n\r\n")
            assert f"content-length: {len(_LARGE)}".encode() in head
            async with asyncio.timeout(_PATIENCE_S):
                assert await peer.reader.readexactly(len(_LARGE)) == _LARGE
        for peer in (fifth, other):
            peer.close()


async def test_a_connection_serves_many_requests() -> None:
    async with serving() as port, httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        for _ in range(20):
            assert (await client.get("/metrics")).text == "metrics 1\n"
        assert len((await client.get("/inventories")).content) == len(_LARGE)
        assert (await client.get("/metrics")).text == "metrics 1\n"


async def test_silence_between_two_requests_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_REQUEST_S", 0.3)
    async with serving() as port:
        peer = await Peer.connected(port)
        assert await peer.asked() == OK
        assert await peer.is_closed()
        peer.close()


@pytest.mark.parametrize(
    ("address", "peer"),
    [
        (("192.0.2.7", 1), "192.0.2.7"),
        (("::ffff:192.0.2.7", 1, 0, 0), "192.0.2.7"),
        (("2001:db8:1:2:3:4:5:6", 1, 0, 0), "2001:db8:1:2::/64"),
        (("fe80::1%eth0", 1, 0, 2), "fe80::/64"),
        (None, ""),
        ("", ""),
        (("no address", 1), ""),
    ],
)
def test_who_counts_as_one_peer(address: object, peer: str) -> None:
    class Transport(asyncio.Transport):
        def get_extra_info(self, name: str, default: object = None) -> object:
            return address

    assert connections._peer(Transport()) == peer
