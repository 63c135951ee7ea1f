"""A client of OPC UA that is not ours (npm node-opcua), in a process of its own, and certificates for it."""

import asyncio
import json
import os
import shutil
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from asyncua import Client
from asyncua.crypto.security_policies import SecurityPolicyNone
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

__all__ = ["CLIENT_URI", "ClientFiles", "Peer", "PeerError", "client_certificate", "peer", "show"]

_ROOT = Path(__file__).parents[2]
_NODE = _ROOT / ".venv" / "node" / "node_modules"
_SCRIPT = _ROOT / "tests" / "node" / "opcua_peer.js"
_PATIENCE_S = 20.0
CLIENT_URI = "urn:test:client"


class PeerError(Exception):
    """It was refused what it asked for."""


class ClientFiles(NamedTuple):
    certificate: Path
    key: Path

    @property
    def read(self) -> x509.Certificate:
        return x509.load_pem_x509_certificate(self.certificate.read_bytes())


_KEY = rsa.generate_private_key(public_exponent=65537, key_size=2048)


def client_certificate(
    folder: Path, name: str, *, begin_s: float = -86_400.0, end_s: float = 86_400.0, uri: str = CLIENT_URI
) -> ClientFiles:
    """Self-signed, valid between these seconds from now."""
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(_KEY.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(seconds=begin_s))
        .not_valid_after(now + timedelta(seconds=end_s))
        .add_extension(x509.SubjectAlternativeName([x509.UniformResourceIdentifier(uri)]), critical=False)
        .add_extension(x509.KeyUsage(True, True, True, True, False, True, False, False, False), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), critical=False)
        .sign(_KEY, hashes.SHA256())
    )
    files = ClientFiles(folder / f"{name}.pem", folder / f"{name}-key.pem")
    files.certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    files.key.write_bytes(
        _KEY.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.TraditionalOpenSSL, serialization.NoEncryption()
        )
    )
    return files


def show(client: Client, der: bytes) -> None:
    """Without security, by the client of asyncua, once it has a socket: the certificate stands in the greeting of the
    channel (OPC 10000-6, 6.7.2.3) and in the asking for a session."""
    client.application_uri = CLIENT_URI
    client.security_policy.host_certificate = der
    transport = client.uaclient.protocol.transport
    write, place = transport.write, 12 + 4 + len(SecurityPolicyNone.URI)

    def shown(content: bytes) -> None:
        if content[:3] == b"OPN":
            content = content[:place] + struct.pack("<i", len(der)) + der + content[place + 4 :]
            content = content[:4] + struct.pack("<I", len(content)) + content[8:]
        write(content)

    transport.write = shown


class Peer:
    """Asks one thing after the other; what comes by itself waits in `came`."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self._number = 0
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self.came: list[dict[str, Any]] = []
        self._news = asyncio.Event()

    async def listen(self) -> None:
        assert self._process.stdout is not None
        while text := await self._process.stdout.readline():
            if not text.startswith(b"{"):
                continue
            told = json.loads(text)
            if "number" in told:
                self._answers.pop(told["number"]).set_result(told)
            else:
                self.came.append(told)
                self._news.set()

    async def ask(self, do: str, as_: str = "it", **more: Any) -> dict[str, Any]:
        """Raises PeerError."""
        assert self._process.stdin is not None
        self._number += 1
        future = self._answers[self._number] = asyncio.get_running_loop().create_future()
        asked = {"number": self._number, "do": do, "as": as_, **more}
        self._process.stdin.write(json.dumps(asked).encode() + b"\n")
        async with asyncio.timeout(_PATIENCE_S):
            found: dict[str, Any] = await future
        if "error" in found:
            raise PeerError(found["error"])
        return found

    async def until(self, is_it: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The first of what came by itself."""
        async with asyncio.timeout(_PATIENCE_S):
            while True:
                self._news.clear()
                for each in self.came:
                    if is_it(each):
                        return each
                await self._news.wait()


@asynccontextmanager
async def peer(clock_off_ms: int = 0) -> AsyncIterator[Peer]:
    node = shutil.which("node")
    assert node, "node is missing: apt-get install nodejs"
    assert _NODE.is_dir(), "make .venv/.node installs what it needs"
    process = await asyncio.create_subprocess_exec(
        node,
        str(_SCRIPT),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        limit=64_000_000,
        env={**os.environ, "NODE_PATH": str(_NODE), "CLOCK_OFF_MS": str(clock_off_ms)},
    )
    made = Peer(process)
    listening = asyncio.create_task(made.listen())
    try:
        await made.until(lambda told: "ready" in told)
        yield made
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            async with asyncio.timeout(5):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
        await listening
