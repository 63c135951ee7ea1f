"""Who gets in at the OPC UA server, tried with a client that is not ours (npm node-opcua)."""

import re
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from cryptography.hazmat.primitives import serialization
from structlog.testing import capture_logs

from gateway.delivery.opcua.certificates import Certificates, thumbprint
from gateway.delivery.opcua.users import read_users, write_users
from gateway.process.passwords import Passwords
from tests.support.opcua_peer import CLIENT_URI, ClientFiles, Peer, PeerError, client_certificate, peer, show
from tests.support.opcua_yard import Yard, good, node, plan_for, sheet, yard

pytestmark = pytest.mark.asyncio(loop_scope="module")
_LEVEL = node("TK-1/level")
_PASSWORD = "four quiet herons wade"
_SAFE = {"policy": "Basic256Sha256", "mode": "SignAndEncrypt"}


class Guarded(NamedTuple):
    yard: Yard
    peer: Peer
    folder: Path
    trusted: ClientFiles
    users: Path
    logs: list[Any]

    @property
    def certificates(self) -> Certificates:
        return Certificates(self.yard.plan.certificates)

    async def connect(self, as_: str, files: ClientFiles | None = None, **more: Any) -> None:
        """As the client whose certificate is trusted, unless another is given."""
        shown = files or self.trusted
        asked = {"policy": "Basic256Sha256", "mode": "SignAndEncrypt", "user": "scada", "password": _PASSWORD, **more}
        await self.peer.ask(
            "connect",
            as_,
            url=self.yard.url,
            uri="urn:test:client",
            certificate=str(shown.certificate),
            key=str(shown.key),
            pki=str(self.folder / "pki"),
            **asked,
        )


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def guarded(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Guarded]:
    folder = tmp_path_factory.mktemp("opcua")
    users = folder / "users"
    write_users(users, {"scada": await Passwords(memory_kib=1024, passes=1).hashed(_PASSWORD)})
    plan = plan_for(folder, security=("Aes256_Sha256_RsaPss", "Basic256Sha256"), anonymous=False, users_file=users)
    trusted = client_certificate(folder, "trusted")
    Certificates(plan.certificates).trust(trusted.read)
    with capture_logs() as logs:
        async with yard(plan) as made, peer() as client:
            made.made.offer(sheet("TK-1", 1, valid_for_s=600.0, level=good(9.0)))
            await made.told()
            yield Guarded(made, client, folder, trusted, users, logs)


@pytest.mark.parametrize("policy", ["Basic256Sha256", "Aes256_Sha256_RsaPss"])
@pytest.mark.parametrize("mode", ["Sign", "SignAndEncrypt"])
async def test_whom_the_site_trusts_reads_by_name_and_password(guarded: Guarded, policy: str, mode: str) -> None:
    name = f"{policy} {mode}"
    await guarded.connect(name, policy=policy, mode=mode)
    found = await guarded.peer.ask("read", name, nodes=[_LEVEL])
    assert (found["values"][0]["value"], found["values"][0]["status"]) == (9.0, "Good")
    await guarded.yard.until(lambda: [each.name for each in guarded.yard.made.status().clients] == ["scada"])
    await guarded.peer.ask("disconnect", name)
    await guarded.yard.until(lambda: not guarded.yard.made.status().clients)


async def test_what_is_offered_is_said_to_everybody_and_nothing_else(guarded: Guarded) -> None:
    found = await guarded.peer.ask("endpoints", url=guarded.yard.url)
    assert sorted({(policy, mode, *tokens) for policy, mode, tokens, _, _ in found["endpoints"]}) == [
        ("Aes256_Sha256_RsaPss", "Sign", "UserName"),
        ("Aes256_Sha256_RsaPss", "SignAndEncrypt", "UserName"),
        ("Basic256Sha256", "Sign", "UserName"),
        ("Basic256Sha256", "SignAndEncrypt", "UserName"),
    ]
    assert (
        found["endpoints"][0][3] == "tank-gateway harbour: monitoring only, not for control, not for custody transfer"
    )
    assert found["endpoints"][0][4] == "urn:tank-gateway:harbour"


async def test_log_ins_that_are_refused(guarded: Guarded) -> None:
    with pytest.raises(PeerError, match="BadUserAccessDenied"):
        await guarded.connect("a", password="four quiet herons wadE")
    with pytest.raises(PeerError, match="BadUserAccessDenied"):
        await guarded.connect("b", user="nobody here")
    with pytest.raises(PeerError, match="ANONYMOUS user token policy"):
        await guarded.connect("c", user=None)
    with pytest.raises(PeerError, match=r"(?i)policy"):
        await guarded.connect("d", policy="None", mode="None")
    # A name that is added is good at once: the file is read at each log-in.
    hashed = await Passwords(memory_kib=1024, passes=1).hashed("another heron stands there")
    kept = guarded.users.read_text("utf-8")
    guarded.users.write_text(kept + f"panel {hashed}\n", "utf-8")
    await guarded.connect("e", user="panel", password="another heron stands there")
    await guarded.peer.ask("disconnect", "e")
    guarded.users.write_text(kept, "utf-8")


async def test_certificates_that_are_refused_and_how_one_is_trusted(guarded: Guarded) -> None:
    unknown = client_certificate(guarded.folder, "unknown")
    with pytest.raises(PeerError):
        await guarded.connect("unknown", unknown)
    (rejected,) = guarded.certificates.rejected()
    assert rejected.certificate == unknown.read
    assert rejected.file.name == f"{thumbprint(unknown.read)}.der"
    guarded.certificates.trust(unknown.read)
    await guarded.connect("unknown", unknown)
    await guarded.peer.ask("disconnect", "unknown")
    guarded.certificates.withdraw(thumbprint(unknown.read)[:12])
    with pytest.raises(PeerError):
        await guarded.connect("unknown", unknown)
    # Trusted, but over, or not yet: a client whose clock is ten minutes ahead has just made the second.
    over = client_certificate(guarded.folder, "over", end_s=-60.0)
    guarded.certificates.trust(over.read)
    with pytest.raises(PeerError):
        await guarded.connect("over", over)
    ahead = client_certificate(guarded.folder, "ahead", begin_s=600.0)
    guarded.certificates.trust(ahead.read)
    await guarded.connect("ahead", ahead)
    await guarded.peer.ask("disconnect", "ahead")
    far = client_certificate(guarded.folder, "far", begin_s=3 * 86_400.0, end_s=4 * 86_400.0)
    guarded.certificates.trust(far.read)
    with pytest.raises(PeerError):
        await guarded.connect("far", far)


async def test_what_is_open_ends_where_its_certificate_is_withdrawn_or_over_or_its_name_or_password_is_another(
    guarded: Guarded,
) -> None:
    """Each of them reads before; the one whom nothing has happened to reads all the time."""
    made, client = guarded.yard, guarded.peer
    guarded.logs.clear()
    first, second = [await Passwords(memory_kib=1024, passes=1).hashed(f"{each} herons") for each in ("six", "seven")]
    kept = read_users(guarded.users)
    write_users(guarded.users, {**kept, "leaves": first, "changes": first})
    withdrawn = client_certificate(guarded.folder, "withdrawn")
    # It is over once all of them have come: nothing else here takes so long, and where it does this one is not let in.
    over = client_certificate(guarded.folder, "soon over", end_s=8.0)
    for each in (withdrawn, over):
        guarded.certificates.trust(each.read)
    came: dict[str, dict[str, Any]] = {
        "over": {"files": over},
        "stays": {},
        "withdrawn": {"files": withdrawn},
        "leaves": {"user": "leaves", "password": "six herons"},
        "changes": {"user": "changes", "password": "six herons"},
    }
    for name, how in came.items():
        await guarded.connect(name, **how)
        found = await client.ask("read", name, nodes=[_LEVEL])
        assert found["values"][0]["status"] == "Good"
        await client.ask("subscribe", name, nodes=[_LEVEL])
    guarded.certificates.withdraw(thumbprint(withdrawn.read))
    write_users(guarded.users, {**kept, "changes": second})
    for name in came.keys() - {"stays"}:
        await client.until(lambda told: told.get("lost") == name)  # noqa: B023
    await made.until(lambda: [each.name for each in made.made.status().clients] == ["scada"])
    reasons = sorted(each["reason"] for each in guarded.logs if each["event"] == "delivery.opcua_client_cut_off")
    assert re.sub(r"on 20.*", "on", "\n".join(reasons)).splitlines() == [
        "its certificate ended on",
        "its certificate is trusted no more",
        "its name is no more in the file of users",
        "its password has been changed",
    ]
    with pytest.raises(PeerError):
        await client.ask("read", "leaves", nodes=[_LEVEL])
    # As before, and with what is new: looks at the others were none at this one.
    assert "stays" not in {told.get("lost") for told in client.came}
    # Neither a file that cannot be read nor one that is empty for a moment is taken for everybody's leave.
    text = guarded.users.read_bytes()
    guarded.users.write_bytes(b"no hash at all\n")
    await made.until(lambda: any(each["event"] == "delivery.opcua_users_unreadable" for each in guarded.logs))
    made.made.offer(sheet("TK-1", 2, valid_for_s=600.0, level=good(9.25)))
    await client.until(lambda told: told.get("value") == 9.25)
    found = await client.ask("read", "stays", nodes=[_LEVEL])
    assert found["values"][0]["value"] == 9.25
    guarded.users.write_bytes(text)
    write_users(guarded.users, kept)
    await client.ask("disconnect", "stays")
    await guarded.yard.until(lambda: not guarded.yard.made.status().clients)
    made.made.offer(sheet("TK-1", 3, valid_for_s=600.0, level=good(9.0)))
    await made.told()


async def test_clocks_that_are_ten_minutes_off(guarded: Guarded) -> None:
    for off_ms in (-600_000, 600_000):
        async with peer(off_ms) as late:
            away = guarded._replace(peer=late)
            await away.connect("off")
            found = await late.ask("read", "off", nodes=[_LEVEL])
            assert found["values"][0]["status"] == "Good"
            await late.ask("subscribe", "off", nodes=[_LEVEL])
            await late.until(lambda told: told.get("value") == 9.0)


async def ours(guarded: Guarded, files: ClientFiles, uri: str = CLIENT_URI) -> Client:
    """asyncua's own client, beside, for what an honest one does not do."""
    client = Client(guarded.yard.url)
    client.application_uri = uri
    own = guarded.folder / "own.der"
    shutil.copy(guarded.certificates.own, own)
    await client.set_security(SecurityPolicyBasic256Sha256, files.certificate, files.key, server_certificate=own)
    return client


async def test_what_a_dishonest_client_tries(guarded: Guarded) -> None:
    # No name, though none is offered; a name of an application that its certificate has not; and a session that names
    # no certificate over a channel whose one nobody trusts, which asyncua by itself lets in.
    nameless = await ours(guarded, guarded.trusted)
    with pytest.raises(ua.UaError, match=r"(?i)identity"):
        await nameless.connect()
    other = await ours(guarded, guarded.trusted, "urn:somebody:else")
    with pytest.raises(ua.UaError, match=r"URI"):
        await other.connect()
    liar = await ours(guarded, client_certificate(guarded.folder, "liar"))
    await liar.connect_socket()
    try:
        await liar.send_hello()
        with pytest.raises((ua.UaError, OSError, TimeoutError)):
            await liar.open_secure_channel()
    finally:
        liar.disconnect_socket()


@pytest.mark.parametrize("shown", ["nothing", "untrusted", "trusted"])
async def test_a_channel_without_security_gets_nothing_but_what_is_offered(guarded: Guarded, shown: str) -> None:
    """Whatever certificate is shown with it: whose key it has is not proved by that."""
    client = Client(guarded.yard.url)
    await client.connect_socket()
    if shown != "nothing":
        files = client_certificate(guarded.folder, "shown") if shown == "untrusted" else guarded.trusted
        show(client, files.read.public_bytes(serialization.Encoding.DER))
    try:
        await client.send_hello()
        await client.open_secure_channel()
        assert len(await client.get_endpoints()) == 4
        with pytest.raises(ua.UaError):
            await client.create_session()
    finally:
        client.disconnect_socket()


async def test_our_own_certificate_and_key_are_for_nobody_else(guarded: Guarded) -> None:
    own = guarded.certificates
    assert own.key.stat().st_mode & 0o077 == 0
    serialization.load_pem_private_key(own.key.read_bytes(), None)
    found = own.own_certificate()
    assert found is not None
