"""Modbus/TCP Security with certificates made on the spot: right ones read, wrong ones are refused and named."""

import asyncio
import os
import socket
import ssl
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import trustme
from pymodbus import FramerType
from pymodbus.server import ModbusTlsServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import TcpPath, TlsFiles
from gateway.errors import NoConnectionError
from gateway.modbus.tables import Table

LONG = 30.0
REGISTERS = list(range(300, 400))
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)


class Pki(NamedTuple):
    """What an installer hands out: one authority, and files for the gateway."""

    authority: trustme.CA
    files: TlsFiles


def write(folder: Path, authority: trustme.CA, leaf: trustme.LeafCert) -> TlsFiles:
    folder.mkdir()
    authority.cert_pem.write_to_path(folder / "ca.pem")
    leaf.cert_chain_pems[0].write_to_path(folder / "gateway.pem")
    leaf.private_key_pem.write_to_path(folder / "gateway.key")
    return TlsFiles(folder / "ca.pem", folder / "gateway.pem", folder / "gateway.key")


@pytest.fixture
def pki(tmp_path: Path) -> Pki:
    authority = trustme.CA()
    return Pki(authority, write(tmp_path / "pki", authority, authority.issue_cert("gateway.site.example")))


def server_context(authority: trustme.CA, leaf: trustme.LeafCert) -> ssl.SSLContext:
    """As Modbus/TCP Security wants it: the client must show a certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    leaf.configure_cert(context)
    authority.configure_trust(context)
    context.verify_mode = ssl.CERT_REQUIRED
    return context


@asynccontextmanager
async def serving(context: ssl.SSLContext) -> AsyncIterator[int]:
    """A pymodbus server; its port."""
    bits = SimData(0, values=[True] * 16, datatype=DataType.BITS)
    registers = SimData(0, values=REGISTERS, datatype=DataType.REGISTERS)
    server = ModbusTlsServer(
        [SimDevice(1, simdata=([bits], [bits], [registers], [registers]))],
        framer=FramerType.SOCKET,  # the library's own for TLS leaves the header out, which the specification keeps
        address=("127.0.0.1", 0),
        sslctx=context,
    )
    await server.serve_forever(background=True)
    listening: Any = server.transport  # each event loop has a class of its own
    try:
        yield listening.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


async def connect_and_read(port: int, files: TlsFiles, host: str = "127.0.0.1") -> tuple[int, ...]:
    link = open_path(TcpPath(host, port, tls=files))
    try:
        await link.connect(LONG)
        return await link.read(1, Table.HOLDING_REGISTERS, 0, 100, LONG)
    finally:
        await link.close()


@pytest.mark.outside("pymodbus")
@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_reads_a_pymodbus_server(pki: Pki, version: ssl.TLSVersion) -> None:
    context = server_context(pki.authority, pki.authority.issue_cert("127.0.0.1"))
    context.minimum_version = context.maximum_version = version
    async with serving(context) as port:
        assert await connect_and_read(port, pki.files) == tuple(REGISTERS)


async def test_reads_a_server_by_its_name(pki: Pki) -> None:
    async with serving(server_context(pki.authority, pki.authority.issue_cert("localhost"))) as port:
        assert await connect_and_read(port, pki.files, "localhost") == tuple(REGISTERS)


async def test_an_authority_of_another_kind_is_refused(pki: Pki) -> None:
    other = trustme.CA()
    async with serving(server_context(pki.authority, other.issue_cert("127.0.0.1"))) as port:
        with pytest.raises(NoConnectionError, match=r"certificate of 127\.0\.0\.1 is refused: unable to get local"):
            await connect_and_read(port, pki.files)


async def test_an_expired_certificate_is_refused(pki: Pki) -> None:
    leaf = pki.authority.issue_cert("127.0.0.1", not_before=LONG_AGO, not_after=LONG_AGO + timedelta(days=30))
    async with serving(server_context(pki.authority, leaf)) as port:
        with pytest.raises(NoConnectionError, match="is refused: certificate has expired"):
            await connect_and_read(port, pki.files)


async def test_a_certificate_for_another_host_is_refused(pki: Pki) -> None:
    async with serving(server_context(pki.authority, pki.authority.issue_cert("plc-7.example"))) as port:
        with pytest.raises(NoConnectionError, match=r"is refused: .*not valid for '127\.0\.0\.1'"):
            await connect_and_read(port, pki.files)


@contextmanager
def refusing(context: ssl.SSLContext) -> Iterator[int]:
    """A server of the ssl module alone, which tells the client why it refuses it; its port. Expects one client."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        faults: list[BaseException | None] = []

        def serve() -> None:
            connection, _ = listener.accept()
            try:
                with context.wrap_socket(connection, server_side=True):
                    faults.append(None)
            except OSError as exc:
                faults.append(exc)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield listener.getsockname()[1]
        finally:
            thread.join(LONG)
        assert isinstance(faults[0], ssl.SSLError)


VERSIONS = pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])


@pytest.fixture(params=["foreign", "expired"])
def wrong_files(request: pytest.FixtureRequest, pki: Pki, tmp_path: Path) -> tuple[TlsFiles, str]:
    """A certificate that no server of the site accepts, and what it is called on the wire."""
    if request.param == "foreign":
        leaf, words = trustme.CA().issue_cert("gateway.site.example"), "unknown ca"
    else:
        leaf = pki.authority.issue_cert("g.example", not_before=LONG_AGO, not_after=LONG_AGO + timedelta(days=30))
        words = "certificate expired"
    return write(tmp_path / "wrong", pki.authority, leaf), words


@VERSIONS
async def test_a_server_that_refuses_the_gateways_certificate(
    pki: Pki, wrong_files: tuple[TlsFiles, str], version: ssl.TLSVersion
) -> None:
    """With TLS 1.3 the refusal comes after the handshake, and is said all the same."""
    files, words = wrong_files
    context = server_context(pki.authority, pki.authority.issue_cert("127.0.0.1"))
    context.minimum_version = context.maximum_version = version
    message = f"refused this gateway's certificate or its TLS: {words}"
    with refusing(context) as port, pytest.raises(NoConnectionError, match=message):
        await connect_and_read(port, files)


@VERSIONS
async def test_a_server_that_hangs_up_on_the_gateways_certificate(
    pki: Pki, wrong_files: tuple[TlsFiles, str], version: ssl.TLSVersion
) -> None:
    context = server_context(pki.authority, pki.authority.issue_cert("127.0.0.1"))
    context.minimum_version = context.maximum_version = version
    async with serving(context) as port:
        with pytest.raises(
            NoConnectionError, match=r"hung up before it answered anything; it may not accept this gateway's"
        ):
            await connect_and_read(port, wrong_files[0])


async def test_old_tls_is_refused(pki: Pki) -> None:
    context = server_context(pki.authority, pki.authority.issue_cert("127.0.0.1"))
    with pytest.warns(DeprecationWarning, match="TLSv1_1 is deprecated"):
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    message = "refused this gateway's certificate or its TLS: protocol version"
    with refusing(context) as port, pytest.raises(NoConnectionError, match=message):
        await connect_and_read(port, pki.files)


async def test_a_server_without_tls_is_said_to_have_none(pki: Pki) -> None:
    async def answer_plainly(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"\0\1\0\0\0\3\1\x83\2")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(answer_plainly, "127.0.0.1", 0)
    async with server:
        with pytest.raises(NoConnectionError, match=r"127\.0\.0\.1 does not speak TLS on this port"):
            await connect_and_read(server.sockets[0].getsockname()[1], pki.files)


async def test_a_server_that_says_nothing_in_the_handshake(pki: Pki) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:  # the system accepts, and nobody ever answers
        link = open_path(TcpPath("127.0.0.1", listener.getsockname()[1], tls=pki.files))
        with pytest.raises(NoConnectionError, match=r"no connection within 0\.05 s"):
            await link.connect(0.05)


@pytest.mark.parametrize(
    ("broken", "content", "message"),
    [
        ("ca.pem", None, "the CA file .*ca.pem cannot be read: no such file"),
        ("gateway.pem", None, "the certificate .*gateway.pem cannot be read: no such file"),
        ("gateway.key", None, "the key .*gateway.key cannot be read: no such file"),
        ("ca.pem", b"no certificate", "the CA file .*ca.pem holds no certificate in PEM form"),
        ("gateway.pem", b"no certificate", "are no certificate and unprotected key in PEM form"),
        ("gateway.key", trustme.CA().issue_cert("x.example").private_key_pem.bytes(), "does not belong to"),
    ],
)
async def test_a_file_that_is_not_as_it_should_be_is_named(
    pki: Pki, broken: str, content: bytes | None, message: str
) -> None:
    file = pki.files.ca.parent / broken
    if content is None:
        file.unlink()
    else:
        file.write_bytes(content)
    with pytest.raises(NoConnectionError, match=message):
        await connect_and_read(1, pki.files)


async def test_cancelled_in_the_handshake_and_in_a_read_nothing_is_left(pki: Pki) -> None:
    context = server_context(pki.authority, pki.authority.issue_cert("127.0.0.1"))
    async with serving(context) as port:
        assert await connect_and_read(port, pki.files) == tuple(REGISTERS)
        await asyncio.sleep(0.02)  # lets the server notice the end
        descriptors = len(os.listdir("/proc/self/fd"))
        for turns in range(40):
            reading = asyncio.create_task(connect_and_read(port, pki.files))
            for _ in range(turns):
                await asyncio.sleep(0)
            if reading.cancel():
                with pytest.raises(asyncio.CancelledError):
                    await reading
            else:
                assert reading.result() == tuple(REGISTERS)
        assert await connect_and_read(port, pki.files) == tuple(REGISTERS)
        async with asyncio.timeout(LONG):  # the server, in the same process, notices each end in its own time
            while len(os.listdir("/proc/self/fd")) > descriptors:  # noqa: ASYNC110
                await asyncio.sleep(0.005)
