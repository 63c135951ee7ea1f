"""TLS and passwords against a real server; certificates are made here, by a library that is not ours."""

import asyncio
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import trustme
from structlog.testing import capture_logs

from gateway.delivery.plan import TlsPlan
from gateway.delivery.secrets import tls_context
from gateway.errors import DeliveryError
from tests.support.deliveries import make_delivery, plan_for, running, until
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import record


class Pki:
    """An authority, its server's certificate and a client's, as PEM files."""

    def __init__(self, folder: Path, name: str, *, host: str = "127.0.0.1", not_after: datetime | None = None) -> None:
        folder.mkdir(exist_ok=True)
        authority = trustme.CA(organization_name=name)
        self.ca = folder / f"{name}-ca.pem"
        authority.cert_pem.write_to_path(str(self.ca))
        server = authority.issue_cert(host, not_after=not_after)
        self.server_certificate = folder / f"{name}-server.pem"
        self.server_key = folder / f"{name}-server.key"
        server.private_key_pem.write_to_path(str(self.server_key))
        server.cert_chain_pems[0].write_to_path(str(self.server_certificate))
        client = authority.issue_cert("gateway.invalid", common_name="gateway")
        self.client_certificate = folder / f"{name}-client.pem"
        self.client_key = folder / f"{name}-client.key"
        client.private_key_pem.write_to_path(str(self.client_key))
        client.cert_chain_pems[0].write_to_path(str(self.client_certificate))

    def options(self, *more: str) -> tuple[str, ...]:
        return (
            f"cafile {self.ca}",
            f"certfile {self.server_certificate}",
            f"keyfile {self.server_key}",
            "allow_anonymous true",
            *more,
        )


@pytest.fixture
def pki(tmp_path: Path) -> Pki:
    return Pki(tmp_path / "pki", "harbour")


@contextmanager
def server_with(tmp_path: Path, *options: str) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, options=options) as server:
        yield server


async def _reason_of_failure(port: int, **changes: Any) -> str:
    """Run until the first failure is logged; nothing may have been delivered."""
    delivery = make_delivery(port, **changes)
    delivery.offer(record("TK-1", 1))
    with capture_logs() as logs:
        async with running(delivery):
            await until(lambda: logs)
    assert delivery.status().delivered == 0
    assert logs[0]["event"] == "delivery.mqtt_not_connected"
    assert "secret" not in repr(logs)
    return str(logs[0]["reason"])


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_tls_with_an_own_authority_and_a_client_certificate(tmp_path: Path, pki: Pki, protocol: str) -> None:
    with server_with(tmp_path, *pki.options("require_certificate true")) as server:
        delivery = make_delivery(
            server.port, protocol=protocol, tls=TlsPlan(pki.ca, pki.client_certificate, pki.client_key)
        )
        delivery.offer(record("TK-1", 1))
        options = ("--cafile", str(pki.ca), "--cert", str(pki.client_certificate), "--key", str(pki.client_key))
        async with running(delivery), Subscriber(server.port, options=options) as subscriber:
            await subscriber.inventory("TK-1", 1)
            await until(lambda: delivery.status().delivered == 1)


async def test_a_server_of_another_authority_is_refused(tmp_path: Path, pki: Pki) -> None:
    other = Pki(tmp_path / "other", "stranger")
    with server_with(tmp_path, *other.options()) as server:
        reason = await _reason_of_failure(server.port, tls=TlsPlan(pki.ca))
    assert reason.startswith("server certificate not accepted: ")
    assert "issuer" in reason or "self" in reason


async def test_an_expired_server_certificate_is_refused(tmp_path: Path) -> None:
    expired = Pki(tmp_path / "pki", "harbour", not_after=datetime(2020, 1, 1, tzinfo=UTC))
    with server_with(tmp_path, *expired.options()) as server:
        reason = await _reason_of_failure(server.port, tls=TlsPlan(expired.ca))
    assert reason == "server certificate not accepted: certificate has expired"


async def test_a_certificate_for_another_host_is_refused(tmp_path: Path) -> None:
    elsewhere = Pki(tmp_path / "pki", "harbour", host="elsewhere.invalid")
    with server_with(tmp_path, *elsewhere.options()) as server:
        reason = await _reason_of_failure(server.port, tls=TlsPlan(elsewhere.ca))
    assert reason.startswith("server certificate not accepted: ")
    assert "127.0.0.1" in reason


async def test_a_server_that_wants_a_client_certificate_refuses_us_without(tmp_path: Path, pki: Pki) -> None:
    with server_with(tmp_path, *pki.options("require_certificate true")) as server:
        reason = await _reason_of_failure(server.port, tls=TlsPlan(pki.ca))
    assert reason == "server closed the connection before accepting it"


async def test_no_tls_against_a_tls_server(tmp_path: Path, pki: Pki) -> None:
    with server_with(tmp_path, *pki.options()) as server:
        reason = await _reason_of_failure(server.port)
    assert reason == "server closed the connection before accepting it; is that port for TLS? Then give tls"


def _password_server_options(folder: Path) -> tuple[str, ...]:
    users = folder / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "gateway", "secret-1"], check=True, timeout=20)
    return ("allow_anonymous false", f"password_file {users}")


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_the_password_comes_from_its_file_at_each_connect(tmp_path: Path, protocol: str) -> None:
    password = tmp_path / "password"
    with server_with(tmp_path, *_password_server_options(tmp_path)) as server, capture_logs() as logs:
        delivery = make_delivery(server.port, protocol=protocol, user_name="gateway", password_file=password)
        async with running(delivery):
            await until(lambda: logs)
            assert logs[0]["reason"] == f"password file {password}: cannot be read: no such file or directory"
            await asyncio.to_thread(password.write_text, "secret-2\n")
            await until(lambda: len(logs) == 2)
            assert logs[1]["reason"] == "server refused the connection: Not authorized"
            await asyncio.to_thread(password.write_text, "secret-1\n")
            await until(lambda: delivery.status().connected)
    assert "secret" not in repr(logs)


async def test_without_a_password_an_access_controlled_server_refuses(tmp_path: Path) -> None:
    with server_with(tmp_path, *_password_server_options(tmp_path)) as server:
        assert await _reason_of_failure(server.port) == "server refused the connection: Not authorized"


async def test_a_password_that_is_not_text_is_not_quoted(tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_bytes(b"secret\xff")
    reason = await _reason_of_failure(9, user_name="gateway", password_file=password)
    assert reason == f"password file {password}: is not UTF-8 text (byte 6); save it as UTF-8"


async def test_certificate_files_that_cannot_be_used_are_named(tmp_path: Path, pki: Pki) -> None:
    missing = tmp_path / "missing.pem"
    empty = tmp_path / "empty.pem"
    empty.touch()
    locked = tmp_path / "locked.key"
    lock = ["openssl", "pkcs8", "-topk8", "-in", str(pki.client_key), "-out", str(locked), "-passout", "pass:secret"]
    await asyncio.to_thread(subprocess.run, lock, check=True, capture_output=True, timeout=20)

    async def reason(tls: TlsPlan) -> str:
        with pytest.raises(DeliveryError) as caught:
            await tls_context(plan_for(1, tls=tls))
        return str(caught.value)

    assert await reason(TlsPlan(missing)) == f"cannot use CA file {missing}: cannot be read: no such file or directory"
    assert (await reason(TlsPlan(empty))).startswith(f"cannot use CA file {empty}: ")
    text = await reason(TlsPlan(pki.ca, missing, pki.client_key))
    assert text == f"cannot use client certificate {missing}: cannot be read: no such file or directory"
    assert "locked.key" in await reason(TlsPlan(pki.ca, pki.client_certificate, locked))
