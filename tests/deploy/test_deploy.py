"""The files in deploy/ are accepted by the programs that will read them, and do what they say."""

import asyncio
import configparser
import grp
import json
import os
import pwd
import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import trustme
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway.command_line import COMMANDS, main
from gateway.daemon import _TICK_LATE_S
from gateway.delivery.metrics import Metrics
from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.delivery.plan import TlsPlan
from gateway.figures import FIGURE_DEFINITIONS
from gateway.process.stop_time import LAST_RESORT_S
from gateway.records import ElementUse, Ending, LevelState, Quality
from gateway.states import LimitState, RoofZone
from gateway.status import AccessStatus, Backlog, DestinationStatus, GatewaySnapshot, Histogram, LedgerStatus, Trouble
from gateway.web.plan import BACKLOG, LARGEST_CONNECTIONS
from tests.deploy.on_debian.guide import Guide
from tests.support.deliveries import plan_for, running, until
from tests.support.mosquitto import Mosquitto
from tests.support.records import BOOT, NOON, inventory, record, record_of, snapshot

ROOT = Path(__file__).resolve().parent.parent.parent
DEPLOY = ROOT / "deploy"
RULES = DEPLOY / "prometheus" / "tank-gateway.rules.yml"
UNIT = DEPLOY / "tank-gateway.service"
GUIDE = (DEPLOY / "README.md").read_text("utf-8")


def run(*command: str | Path, cwd: Path = ROOT) -> str:
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def known_metrics() -> set[str]:
    """Names of families that a gateway has whose tanks have all that there is, and whose destinations take history."""
    commits = Histogram((0.1, float("inf")), (1, 1), 0.05)
    ledger = LedgerStatus("file", 1, 0, 0, commits, 1, 1, 1, Trouble("disk_full", "it is full"))
    office = DestinationStatus("office", True, 0, 0, 0, None, history=Backlog(1, 1.0, 1, 0, 1.0))
    level = LevelState(LimitState.NORMAL, RoofZone.FLOATING, Quality.GOOD, 0.9, 13.2, 13.5, 13.9)
    sheet = inventory("TK-1", simulated=True, elements=(ElementUse(1.0, 17.6, True, 1.0, Quality.GOOD, None),))
    sheet = sheet._replace(
        level_state=level, endings=(Ending("reference_density", NOON),), reference_temperature_c=15.0
    )
    state = snapshot(record_of("harbour", BOOT, 1, sheet), simulated=True)
    state = state._replace(ledger=ledger, destinations=(*state.destinations, office))
    state = state._replace(access=AccessStatus(1, 0, 1_790_000_000.0))
    rendered = Metrics(lambda: state).render().decode()
    known = {family.name for family in text_string_to_metric_families(rendered)}
    return known | {definition.metric for definition in FIGURE_DEFINITIONS}


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
        known = known_metrics()
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
        text = UNIT.read_text("utf-8")
        assert "ExecStart=/opt/tank-gateway/current/bin/tank-gateway run" in text
        unit.write_text(text.replace("/opt/tank-gateway/current/bin/tank-gateway", "/bin/true"), "utf-8")
        for drop_in in ("serial-line.conf", "mqtt-password.conf"):
            folder = tmp_path / f"{UNIT.name}.d"
            folder.mkdir(exist_ok=True)
            shutil.copy(DEPLOY / drop_in, folder)
        # The guide has it in full, as the folder is the reader's own.
        for drop_in in ("files-folder.conf", "operators.conf", "web-tls.conf"):
            pattern = rf"^```ini\n# [^\n]*/{re.escape(drop_in)}\n(.*?)^```$"
            (text,) = re.findall(pattern, GUIDE, re.DOTALL | re.MULTILINE)
            (tmp_path / f"{UNIT.name}.d" / drop_in).write_text(text, "utf-8")
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
            ("PrivateDevices", "yes"),
            ("ProcSubset", "pid"),
            ("MemoryDenyWriteExecute", "yes"),
            ("LimitCORE", "0"),
            ("SyslogLevel", "err"),
            ("Type", "notify"),
            ("WatchdogSec", "60"),
            ("Restart", "always"),
            ("RestartPreventExitStatus", "2"),
            ("StateDirectory", "tank-gateway"),
            ("StateDirectoryMode", "0700"),
        ],
    )
    def test_unit_is_confined(self, service: configparser.SectionProxy, key: str, value: str) -> None:
        assert service[key] == value

    def test_it_is_exposed_to_little(self) -> None:
        """systemd's own weighing of what a service could do if it were taken over: 0 to 10, here in tenths."""
        run("systemd-analyze", "security", "--offline=yes", "--threshold=15", UNIT)

    def test_nothing_runs_before_it(self, service: configparser.SectionProxy) -> None:
        """RestartPreventExitStatus is not for ExecStartPre: what ends with 2 there is tried again for ever."""
        assert [key for key in service if key.startswith("Exec")] == ["ExecStart", "ExecReload"]

    def test_it_reloads_by_the_command_that_tells_what_came_of_it(self, service: configparser.SectionProxy) -> None:
        program, *words = service["ExecReload"].split()
        assert service["ExecStart"].split()[0] == program
        assert words[0] in COMMANDS
        command = ["reload", *(word.replace("$MAINPID", str(2**22 + 1)) for word in words[1:])]
        assert main(command) == 1  # understood: there is no such process

    def test_it_is_ended_by_systemd_later_than_by_itself(self, service: configparser.SectionProxy) -> None:
        assert float(service["TimeoutStopSec"]) > LAST_RESORT_S

    def test_the_watchdog_ends_only_what_hangs_for_longer_than_a_tick_may_take(
        self, service: configparser.SectionProxy
    ) -> None:
        assert float(service["WatchdogSec"]) >= 2 * _TICK_LATE_S

    def test_its_descriptors_are_those_of_a_large_site(self, service: configparser.SectionProxy) -> None:
        """10,000 lines with a standby each are 20,000; without, 10,000 and what HTTP, broker and process need."""
        assert int(service["LimitNOFILE"]) >= 10_000 + 1 + BACKLOG + LARGEST_CONNECTIONS + 100

    def test_adapters_are_allowed_as_a_class_that_is_known_without_one(
        self, service: configparser.SectionProxy
    ) -> None:
        """One that is absent at the start, or comes back under another minor number, has no device file to name; and a
        class is in /proc/devices only while its driver is loaded (systemd.resource-control(5))."""
        assert "DeviceAllow" not in service
        text = (DEPLOY / "serial-line.conf").read_text("utf-8")
        assert re.findall(r"^DeviceAllow=(.*)$", text, re.MULTILINE) == ["char-ttyUSB rw", "char-ttyACM rw"]
        loaded = "modprobe@usbserial.service modprobe@cdc_acm.service"
        assert re.findall(r"^(?:Wants|After)=(.*)$", text, re.MULTILINE) == [loaded, loaded]
        assert "\nPrivateDevices=no\n" in text


class TestGuide:
    """What can be told of it without a machine; `make deploy-test` types its commands on one."""

    def test_what_is_installed_can_be_read_by_the_service(self) -> None:
        assert Guide().block('pip" install -c').startswith("umask 022")

    def test_a_site_file_is_looked_at_with_the_eyes_of_the_service(self) -> None:
        """Root may read what the service may not."""
        text = (DEPLOY / "README.md").read_text("utf-8")
        checks = [line for line in text.splitlines() if re.search(r"bin/tank-gateway\"? check ", line)]
        assert len(checks) == 3
        assert [line for line in checks if not line.startswith("runuser -u nobody -- ")] == []

    def test_every_file_is_put_in_its_place_by_a_command(self) -> None:
        unused = Guide().unused
        shipped = [
            path for path in DEPLOY.rglob("*") if path.is_file() and path.parent.name not in ("prometheus", "grafana")
        ]
        # Picture, table and what others need who connect are for people, and go to no machine.
        own = {"deploy/README.md", "deploy/overview.png", "deploy/names.md", "deploy/opcua.md", "deploy/sparkplug.md"}
        names = {str(path.relative_to(ROOT)) for path in shipped} - own
        assert {name for name in names if not any(name in block for block in unused)} == set()

    def test_a_service_of_the_same_machine_is_waited_for_and_a_right_clock(self) -> None:
        after = re.findall(r"^After=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
        assert after == ["network-online.target time-sync.target mosquitto.service"]


class TestContainer:
    def test_it_is_started_again_and_holds_nothing_that_it_could_change(self) -> None:
        block = Guide().block("podman run -d")
        for option in ("--restart=always", "--read-only", "--cap-drop=all", "/etc/tank-gateway:ro"):
            assert option in block
        # The entry point of the image is the program.
        assert 'ENTRYPOINT ["tank-gateway"]' in (DEPLOY / "Containerfile").read_text("utf-8")
        assert " tank-gateway check /etc/tank-gateway/site.yaml" in block

    def test_its_environment_is_made_by_the_python_that_is_there(self) -> None:
        text = (DEPLOY / "Containerfile").read_text("utf-8")
        assert "RUN python3 -m venv /opt/tank-gateway" in text

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


DEBIAN_BROKER = """\
pid_file /run/mosquitto/mosquitto.pid

persistence true
persistence_location /var/lib/mosquitto/

log_dest file /var/log/mosquitto/mosquitto.log

include_dir /etc/mosquitto/conf.d
"""
"""What says something in /etc/mosquitto/mosquitto.conf of Debian's package mosquitto, 2.0.11-1.2+deb12u2."""


class TestBroker:
    """The sample beside Debian's own configuration, put in place by the commands of the guide, in a real mosquitto."""

    @pytest.fixture
    def broker(self, tmp_path: Path) -> Mosquitto:
        root = tmp_path / "root"
        for folder in ("etc/mosquitto/conf.d", "var/lib/mosquitto", "var/log/mosquitto", "run/mosquitto"):
            (root / folder).mkdir(parents=True)
        authority = trustme.CA()
        authority.cert_pem.write_to_path(tmp_path / "ca.pem")
        certificate = authority.issue_cert("127.0.0.1")
        certificate.cert_chain_pems[0].write_to_path(tmp_path / "server.pem")
        certificate.private_key_pem.write_to_path(tmp_path / "server.key")
        (tmp_path / "deploy").symlink_to(DEPLOY)
        run("sh", "-ec", self.commands(root), cwd=tmp_path)
        sample = root / "etc/mosquitto/conf.d/tank-gateway.conf"
        text = sample.read_text("utf-8")
        assert "\nlistener 8883\n" in text
        broker = Mosquitto(root)
        # Debian's text in place of the test's own, so that the only listener is the sample's, on a free port.
        me = pwd.getpwuid(os.getuid()).pw_name
        (root / "mosquitto.conf").write_text(f"user {me}\n{self.here(DEBIAN_BROKER, root)}", "utf-8")
        text = self.here(text, root).replace("\nlistener 8883\n", f"\nlistener {broker.port} 127.0.0.1\n")
        sample.write_text(text, "utf-8")
        return broker

    @staticmethod
    def here(text: str, root: Path) -> str:
        """With the paths of a system put below a folder."""
        return re.sub(r"(?<= )/(?=(?:etc|var|run)/)", f"{root}/", text)

    @classmethod
    def commands(cls, root: Path) -> str:
        """The guide's, for this user in place of mosquitto's, and with the passwords that are asked for."""
        block = Guide().block("mosquitto_passwd -c")
        me, mine = pwd.getpwuid(os.getuid()).pw_name, grp.getgrgid(os.getgid()).gr_name
        text = cls.here(block, root).replace("-o mosquitto -g mosquitto", f"-o {me} -g {mine}")
        for user, password in (("gateway-north", "write-only"), ("reader", "read-only")):
            text = text.replace(f"/passwords {user}\n", f"/passwords {user} {password}\n")
        text = text.replace("runuser -u mosquitto -- mosquitto_passwd", "mosquitto_passwd -b")
        assert text.count("mosquitto_passwd -b") == 2
        return text.replace("systemctl restart mosquitto\n", "")

    def test_it_starts_beside_debians_own_configuration_without_a_warning(
        self, broker: Mosquitto, tmp_path: Path
    ) -> None:
        private = tmp_path / "root/etc/mosquitto/tank-gateway"
        assert {path.name for path in private.iterdir()} == {"acl", "passwords", "ca.pem", "server.pem", "server.key"}
        # What later versions refuse to load: another owner, or any right for others.
        for path in (private, *private.iterdir()):
            assert (path.stat().st_uid, path.stat().st_gid) == (os.getuid(), os.getgid())
            assert path.stat().st_mode & 0o077 == 0, path
        with broker:
            log = (tmp_path / "root/var/log/mosquitto/mosquitto.log").read_text("utf-8")
        assert "Config loaded" in log + broker.log()
        assert f"Opening ipv4 listen socket on port {broker.port}" in log
        # The only thing it may find fault with is that the tests, not Debian, may run it as root.
        lines = [line for line in (log + broker.log()).splitlines() if "as root/administrator" not in line]
        assert [line for line in lines if re.search("Warning|Error|Note|deprecated", line)] == []

    def test_a_value_that_debian_sets_too_would_keep_it_from_starting(self, broker: Mosquitto, tmp_path: Path) -> None:
        sample = tmp_path / "root/etc/mosquitto/conf.d/tank-gateway.conf"
        with sample.open("a", encoding="utf-8") as file:
            file.write(f"persistence_location {tmp_path}/\n")
        with pytest.raises(RuntimeError, match="Duplicate persistence_location value"):
            broker.start()

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
