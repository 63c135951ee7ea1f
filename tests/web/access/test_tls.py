"""TLS on a real socket: from files, taken anew when they change, and within the bounds of all connections."""

import asyncio
import ssl
import warnings
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
import trustme
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.clock import SystemClock
from gateway.errors import GatewayError
from gateway.web import connections
from gateway.web.access.certificate import CertificateError, first_certificate, holds_until
from gateway.web.access.plan import AccessPlan, TlsFiles
from gateway.web.access.tls import Tls, certificate_trouble
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from gateway.web.tls_door import Pace
from tests.web.access.gate import PASSWORD, Gate

_PATIENCE_S = 20.0
READY = Readiness(True, 1, 1, 1, 1, 0, 0)


class Issuer:
    """An authority, and the files of a server."""

    def __init__(self, folder: Path) -> None:
        self.authority = trustme.CA()
        self.files = TlsFiles(folder / "web.pem", folder / "web-key.pem")
        self.issue("127.0.0.1")

    def issue(self, *names: str) -> None:
        made = self.authority.issue_cert(*names)
        made.private_key_pem.write_to_path(self.files.key)
        for number, blob in enumerate(made.cert_chain_pems):
            blob.write_to_path(self.files.certificate, append=number > 0)

    @property
    def trusting(self) -> ssl.SSLContext:
        context = ssl.create_default_context()
        self.authority.configure_trust(context)
        return context


@pytest.fixture
def issuer(tmp_path: Path) -> Issuer:
    return Issuer(tmp_path)


@asynccontextmanager
async def serving(issuer: Issuer, gate: Gate | None = None, most: int = 16) -> AsyncIterator[HttpServer]:
    plan = HttpPlan("127.0.0.1", 0, connections=most, access=AccessPlan(False, tls=issuer.files))
    server = HttpServer(
        plan,
        metrics=lambda: b"metrics 1\n",
        inventories=lambda: b"{}",
        healthy=lambda: True,
        readiness=lambda: READY,
        access=None if gate is None else gate.access,
    )
    task = asyncio.create_task(server.run())
    async with asyncio.timeout(_PATIENCE_S):
        while server.port is None and not task.done():  # noqa: ASYNC110 (bound in a thread)
            await asyncio.sleep(0.005)
    if task.done():
        await task
    try:
        yield server
    finally:
        task.cancel()
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(asyncio.CancelledError):
                await task


def _client(server: HttpServer, trusting: ssl.SSLContext) -> httpx.AsyncClient:
    return httpx.AsyncClient(base_url=f"https://127.0.0.1:{server.port}", verify=trusting, timeout=_PATIENCE_S)


async def test_people_sign_in_over_tls(issuer: Issuer, gate: Gate) -> None:
    async with serving(issuer, gate) as server, _client(server, issuer.trusting) as client:
        assert (await client.get("/metrics")).status_code == 401
        code = await gate.invited("operator")
        answer = await client.post("/api/1/join", json={"code": code, "name": "anna", "password": PASSWORD})
        assert answer.headers["set-cookie"].startswith("__Host-tank-gateway-")
        assert answer.headers["strict-transport-security"].startswith("max-age=31536000")
        assert (await client.get("/metrics")).text == "metrics 1\n"


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_it_speaks_tls_of_today(issuer: Issuer, version: ssl.TLSVersion) -> None:
    trusting = issuer.trusting
    trusting.minimum_version = trusting.maximum_version = version
    async with serving(issuer) as server, _client(server, trusting) as client:
        assert (await client.get("/health")).status_code == 200


async def test_it_speaks_no_tls_of_yesterday(issuer: Issuer) -> None:
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    old.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    async with serving(issuer) as server:
        with pytest.raises((ssl.SSLError, ConnectionError)):
            await asyncio.open_connection("127.0.0.1", server.port, ssl=old)


async def test_a_certificate_that_changes_is_taken_and_no_connection_is_dropped(issuer: Issuer) -> None:
    async with serving(issuer) as server, _client(server, issuer.trusting) as client:
        tls = server._tls
        assert tls is not None
        assert await _names(server, issuer) == ["127.0.0.1"]
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port, ssl=issuer.trusting)
        assert (await client.get("/health")).status_code == 200
        issuer.issue("127.0.0.1", "tanks.example")
        await tls.look()
        assert await _names(server, issuer) == ["127.0.0.1", "tanks.example"]
        writer.write(b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert await reader.readline() == b"HTTP/1.1 200 OK\r\n", "opened before, and open still"
        writer.close()
        assert (await client.get("/health")).status_code == 200


async def test_a_pair_that_does_not_fit_leaves_the_one_before(issuer: Issuer, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    stranger = Issuer(other)
    async with serving(issuer) as server:
        tls = server._tls
        assert tls is not None
        certificate = issuer.files.certificate.read_bytes()
        for broken in (stranger.files.certificate.read_bytes(), certificate[:200], b"\xff" * 100):
            issuer.files.certificate.write_bytes(broken)
            with capture_logs() as logs:
                await tls.look()
                await tls.look()
            assert [line["event"] for line in logs] == ["tls.certificate_refused"], "said once"
            assert await _names(server, issuer) == ["127.0.0.1"]
        issuer.files.certificate.unlink()
        await tls.look()
        assert await _names(server, issuer) == ["127.0.0.1"]
        issuer.issue("127.0.0.1", "back.example")
        await tls.look()
        assert await _names(server, issuer) == ["127.0.0.1", "back.example"]


async def test_without_a_certificate_nothing_is_served_and_it_is_said(issuer: Issuer) -> None:
    issuer.files.key.unlink()
    with pytest.raises(GatewayError, match=r"cannot serve over TLS: .*web-key.pem: no such file or directory"):
        async with serving(issuer):
            pass


async def test_a_server_that_cannot_speak_tls_is_refused_before_another_ends_for_it(issuer: Issuer) -> None:
    """As a reload asks: what runs goes on."""
    plan = HttpPlan("127.0.0.1", 0, access=AccessPlan(tls=TlsFiles(issuer.files.certificate, issuer.files.certificate)))
    server = HttpServer(
        plan, metrics=lambda: b"", inventories=lambda: b"", healthy=lambda: True, readiness=lambda: READY
    )
    with pytest.raises(GatewayError, match="cannot serve over TLS"):
        await server.reserve(port_is_own=False)


async def test_silent_connections_before_the_handshake_keep_nobody_out(issuer: Issuer) -> None:
    """Sixteen places, of which one address has four: thirty that say nothing leave room for who speaks."""
    async with serving(issuer) as server:
        silent = [await asyncio.open_connection("127.0.0.1", server.port) for _ in range(30)]
        async with _client(server, issuer.trusting) as client:
            assert (await client.get("/health")).status_code == 200
        ended = 0
        for reader, _ in silent:
            with suppress(ConnectionError, TimeoutError):
                async with asyncio.timeout(0.05):
                    ended += await reader.read(1) == b""
        assert ended >= 26
        for _, writer in silent:
            writer.transport.abort()


async def test_plain_http_at_its_port_gets_no_answer_and_does_no_harm(issuer: Issuer) -> None:
    async with serving(issuer) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        with suppress(ConnectionError):
            assert b"metrics" not in await reader.read(1000)
        writer.close()
        async with _client(server, issuer.trusting) as client:
            assert (await client.get("/health")).status_code == 200


async def test_a_handshake_has_its_deadline(issuer: Issuer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.web.tls_door._HANDSHAKE_S", 0.05)
    async with serving(issuer) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(ConnectionError):
                assert await reader.read(1) == b""
        writer.close()


async def test_a_connection_over_tls_has_its_deadlines_too(issuer: Issuer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_REQUEST_S", 0.05)
    async with serving(issuer) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port, ssl=issuer.trusting)
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(ConnectionError, ssl.SSLError):
                assert await reader.read(1) == b""
        writer.transport.abort()


async def test_the_end_of_a_certificate_is_told_a_month_before(issuer: Issuer, tmp_path: Path) -> None:
    now = datetime.now(UTC)
    for days, says in ((40, None), (20, "ends in 19 d"), (-1, "has ended")):
        _write_own(issuer.files, now + timedelta(days=days))
        trouble = certificate_trouble(issuer.files, now)
        assert (trouble is None) if says is None else says in (trouble or ""), (days, trouble)
        with capture_logs() as logs:
            tls = Tls(issuer.files, SystemClock())
            await tls.begin()
            await tls.look()
        assert [line["event"] for line in logs] == ([] if says is None else ["tls.certificate_ends"])
        tls.end()


@pytest.mark.outside("cryptography: a general-purpose reference for X.509")
@given(st.integers(631_152_000, 4_102_444_799))
def test_until_when_a_certificate_holds_is_as_a_library_reads_it(until_s: int) -> None:
    """From 1990 to 2099: from 2050 on such a time is written in another form."""
    made = _own(datetime.fromtimestamp(until_s, UTC))
    assert made.not_valid_after_utc.timestamp() == until_s
    der = made.public_bytes(serialization.Encoding.DER)
    assert holds_until(der) == made.not_valid_after_utc
    assert holds_until(first_certificate(made.public_bytes(serialization.Encoding.PEM).decode())) == holds_until(der)


@given(st.binary(max_size=200))
def test_any_bytes_are_a_certificate_or_none(data: bytes) -> None:
    with pytest.raises(CertificateError):
        holds_until(data)
    with pytest.raises(CertificateError):
        holds_until(_own(datetime(2030, 1, 1, tzinfo=UTC)).public_bytes(serialization.Encoding.DER)[: len(data)])


_KEY = ec.generate_private_key(ec.SECP256R1())


def _own(until: datetime) -> x509.Certificate:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "gate.example")])
    builder = x509.CertificateBuilder(name, name, _KEY.public_key(), 7, datetime(1980, 1, 1, tzinfo=UTC), until)
    return builder.sign(_KEY, hashes.SHA256())


def _write_own(files: TlsFiles, until: datetime) -> None:
    files.certificate.write_bytes(_own(until).public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    files.key.write_bytes(_KEY.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain))


async def _names(server: HttpServer, issuer: Issuer) -> list[str]:
    """Of the certificate that a new connection is shown."""
    _, writer = await asyncio.open_connection("127.0.0.1", server.port, ssl=issuer.trusting)
    found = writer.get_extra_info("peercert")["subjectAltName"]
    writer.close()
    with suppress(OSError):
        await writer.wait_closed()
    return [name for _, name in found]


@given(st.lists(st.floats(0.0, 5.0), min_size=1, max_size=300))
def test_handshakes_keep_their_pace_whenever_connections_come(gaps_s: list[float]) -> None:
    """In any span of time no more than may be at once, and so many a second; each waits in turn."""
    pace, now_s, begun = Pace(a_second=40.0, at_once=8.0), 0.0, []
    for gap_s in gaps_s:
        now_s += gap_s if gap_s > 1.0 else 0.0
        now_s += pace.wait_s(now_s)
        begun.append(now_s)
    for first in range(len(begun)):
        for last in range(first, len(begun)):
            assert last - first + 1 <= 8.0 + (begun[last] - begun[first]) * 40.0 + 1e-6
    assert begun == sorted(begun)
