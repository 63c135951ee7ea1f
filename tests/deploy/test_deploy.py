"""The files in deploy/ are accepted by the programs that will read them, and do what they say."""

import asyncio
import configparser
import json
import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import trustme
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway.delivery.metrics import Metrics
from gateway.delivery.mqtt import MqttDelivery
from gateway.delivery.plan import TlsPlan
from gateway.figures import FIGURE_DEFINITIONS
from gateway.status import GatewaySnapshot
from tests.support.deliveries import plan_for, running, until
from tests.support.mosquitto import Mosquitto
from tests.support.records import BOOT, record, snapshot

ROOT = Path(__file__).resolve().parent.parent.parent
DEPLOY = ROOT / "deploy"
RULES = DEPLOY / "prometheus" / "tank-gateway.rules.yml"
UNIT = DEPLOY / "tank-gateway.service"


def run(*command: str | Path, cwd: Path = ROOT) -> str:
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


class TestPrometheus:
    def test_rules_and_configuration_are_valid(self) -> None:
        assert "SUCCESS" in run("promtool", "check", "rules", RULES)
        run("promtool", "check", "config", "prometheus.yml", cwd=DEPLOY / "prometheus")

    def test_alerts_come_when_they_should(self) -> None:
        assert "SUCCESS" in run("promtool", "test", "rules", "alerts_test.yml", cwd=Path(__file__).parent)

    def test_every_alert_is_tried(self) -> None:
        alerts = set(re.findall(r"alert: (\w+)", RULES.read_text("utf-8")))
        tried = set(re.findall(r'{alertname="(\w+)"}', (Path(__file__).parent / "alerts_test.yml").read_text("utf-8")))
        assert tried == alerts

    def test_rules_speak_of_metrics_that_exist(self) -> None:
        expressions = re.findall(r"expr: (?:>-\n)?(.*)", RULES.read_text("utf-8"))
        named = {name for text in expressions for name in re.findall(r"\btank_\w+", text)}
        rendered = Metrics(lambda: snapshot(record("TK-1", simulated=True), simulated=True)).render().decode()
        known = {family.name for family in text_string_to_metric_families(rendered)}
        known |= {definition.metric for definition in FIGURE_DEFINITIONS}
        assert len(named) > 8
        assert {re.sub(r"_(total|bucket)$", "", name) for name in named} - known == set()


class TestSystemd:
    @pytest.fixture
    def service(self) -> configparser.SectionProxy:
        parser = configparser.ConfigParser(strict=False, interpolation=None)
        parser.optionxform = str  # type: ignore[assignment,method-assign]
        parser.read(UNIT)
        return parser["Service"]

    def test_unit_is_valid(self, tmp_path: Path) -> None:
        # The program is not installed where the tests run: another stands in for it.
        unit = tmp_path / UNIT.name
        unit.write_text(UNIT.read_text("utf-8").replace("/opt/tank-gateway/bin/tank-gateway", "/bin/true"), "utf-8")
        for drop_in in ("serial-line.conf", "mqtt-password.conf"):
            folder = tmp_path / f"{UNIT.name}.d"
            folder.mkdir(exist_ok=True)
            shutil.copy(DEPLOY / drop_in, folder)
        assert run("systemd-analyze", "verify", unit) == ""

    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("DynamicUser", "yes"),
            ("ProtectSystem", "strict"),
            ("ProtectHome", "yes"),
            ("NoNewPrivileges", "yes"),
            ("CapabilityBoundingSet", ""),
            ("RestrictAddressFamilies", "AF_INET AF_INET6 AF_UNIX"),
            ("DevicePolicy", "closed"),
            ("RestartPreventExitStatus", "2"),
        ],
    )
    def test_unit_is_confined(self, service: configparser.SectionProxy, key: str, value: str) -> None:
        assert service[key] == value

    def test_devices_are_allowed_one_by_one(self, service: configparser.SectionProxy) -> None:
        assert "DeviceAllow" not in service
        assert re.findall(r"^DeviceAllow=(.*)$", (DEPLOY / "serial-line.conf").read_text("utf-8"), re.MULTILINE) == [
            "/dev/ttyUSB0 rw"
        ]


class TestContainer:
    def test_everything_that_is_copied_exists(self) -> None:
        lines = re.findall(r"^COPY (?!--from)(.+)$", (DEPLOY / "Containerfile").read_text("utf-8"), re.MULTILINE)
        sources = [source for line in lines for source in line.split()[:-1]]
        assert "gateway" in sources
        assert [source for source in sources if not (ROOT / source).exists()] == []
        kept = re.findall(r"^!(.+)$", (ROOT / ".containerignore").read_text("utf-8"), re.MULTILINE)
        assert sorted(kept) == sorted(sources)

    def test_no_registry_is_named_and_no_root_runs(self) -> None:
        text = (DEPLOY / "Containerfile").read_text("utf-8")
        assert re.findall(r"^ARG BASE=(.*)$", text, re.MULTILINE) == ["python:3.13-slim"]
        assert re.findall(r"^USER (\d+):", text, re.MULTILINE) == ["10001"]


class TestBroker:
    """The sample configuration, its paths put into the test's folder, in a real mosquitto."""

    @pytest.fixture
    def broker(self, tmp_path: Path) -> Mosquitto:
        authority = trustme.CA()
        authority.cert_pem.write_to_path(tmp_path / "ca.pem")
        certificate = authority.issue_cert("127.0.0.1")
        certificate.cert_chain_pems[0].write_to_path(tmp_path / "server.pem")
        certificate.private_key_pem.write_to_path(tmp_path / "server.key")
        shutil.copy(DEPLOY / "mosquitto" / "acl", tmp_path / "acl")
        run("mosquitto_passwd", "-b", "-c", tmp_path / "passwords", "gateway-north", "write-only")
        run("mosquitto_passwd", "-b", tmp_path / "passwords", "reader", "read-only")
        for path in tmp_path.iterdir():
            path.chmod(0o600)
        sample = (DEPLOY / "mosquitto" / "mosquitto.conf").read_text("utf-8")
        assert "\nlistener 8883\n" in sample
        sample = sample.replace("/etc/mosquitto/tank-gateway/", f"{tmp_path}/").replace("\nlistener 8883\n", "\n")
        sample = sample.replace("/var/lib/mosquitto/", f"{tmp_path}/")
        # Global options may stand behind the listener, whose line the test writes with a free port.
        return Mosquitto(tmp_path, options=sample.splitlines())

    @staticmethod
    def client(program: str, broker: Mosquitto, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
        address = ["-h", "127.0.0.1", "-p", str(broker.port), "--cafile", str(folder / "ca.pem")]
        return subprocess.run([program, *address, *arguments], capture_output=True, text=True, timeout=30)

    def test_names_and_rights(self, broker: Mosquitto, tmp_path: Path) -> None:
        gateway = ["-u", "gateway-north", "-P", "write-only"]
        reader = ["-u", "reader", "-P", "read-only"]

        def publish(topic: str, text: str, *who: str) -> int:
            arguments = ["-q", "1", "-r", "-t", topic, "-m", text, *who]
            return self.client("mosquitto_pub", broker, tmp_path, *arguments).returncode

        with broker:
            assert publish("tanks/north/T1/inventory", "true", *gateway) == 0
            publish("tanks/south/T1/inventory", "of another site", *gateway)
            publish("tanks/north/T2/inventory", "by a reader", *reader)
            assert publish("tanks/north/T3/inventory", "by nobody") != 0
            assert publish("tanks/north/T3/inventory", "wrong", "-u", "gateway-north", "-P", "wrong") != 0
            assert publish("tanks/north/end", "end", *gateway) == 0
            heard = self.client("mosquitto_sub", broker, tmp_path, "-t", "tanks/#", "-C", "2", "-W", "10", *reader)
            assert sorted(heard.stdout.splitlines()) == ["end", "true"]
            # No third retained message comes within a second: neither of the two others was let through.
            more = self.client("mosquitto_sub", broker, tmp_path, "-t", "tanks/#", "-C", "3", "-W", "1", *reader)
            assert sorted(more.stdout.splitlines()) == ["end", "true"]

    async def test_the_gateway_may_say_all_it_has_to_and_hear_others_of_its_site(
        self, broker: Mosquitto, tmp_path: Path
    ) -> None:
        password = tmp_path / "password"
        password.write_text("write-only\n")
        tls = TlsPlan(tmp_path / "ca.pem")
        plan = plan_for(broker.port, status_period_s=0.05, user_name="gateway-north", password_file=password, tls=tls)
        told: list[int] = []

        def state() -> GatewaySnapshot:
            told.append(1)
            return snapshot()._replace(site="north")

        with broker, capture_logs() as logs:
            delivery = MqttDelivery(plan, "north", BOOT, state, random=random.Random(1))
            async with running(delivery):
                delivery.offer(record("TK-1", 1))
                delivery.finish([record("TK-1", 2)])
                await until(lambda: len(told) > 10)
            reader = ["-u", "reader", "-P", "read-only", "-t", "tanks/north/#", "-C", "3", "-W", "20"]
            heard = await asyncio.to_thread(self.client, "mosquitto_sub", broker, tmp_path, *reader)
        assert [entry["event"] for entry in logs] == ["delivery.mqtt_connected"]
        found = {(message := json.loads(line))["schema"]: message for line in heard.stdout.splitlines()}
        assert found["tank-gateway/inventory/1"]["identity"]["sequence"] == 2
        assert found["tank-gateway/gateway-status/1"]["cause"] == "stopped"
        assert "tank-gateway/heartbeat/1" in found

    def test_plain_connections_are_refused(self, broker: Mosquitto) -> None:
        with broker:
            plain = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-t", "tanks/north/x", "-m", "x"]
            assert subprocess.run(plain, capture_output=True, timeout=30).returncode != 0
