"""The gateway itself over HTTP: what it says of ports, certificates and copies against what the test has made."""

import platform
import socket
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import trustme

from gateway import __version__
from gateway.delivery.plan import MqttPlan, TlsPlan
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.ledger.copied import Copied, note_copy
from gateway.web.access.plan import AccessPlan, TlsFiles
from gateway.web.plan import HttpPlan
from tests.page_answers.gate import Gate, gate
from tests.page_answers.test_acts import ADMINISTRATOR


def _has(yard: Gate, **changed: object) -> None:
    """The site file says so from now on."""
    yard.daemon._settings = replace(yard.daemon.settings, **changed)  # type: ignore[arg-type]


async def test_it_tells_what_it_is_and_that_it_cannot_write(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        found = await yard.page("/api/1/gateway")
        signed_in = (await yard.client.get("/api/1/gateway", headers={"X-Test-Person": "vera viewer"})).json()
    assert found["versions"]["gateway"] == __version__
    # What it runs on is for nobody who has not signed in.
    assert set(found["versions"]) == {"gateway", "boot", "started"}
    assert signed_in["versions"]["python"] == platform.python_version()
    assert found["writes"] == {"can": False, "lines": found["writes"]["lines"], "others": []}
    assert all(each["functions"] == {} for each in found["writes"]["lines"]), "nothing was polled"
    assert {each["name"] for each in found["leads"]} >= {line.name for line in yard.settings.lines}
    assert any("Not an overfill prevention system" in each for each in found["cautions"])
    assert found["ledger"]["file"] == "yard.ledger", "whole paths are for administrators"
    assert found["ledger"]["copied"] is None


async def test_ports_are_those_that_the_system_has(tmp_path: Path) -> None:
    """One that nobody has meant is told as well, and as unknown."""
    async with gate(tmp_path) as yard:
        with socket.create_server(("127.0.0.1", 0)) as meant, socket.create_server(("0.0.0.0", 0)) as forgotten:
            port, other = meant.getsockname()[1], forgotten.getsockname()[1]
            _has(yard, http=HttpPlan("127.0.0.1", port))
            found = await yard.page("/api/1/gateway")
    assert {"address": "127.0.0.1", "port": port, "what": "page", "name": ""} in found["listens"]
    assert {"address": "0.0.0.0", "port": other, "what": "unknown", "name": ""} in found["listens"]


async def test_a_destination_that_serves_is_where_it_listens_and_leads_nowhere(tmp_path: Path) -> None:
    """Also while its port is taken: nobody is sent to open a way out that there is not."""
    async with gate(tmp_path) as yard:
        with socket.create_server(("127.0.0.1", 0)) as serving:
            port = serving.getsockname()[1]
            plans = (RegistersPlan("127.0.0.1", port, (("TK-1", 1),), given_name="panel"), MqttPlan("broker", 1883))
            _has(yard, deliveries=plans)
            found = await yard.page("/api/1/gateway")
        later = await yard.page("/api/1/gateway")
    assert {"address": "127.0.0.1", "port": port, "what": "destination", "name": "panel"} in found["listens"]
    assert port not in {each["port"] for each in later["listens"]}
    for each in (found, later):
        assert [lead["to"] for lead in each["leads"] if lead["what"] == "destination"] == ["broker:1883"]


async def test_every_way_out_is_told_with_each_of_its_servers(tmp_path: Path) -> None:
    """Also where the port is one on which this machine listens itself, as 443 often is."""
    async with gate(tmp_path) as yard:
        with socket.create_server(("127.0.0.1", 0)) as own:
            port = own.getsockname()[1]
            node = SparkplugPlan((("one", 1883), ("two", 8883)), "plant", "tanks")
            _has(yard, deliveries=(node, WebhookPlan(f"https://office.example:{port}/events")))
            found = await yard.page("/api/1/gateway")
    leads = [lead["to"] for lead in found["leads"] if lead["what"] == "destination"]
    assert leads == ["one:1883", "two:8883", f"office.example:{port}"]


async def test_certificates_are_told_with_their_end_and_what_is_wrong_with_them(tmp_path: Path) -> None:
    certificate, key, end = tmp_path / "page.pem", tmp_path / "page.key", datetime(2031, 3, 1, 12, 30, tzinfo=UTC)
    leaf = trustme.CA().issue_cert("gate.invalid", not_after=end)
    leaf.cert_chain_pems[0].write_to_path(certificate)
    leaf.private_key_pem.write_to_path(key)
    damaged = tmp_path / "damaged.pem"
    damaged.write_text("no certificate", "utf-8")
    tls = TlsPlan(ca=damaged, certificate=tmp_path / "gone.pem")
    async with gate(tmp_path) as yard:
        http = HttpPlan("127.0.0.1", 0, access=AccessPlan(tls=TlsFiles(certificate, key)))
        _has(yard, http=http, deliveries=(MqttPlan("broker", 8883, tls=tls, given_name="plant"),))
        plain = await yard.page("/api/1/gateway")
        full = (await yard.client.get("/api/1/gateway", headers=ADMINISTRATOR)).json()
    page, gone, wrong = plain["certificates"]
    left_s = page.pop("left_s")
    assert page == {"of": "page", "file": "page.pem", "until": "2031-03-01T12:30:00.000Z", "trouble": ""}
    assert left_s == pytest.approx((end - datetime.now(UTC)).total_seconds(), abs=3600)
    assert (gone["of"], gone["until"]) == ("plant", None)
    assert gone["trouble"]
    assert (wrong["until"], bool(wrong["trouble"])) == (None, True)
    assert full["certificates"][0]["file"] == str(certificate)
    assert plain["tls"]


async def test_a_copy_of_the_ledger_is_known_and_a_note_that_is_none_is_said(tmp_path: Path) -> None:
    file = tmp_path / "yard.ledger"
    note = tmp_path / "yard.ledger.copied"
    async with gate(tmp_path) as yard:
        note_copy(file, Copied(datetime(2026, 11, 27, 3, 0, tzinfo=UTC), "/copies/yard-27.ledger", 4096))
        found = await yard.page("/api/1/gateway")
        assert found["ledger"]["copied"] == {
            "time": "2026-11-27T03:00:00.000Z",
            "file": "yard-27.ledger",
            "size_bytes": 4096,
        }
        note.write_text("[]", "utf-8")
        wrong = await yard.page("/api/1/gateway")
    assert (wrong["ledger"]["copied"], wrong["ledger"]["copied_trouble"]) == (None, "it is no note of a copy")
