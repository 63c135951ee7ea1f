"""An edge node before a host of the test's own at a real MQTT server: births, data, deaths, and who is waited for.

Every message that comes is held to all rules of `tests.support.sparkplug_rules`; each test ends with none broken.
"""

import asyncio
import base64
import json
import os
import random
import re
import signal
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from itertools import count
from pathlib import Path
from typing import Any

import orjson
import pytest
import trustme
from structlog.testing import capture_logs

from gateway.delivery.contract import Surroundings
from gateway.delivery.mqtt_wire.words import Heard
from gateway.delivery.plan import TlsPlan
from gateway.delivery.sparkplug import talk
from gateway.delivery.sparkplug.delivery import SparkplugDelivery
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.sparkplug.talk import LOOK_EVERY_S
from gateway.history import KeptRecord
from gateway.records import Figure, Input, Quality, Reason, ReasonCode, TankInput
from gateway.status import GatewaySnapshot
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, Motion, TankState
from tests.support.alarm_events import alarm_now, standing_of
from tests.support.deliveries import until
from tests.support.destinations import running
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.mosquitto import Mosquitto
from tests.support.records import BOOT, NOON, bad, inventory, record, record_of, snapshot
from tests.support.sparkplug_host import Host
from tests.support.sparkplug_wire import decoded, encoded_command
from tests.support.tcp_proxy import TcpProxy

NOON_MS = round(NOON.timestamp() * 1000)
ROOT = Path(__file__).parents[2]
_DOUBT = Reason(ReasonCode.STALE, "the gauge is silent")


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, verbose=False) as server:
        yield server


def plan_for(*ports: int, **changes: Any) -> SparkplugPlan:
    quick: dict[str, Any] = {
        "keepalive_s": 1,
        "timeout_s": 5.0,
        "host_silence_s": 0.0,
        "backoff_first_s": 0.02,
        "backoff_longest_s": 0.1,
    }
    addresses = tuple(("127.0.0.1", port) for port in ports)
    return SparkplugPlan(addresses, "plant", "harbour", **{**quick, **changes})


def node(
    plan: SparkplugPlan, outbox: MemoryOutbox | None = None, state: Any = snapshot, boot: str = BOOT
) -> SparkplugDelivery:
    return SparkplugDelivery(plan, Surroundings("harbour", boot, state, random.Random(1), lambda _: None, outbox))


def sheet(sequence: int, tank: str = "TK-1", **figures: Figure) -> TankRecord:
    return record(tank, sequence, simulated=False, **figures)


def level(value: float, quality: Quality = Quality.GOOD) -> Figure:
    return Figure(value, quality, () if quality is Quality.GOOD else (_DOUBT,), 2.0)


async def has(host: Host, kind: str, times: int = 1) -> None:
    await until(lambda: host.watching.kinds().count(kind) >= times)


async def shows(host: Host, sequence: int) -> None:
    await until(lambda: host.watching.value("TK-1", "sheet/sequence") == sequence)


async def test_births_data_and_a_death_as_any_host_reads_them(server: Mosquitto) -> None:
    made = node(plan_for(server.port))
    made.offer(sheet(1, gsv=level(100.5, Quality.UNCERTAIN), mass=bad()))
    made.offer(sheet(1, "TK-2"))
    async with Host(server.port) as host:
        watching = host.watching
        async with running(made):
            await has(host, "DBIRTH TK-2")
            assert watching.kinds() == ["NBIRTH", "DBIRTH TK-1", "DBIRTH TK-2"]
            assert watching.value("TK-1", "figures/level") == 9.412
            assert watching.values["TK-1"]["figures/level"]["timestamp"] == NOON_MS - 2000
            assert watching.properties("TK-1", "figures/level") == {
                "Quality": 192,
                "unit": "m",
                "title": "Level above the datum",
            }
            uncertain = watching.properties("TK-1", "figures/gsv")
            assert (uncertain["Quality"], uncertain["stated_quality"], uncertain["unit"]) == (500, "Uncertain", "m3")
            assert (uncertain["reason_code"], uncertain["reason"]) == ("stale", "the gauge is silent")
            assert watching.value("TK-1", "figures/mass") is None
            lost = watching.properties("TK-1", "figures/mass")
            assert (lost["Quality"], lost["stated_quality"]) == (0, "Bad")
            # Only what has changed is told again, and which sheet it is; seq goes round at 255.
            for sequence in range(2, 600):
                made.offer(sheet(sequence, gsv=level(100.5, Quality.UNCERTAIN), mass=level(7.0)))
                await shows(host, sequence)
            told = [each.metrics.keys() for each in watching.messages if each.kind == "DDATA"]
            assert set(told[0]) == {"figures/mass", "sheet/quality", "sheet/sequence"}
            assert all(set(names) == {"sheet/sequence"} for names in told[1:])
            assert len(told) > 300
            assert watching.value("TK-1", "figures/mass") == 7.0
            # It is Good again, which is said once.
            assert watching.properties("TK-1", "figures/mass") == {"Quality": 192}
            made.offer(sheet(600, gsv=level(100.5, Quality.UNCERTAIN), mass=level(8.0)))
            await shows(host, 600)
            assert watching.values["TK-1"]["figures/mass"].get("properties") is None
            await until(lambda: made.status().waiting == 0)
            status = made.status()
            assert (status.connected, status.delivered + status.lost) == (True, 601)
        await until(lambda: not watching.online)
        assert watching.kinds()[-1] == "NDEATH"
        assert watching.broken == []
    agrees_with_the_foreign_decoder(watching.raw)


def agrees_with_the_foreign_decoder(raw: list[bytes]) -> None:
    """The npm package sparkplug-payload reads the same out of all messages as the test's own reader."""
    lines = "\n".join(base64.b64encode(each).decode() for each in raw)
    modules = str(Path(sys.prefix) / "node" / "node_modules")
    found = subprocess.run(
        ["node", str(ROOT / "tests" / "node" / "sparkplug_decode.js")],
        input=lines,
        env={**os.environ, "NODE_PATH": modules},
        capture_output=True,
        text=True,
        check=True,
    )
    foreign = [json.loads(line) for line in found.stdout.splitlines()]
    assert len(foreign) == len(raw)
    for one, data in zip(foreign, raw, strict=True):
        own = decoded(data)
        assert one.get("seq") == own.get("seq")
        assert one.get("timestamp") == own.get("timestamp")
        assert len(one["metrics"]) == len(own.get("metrics", []))
        for theirs, ours in zip(one["metrics"], own.get("metrics", []), strict=True):
            assert theirs.get("name") == ours.get("name")
            assert theirs.get("alias") == ours.get("alias")
            values = [ours[key] for key in ours if key.endswith("_value")]
            assert theirs["value"] == (values[0] if values else None)
            told = ours.get("properties", {})
            for key, value in zip(told.get("keys", []), told.get("values", []), strict=True):
                mine = next(value[each] for each in value if each.endswith("_value"))
                assert theirs["properties"][key]["value"] == mine


async def test_a_birth_is_the_one_thing_that_is_obeyed(server: Mosquitto) -> None:
    made = node(plan_for(server.port))
    made.offer(sheet(1))
    async with Host(server.port) as host, running(made):
        await has(host, "DBIRTH TK-1")
        number = host.watching.bdseq
        command = "plant/NCMD/harbour"
        others = [
            encoded_command("Node Control/Reboot", boolean=True),
            encoded_command("Node Control/Rebirth", boolean=False),
            encoded_command("Node Control/Rebirth", text="true"),
            encoded_command("gateway/site", text="elsewhere"),
            b"",
            b"\xff" * 50,
            b"\x0a\x03\xff\xff\xff",
            bytes(70_000),
        ]
        source = random.Random(7)
        others += [source.randbytes(source.randrange(1, 200)) for _ in range(200)]
        for each in others:
            await host.tells(command, each)
        await host.tells("plant/DCMD/harbour/TK-1", encoded_command("figures/level", boolean=True))
        await until(lambda: host.watching.value("", "gateway/commands_ignored") == len(others))
        assert host.watching.kinds().count("NBIRTH") == 1
        # Once is at once; who asks all the time gets it once a second, and no data meanwhile.
        for _ in range(20):
            await host.asks_birth()
        await has(host, "DBIRTH TK-1", 2)
        made.offer(sheet(2))
        await shows(host, 2)
        assert host.watching.kinds().count("NBIRTH") in (2, 3)
        assert host.watching.bdseq == number
        assert made.status().connected
        assert host.watching.broken == []


async def test_nothing_is_told_while_the_primary_host_is_away(server: Mosquitto) -> None:
    outbox = MemoryOutbox(streams(["TK-1"], 3))
    made = node(plan_for(server.port, primary_host="control"), outbox)
    made.offer(sheet(4))
    async with Host(server.port) as listener, running(made):
        await until(lambda: [each.code for each in made.status().troubles] == ["host_offline"])
        # One that is not it, and words that are none.
        async with Host(server.port, "another"):
            await listener.tells("STATE/control", b"ONLINE")
            await listener.tells("STATE/control", b'{"online": "true", "timestamp": 5}')
            await listener.tells("STATE/control", b'{"online": false, "timestamp": 5}', retain=True, qos=1)
            await asyncio.sleep(0.3)
        assert listener.watching.kinds() == []
        assert not made.status().connected
        async with Host(server.port, "control") as host:
            await until(lambda: outbox.backlog().waiting == 0 and len(listener.watching.messages) > 1)
            assert listener.watching.kinds()[:2] == ["NBIRTH", "DBIRTH TK-1"]
            (client,) = made.status().clients
            assert (client.name, client.since, made.status().troubles) == ("control", NOON, ())
            # A last will of before that comes late is not believed.
            await host.says(False, timestamp=6)
            made.offer(sheet(5))
            await shows(listener, 5)
            assert listener.watching.kinds().count("NDEATH") == 0
            await host.says(False)
            await has(listener, "NDEATH")
            outbox.add(kept_record(4, "TK-1", 6, 5))
            await asyncio.sleep(0.5)
            assert outbox.backlog().waiting == 1
            assert not listener.watching.online
            await host.says(True)
            await until(lambda: outbox.backlog().waiting == 0)
        assert listener.watching.broken == []
    numbers = [each.payload["metrics"][0]["long_value"] for each in listener.watching.messages if each.kind == "NDEATH"]
    assert numbers == sorted(set(numbers))


async def test_what_was_sent_while_the_host_was_away_for_a_moment_does_not_count(server: Mosquitto) -> None:
    """It goes and is back before the node has a turn: both come in one piece."""
    outbox = MemoryOutbox()
    made = node(plan_for(server.port, primary_host="control"), outbox)
    made.offer(sheet(1))
    async with Host(server.port, "control") as host, running(made):
        await has(host, "DBIRTH TK-1")
        bdseq = host.watching.bdseq
        for online, timestamp in ((False, 10**14), (True, 10**14 + 1)):
            made._heard(Heard("spBv1.0/STATE/control", orjson.dumps({"online": online, "timestamp": timestamp}), False))
        assert not made.status().connected
        # An answer to a ping that comes now proves nothing of what was sent before.
        outbox.add(kept_record(1, "TK-1", 2, 5))
        await has(host, "NDEATH")
        await until(lambda: outbox.backlog().waiting == 0)
        assert host.watching.bdseq != bdseq
        assert host.watching.broken == []


async def test_what_a_host_that_was_dead_without_a_word_missed_is_told_again(server: Mosquitto) -> None:
    """Its process is stopped: for its server it is online until its keepalive has passed by half. Once it comes back
    before that, by another connection; once its server tells first."""
    outbox = MemoryOutbox()
    made = node(plan_for(server.port, primary_host="control", host_silence_s=600.0), outbox)
    made.offer(sheet(1))
    async with Host(server.port) as listener, running(made), DeadlyHost(server.port, "control") as first:
        await has(listener, "DBIRTH TK-1")
        first.freeze()
        # The server takes what is sent, proves it by its pings, and gives it to nobody who reads.
        for sequence in (2, 3):
            made.offer(sheet(sequence))
            outbox.add(kept_record(sequence, "TK-1", sequence, sequence - 1))
        await until(lambda: made.status().delivered + made.status().dropped == 3)
        async with DeadlyHost(server.port, "control", after=first) as second:
            # It says that it is there, and then the server that the first is dead.
            await has_past(listener, 2, 3)
            assert listener.watching.kinds().count("NDEATH") == 0
            assert outbox.backlog().waiting == 2, "for ten minutes nobody knows whether this one reads"
            second.freeze()
            made.offer(sheet(4))
            outbox.add(kept_record(4, "TK-1", 4, 3))
            await until(lambda: made.status().delivered + made.status().dropped == 4)
            await has(listener, "NDEATH")
            outbox.add(kept_record(5, "TK-1", 5, 4))
            async with Host(server.port, "control"):
                # The newest sheet may hold still, and be told by a birth.
                await has_past(listener, 2, 3, 5)
                await until(lambda: made._talk is not None and made._talk.reach.waiting == 0)
                assert 4 in {sequence for *_, sequence in listener.watching.sheets()}
        assert listener.watching.broken == []
    assert outbox.backlog().waiting == 0, "it was there to the end"


async def has_past(host: Host, *sequences: int) -> None:
    """They have been told as history."""

    def told() -> set[int]:
        return {_sequence(metric) for _, name, metric in host.watching.past if name == "sheet/sequence"}

    await until(lambda: told() >= {*sequences})


class DeadlyHost:
    """mosquitto_sub as a primary host, with a last will and a keepalive of 5 s, the shortest that it has: it can be
    stopped as no client within this process can."""

    def __init__(self, port: int, name: str, *, after: "DeadlyHost | None" = None) -> None:
        self._port, self._name = port, name
        now_ms = round(time.time() * 1000)
        self.timestamp: int = now_ms if after is None else max(after.timestamp + 1, now_ms)

    def _told(self, online: bool) -> str:
        return json.dumps({"online": online, "timestamp": self.timestamp})

    async def __aenter__(self) -> "DeadlyHost":
        topic = f"spBv1.0/STATE/{self._name}"
        will = ["--will-topic", topic, "--will-payload", self._told(False), "--will-retain", "--will-qos", "1"]
        where = ["-h", "127.0.0.1", "-p", str(self._port), "-k", "5"]
        self._process = await asyncio.create_subprocess_exec(
            "mosquitto_sub", *where, *will, "-t", "spBv1.0/plant/#", "-t", topic, "-v", stdout=asyncio.subprocess.PIPE
        )
        said = ["-t", topic, "-m", self._told(True), "-r", "-q", "1"]
        saying = await asyncio.create_subprocess_exec("mosquitto_pub", *where[:4], *said)
        assert await saying.wait() == 0
        return self

    def freeze(self) -> None:
        self._process.send_signal(signal.SIGSTOP)

    async def __aexit__(self, *_: object) -> None:
        self._process.kill()
        await self._process.wait()


async def test_tls_a_password_and_no_more_leave_than_the_guide_names(tmp_path: Path) -> None:
    """At a server whose authority is the plant's own; what fails is said in a sentence, and mended without a start."""
    authority, other = trustme.CA(), trustme.CA()
    for name, ca in (("ca", authority), ("other", other)):
        ca.cert_pem.write_to_path(str(tmp_path / f"{name}.pem"))
    issued = authority.issue_cert("127.0.0.1")
    issued.private_key_pem.write_to_path(str(tmp_path / "key"))
    issued.cert_chain_pems[0].write_to_path(str(tmp_path / "certificate"))
    users = tmp_path / "users"
    for user in ("gateway", "host"):
        command = ["mosquitto_passwd", "-b", *([] if users.exists() else ["-c"]), str(users), user, "four quiet herons"]
        await asyncio.to_thread(subprocess.run, command, check=True, timeout=20)
    (tmp_path / "acl").write_text(leave_by_the_guide("gateway") + "user host\ntopic readwrite spBv1.0/#\n")
    options = (
        *(f"{key} {tmp_path}/{name}" for key, name in (("cafile", "ca.pem"), ("certfile", "certificate"))),
        f"keyfile {tmp_path}/key",
        "allow_anonymous false",
        f"password_file {users}",
        f"acl_file {tmp_path}/acl",
    )
    password = tmp_path / "password"
    password.write_text("four quiet herrings\n")
    secret = {"user_name": "gateway", "password_file": password}
    with Mosquitto(tmp_path, verbose=False, options=options) as server, capture_logs() as logs:

        def reasons() -> list[str]:
            return [each["reason"] for each in logs if each["event"] == "delivery.sparkplug_not_connected"]

        for tls, reason in (
            (None, "is that port for TLS? Then give tls"),
            (TlsPlan(tmp_path / "other.pem"), "server certificate not accepted"),
            (TlsPlan(tmp_path / "ca.pem"), "Not authorized"),
        ):
            logs.clear()
            async with running(node(plan_for(server.port, tls=tls, **secret))):
                await until(lambda: len(reasons()) > 0)
            assert reason in reasons()[0]
        password.write_text("four quiet herons\n")
        outbox = MemoryOutbox(streams(["TK-1"], 3))
        made = node(plan_for(server.port, tls=tls, primary_host="control", **secret), outbox)
        made.offer(sheet(4))
        as_host = {
            "tls_context": ssl.create_default_context(cafile=str(tmp_path / "ca.pem")),
            "username": "host",
            "password": "four quiet herons",
        }
        async with Host(server.port, "control", signs_in=as_host) as host, running(made):
            await until(lambda: outbox.backlog().waiting == 0)
            await shows(host, 4)
            await host.asks_birth()
            await has(host, "NBIRTH", 2)
            assert host.watching.broken == []
    assert "herons" not in repr(logs)


def leave_by_the_guide(user: str) -> str:
    """What it says that the user needs, as mosquitto takes it."""
    (said,) = re.findall(r"The user needs leave (.*?)\n\n", (ROOT / "deploy/sparkplug.md").read_text(), re.DOTALL)
    publish, _, read = (
        said.replace("GROUP", "plant").replace("NODE", "harbour").replace("HOST", "control").partition("read")
    )
    own = ("spBv1.0/plant/NBIRTH/harbour", "spBv1.0/plant/NDEATH/harbour")
    lines = [f"topic write {each}" for each in re.findall(r"`(spB.*?)`", publish)]
    lines += [f"topic read {each}" for each in (*re.findall(r"`(spB.*?)`", read), *own)]
    return "\n".join([f"user {user}", *lines, ""])


async def test_of_two_servers_it_goes_where_the_primary_host_is(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    with Mosquitto(tmp_path / "one", verbose=False) as one, Mosquitto(tmp_path / "two", verbose=False) as two:
        made = node(plan_for(one.port, two.port, primary_host="control", host_wait_s=0.5))
        made.offer(sheet(1))
        async with Host(one.port) as at_one, Host(two.port, "control") as at_two, running(made):
            await has(at_two, "DBIRTH TK-1")
            assert all(kind == "NDEATH" for kind in at_one.watching.kinds())
            async with Host(one.port, "control"):
                await at_two.says(False)
                await has(at_one, "DBIRTH TK-1")
                assert at_two.watching.kinds()[-1] == "NDEATH"
                before = len(at_two.watching.messages)
                # The server itself is lost.
                await at_two.says(True)
                one.kill()
                await has(at_two, "DBIRTH TK-1", 2)
                assert len(at_two.watching.messages) > before
            made.offer(sheet(2))
            await until(lambda: at_two.watching.value("TK-1", "sheet/sequence") == 2)
            assert at_two.watching.broken == []


async def test_history_comes_after_the_births_with_its_own_times_and_what_is_new_first(server: Mosquitto) -> None:
    past = [
        KeptRecord(
            position,
            record_of(
                "harbour", "f" * 32, position, inventory("TK-1", instant=NOON - timedelta(hours=1, seconds=position))
            ),
            None,
        )
        for position in range(1, 301)
    ]
    happened = kept_event(301, EventKind.MOVEMENT_BEGAN, "TK-1", instant=NOON - timedelta(minutes=30))
    gone = KeptRecord(302, record_of("harbour", "f" * 32, 9, inventory("TK-0", instant=NOON - timedelta(days=2))), None)
    outbox = MemoryOutbox([*past, happened, gone])
    made = node(plan_for(server.port), outbox)
    made.offer(sheet(1))
    async with Host(server.port) as host, running(made):
        watching = host.watching
        await until(lambda: outbox.backlog().waiting == 0)
        # What the server has may still be under way to the host.
        await has(host, "DDEATH TK-0")
        kinds = watching.kinds()
        assert kinds[:3] == ["NBIRTH", "DBIRTH TK-1", "DDATA TK-1"]
        told = [(device, _sequence(metric)) for device, name, metric in watching.past if name == "sheet/sequence"]
        assert told == [("TK-1", position) for position in range(1, 301)] + [("TK-0", 9)]
        times = [metric["timestamp"] for _, name, metric in watching.past if name == "figures/level"]
        assert times[0] == NOON_MS - 3_601_000 - 2000
        (event,) = [metric for _, name, metric in watching.past if name == "event"]
        assert event["timestamp"] == NOON_MS - 1_800_000
        assert json.loads(event["string_value"])["kind"] == "movement_began"
        # What is of now stays what it was; of a tank that is no more there is no now.
        assert watching.value("TK-1", "sheet/sequence") == 1
        await has(host, "DDEATH TK-0")
        assert watching.properties("TK-0", "figures/level")["Quality"] == 500
        assert watching.value("TK-0", "figures/level") is None
        # A kept sheet that was told when it was new is not told again.
        made.offer(sheet(2))
        await shows(host, 2)
        outbox.add(kept_record(303, "TK-1", 2, 1))
        before = len(watching.past)
        await until(lambda: outbox.backlog().waiting == 0)
        assert len(watching.past) == before
        assert watching.broken == []


def _sequence(metric: dict[str, Any]) -> int:
    return int(metric["long_value"])


async def test_what_no_ping_has_proved_is_sent_again_and_nothing_is_lost(server: Mosquitto) -> None:
    """The way to the server is half open: it takes what is sent, and passes nothing on."""
    outbox = MemoryOutbox()
    proxy = TcpProxy(server.port)
    made = node(plan_for(proxy.port), outbox)
    try:
        async with Host(server.port) as host, running(made):
            made.offer(sheet(1))
            await has(host, "DBIRTH TK-1")
            proxy.hold()
            await asyncio.sleep(0.1)
            for sequence in range(2, 12):
                made.offer(sheet(sequence))
                outbox.add(kept_record(sequence, "TK-1", sequence, sequence - 1))
                await asyncio.sleep(0.02)
            await until(lambda: not made.status().connected)
            assert outbox.backlog().waiting == 10
            proxy.mend()
            await until(lambda: outbox.backlog().waiting == 0)
            await until(lambda: {sequence for _, _, sequence in host.watching.sheets()} == set(range(1, 12)))
            assert host.watching.value("TK-1", "sheet/sequence") == 11
            status = made.status()
            assert status.delivered + status.dropped + status.waiting == 11
            # Frozen: it holds its connections and does nothing.
            server.freeze()
            made.offer(sheet(12))
            outbox.add(kept_record(12, "TK-1", 12, 11))
            await until(lambda: not made.status().connected)
            server.thaw()
            await until(lambda: outbox.backlog().waiting == 0)
            await shows(host, 12)
            assert host.watching.broken == []
    finally:
        proxy.close()


def lost_sheet(sequence: int, tank: str = "TK-1") -> TankRecord:
    """No instrument of the tank tells anything."""
    silent = Input(None, Quality.BAD, Reason(ReasonCode.NO_ANSWER, "no answer"), 75.0, "LT-1.level")
    made = record(tank, sequence, level=bad())
    return made._replace(tank_input=TankInput(tank, NOON, level=silent, elements=(silent,)))


async def test_a_tank_that_is_lost_removed_or_silent_is_dead(server: Mosquitto) -> None:
    tanks = ["TK-1", "TK-2", "TK-3"]
    outbox = MemoryOutbox()

    def state() -> GatewaySnapshot:
        return snapshot()._replace(tanks=tuple(tanks))

    made = node(plan_for(server.port), outbox, state)
    for tank in tanks:
        made.offer(sheet(1, tank))
    async with Host(server.port) as host, running(made):
        watching = host.watching
        await has(host, "DBIRTH TK-3")
        # Why there is nothing is told first.
        made.offer(lost_sheet(2))
        await has(host, "DDEATH TK-1")
        assert watching.properties("TK-1", "figures/level")["reason_code"] == "no_answer"
        made.offer(lost_sheet(3))
        outbox.add(KeptRecord(1, lost_sheet(2), None))
        outbox.add(KeptRecord(2, lost_sheet(3), None))
        await until(lambda: outbox.backlog().waiting == 0 and watching.value("", "tanks/lost") == "TK-1")
        assert watching.kinds().count("DDEATH TK-1") == 1
        made.offer(sheet(4))
        await has(host, "DBIRTH TK-1", 2)
        assert watching.value("TK-1", "sheet/sequence") == 4
        tanks.remove("TK-2")
        await has(host, "DDEATH TK-2")
        # It says for how long it holds.
        made.offer(sheet(2, "TK-3")._replace(valid_for_s=0.2))
        await has(host, "DDEATH TK-3")
        await host.asks_birth()
        await has(host, "DBIRTH TK-1", 3)
        assert watching.alive == {"TK-1"}
        assert watching.broken == []
    assert LOOK_EVERY_S <= 2.0


async def test_another_of_our_name_is_told_of_and_a_death_that_is_not_true_is_answered(server: Mosquitto) -> None:
    made = node(plan_for(server.port))
    made.offer(sheet(1))
    async with Host(server.port) as host, running(made):
        await has(host, "DBIRTH TK-1")
        assert made.status().troubles == ()
        death = b"\x12\x0b\x0a\x05bdSeq\x20\x04\x58\x00"
        await host.tells("plant/NDEATH/harbour", death, qos=1)
        await has(host, "DBIRTH TK-1", 2)
        assert host.watching.online
        with capture_logs() as logs:
            boot = "e" * 32
            other = node(plan_for(server.port), state=lambda: snapshot()._replace(boot=boot), boot=boot)
            async with running(other):
                await until(lambda: made.status().troubles)
        (trouble,) = made.status().troubles
        assert trouble.code == "other_gateway"
        assert "another node is called plant/harbour" in trouble.text
        assert "delivery.sparkplug_other_node" in [each["event"] for each in logs]


async def test_simulated_is_said_with_every_value(server: Mosquitto) -> None:
    made = node(plan_for(server.port), state=lambda: snapshot(simulated=True))
    made.offer(record("TK-1", 1, simulated=True))
    async with Host(server.port) as host, running(made):
        await has(host, "DBIRTH TK-1")
        made.offer(record("TK-1", 2, simulated=True, gsv=level(3.0)))
        await until(lambda: host.watching.value("TK-1", "figures/gsv") == 3.0)
        for device in ("", "TK-1"):
            for name in host.watching.values[device]:
                if name not in ("bdSeq", "Node Control/Rebirth"):
                    assert host.watching.properties(device, name)["simulated"] == 1, name
        assert host.watching.value("TK-1", "sheet/simulated") == 1
        assert host.watching.value("", "caution/monitoring").startswith("Monitoring only.")
        assert host.watching.broken == []


class Listener:
    """A server of the test's own that writes down what comes, packet by packet, and answers as a server would."""

    def __init__(self) -> None:
        self.packets: list[tuple[int, bytes]] = []
        self.port = 0

    async def __aenter__(self) -> "Listener":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()

    def of(self, kind: int) -> list[tuple[int, bytes]]:
        return [(first & 15, body) for first, body in self.packets if first >> 4 == kind]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        is_5 = False
        while head := await reader.read(1):
            length = shift = 0
            while True:
                byte = (await reader.readexactly(1))[0]
                length |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            body = await reader.readexactly(length)
            self.packets.append((head[0], body))
            kind = head[0] >> 4
            if kind == 1:
                is_5 = body[6] == 5
                writer.write(b"\x20\x03\x00\x00\x00" if is_5 else b"\x20\x02\x00\x00")
            elif kind == 8:
                writer.write(b"\x90\x04" + body[:2] + b"\x00\x01" if is_5 else b"\x90\x03" + body[:2] + b"\x01")
            elif kind == 12:
                writer.write(b"\xd0\x00")
            elif kind == 3 and head[0] & 6:
                at = 2 + int.from_bytes(body[:2], "big")
                writer.write(b"\x40\x02" + body[at : at + 2])
        writer.close()


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_how_it_connects_and_what_it_asks_for(protocol: str) -> None:
    """CONNECT, SUBSCRIBE, the last PUBLISH and DISCONNECT by their bytes: MQTT 3.1.1 and 5, sections 3.1, 3.8, 3.14."""
    async with Listener() as listener:
        made = node(plan_for(listener.port, protocol=protocol, primary_host="control"), MemoryOutbox())
        async with running(made):
            await until(lambda: len(listener.of(8)) == 4)
        ((_, connect),) = listener.of(1)
        assert connect[:7] == b"\x00\x04MQTT" + (b"\x05" if protocol == "5" else b"\x04")
        # Clean session or start, a will by QoS 1 that is not retained; no user.
        assert connect[7] == 0b0000_1110
        rest = connect[10:]
        if protocol == "5":
            # No Session Expiry Interval among the properties, which is 0 then (3.1.2.11.2).
            assert 0x11 not in _properties(rest[1 : 1 + rest[0]])
            rest = rest[1 + rest[0] :]
        client, rest = _text(rest)
        assert client.isalnum()
        assert len(client) <= 23
        if protocol == "5":
            rest = rest[1 + rest[0] :]
        topic, rest = _text(rest)
        assert topic == b"spBv1.0/plant/NDEATH/harbour"
        will, rest = _text(rest)
        death = decoded(will)
        assert death == {"metrics": [{"name": "bdSeq", "datatype": 4, "long_value": 0}]}
        asked = {}
        for _, body in listener.of(8):
            name, options = _text(body[3:] if protocol == "5" else body[2:])
            asked[name.decode()] = options[0] & 3
        assert asked["spBv1.0/plant/NCMD/harbour"] == 1
        assert asked["spBv1.0/STATE/control"] == 1
        # It says itself that it goes, by QoS 1 and not retained, and waits until that has arrived.
        (flags, last), *more = listener.of(3)
        assert not more
        assert flags == 0b0010
        topic, rest = _text(last)
        assert topic == b"spBv1.0/plant/NDEATH/harbour"
        assert decoded(rest[3:] if protocol == "5" else rest[2:]) == death
        ((_, disconnect),) = listener.of(14)
        # 5: disconnect with will message (3.14.2.1).
        assert disconnect[:1] == (b"\x04" if protocol == "5" else b"")


def _text(data: bytes) -> tuple[bytes, bytes]:
    end = 2 + int.from_bytes(data[:2], "big")
    return data[2:end], data[end:]


def _properties(data: bytes) -> set[int]:
    """Those with four bytes, which are all that is sent."""
    assert len(data) % 5 == 0
    return set(data[::5])


async def test_a_metric_that_no_birth_had_brings_another_birth(server: Mosquitto) -> None:
    alarms = [alarm_now("", standing_of(AlarmKind.LINE_LOST, AlarmPhase.NORMAL, name="line_lost.east"))]
    made = node(plan_for(server.port), state=lambda: snapshot()._replace(alarms=tuple(alarms)))
    made.offer(sheet(1))
    async with Host(server.port) as host, running(made):
        await has(host, "DBIRTH TK-1")
        assert host.watching.value("", "alarms/line_lost/east") == "normal"
        alarms.append(alarm_now("", standing_of(AlarmKind.LINE_LOST, name="line_lost.west")))
        await has(host, "DBIRTH TK-1", 2)
        assert host.watching.value("", "alarms/line_lost/west") == "unacknowledged"
        alarms[0] = alarm_now("", standing_of(AlarmKind.LINE_LOST, name="line_lost.east"))
        await until(lambda: host.watching.value("", "alarms/line_lost/east") == "unacknowledged")
        assert host.watching.kinds().count("NBIRTH") == 2
        assert host.watching.broken == []


async def test_alarms_that_a_site_file_takes_away_and_adds_are_told_over_the_connection_that_stands(
    server: Mosquitto,
) -> None:
    watched = [AlarmKind.MINIMUM]

    def state() -> GatewaySnapshot:
        return snapshot()._replace(
            alarms=tuple(alarm_now("TK-1", standing_of(each, AlarmPhase.NORMAL)) for each in watched)
        )

    sequence = count(1)
    made = node(plan_for(server.port), state=state)

    def told() -> list[Any]:
        quiet = TankState(Motion.AT_REST, NOON, level(0.0), level(0.0))
        made.offer(sheet(next(sequence))._replace(state=quiet))
        return [host.watching.value("TK-1", f"alarms/{each}") for each in ("minimum", "slow_loss")]

    async with Host(server.port) as host, running(made):
        await until(lambda: told() == ["normal", None])
        watched[:] = [AlarmKind.SLOW_LOSS]
        await until(lambda: told() == [None, "normal"])
        assert host.watching.kinds().count("NBIRTH") == 1
        assert host.watching.broken == []


async def test_absent_at_start_run_again_and_followed_by_another_it_goes_on(tmp_path: Path) -> None:
    """What was offered is delivered, dropped or waiting; history is taken up where it was left."""
    server = Mosquitto(tmp_path, verbose=False)
    outbox = MemoryOutbox(streams(["TK-1", "TK-2"], 100))
    made = node(plan_for(server.port), outbox)
    offered = 0
    async with running(made):
        for sequence in range(1, 51):
            offered += 1
            made.offer(sheet(sequence + 1000))
        await asyncio.sleep(0.3)
        status = made.status()
        assert (status.connected, status.waiting, status.dropped) == (False, 1, 49)
        with server:
            async with Host(server.port, late=True) as host:
                await until(lambda: outbox.arrived)
                assert made.status().connected
    with server:
        async with Host(server.port) as host:
            for _ in range(2):
                async with running(made):
                    offered += 1
                    made.offer(sheet(offered + 1000))
                    await shows(host, offered + 1000)
            another = node(plan_for(server.port), outbox)
            another.offer(sheet(2000))
            async with running(another):
                await until(lambda: outbox.backlog().waiting == 0)
                await shows(host, 2000)
            status = made.status()
            assert status.delivered + status.dropped + status.lost + status.waiting == offered
            assert host.watching.broken == []


async def test_a_host_that_talks_all_the_time_keeps_nobody_from_knowing_what_has_arrived(server: Mosquitto) -> None:
    """As long as a server says something, no ping is due."""
    outbox = MemoryOutbox(streams(["TK-1"], 30))
    made = node(plan_for(server.port, keepalive_s=2), outbox)
    made.offer(sheet(100))
    async with Host(server.port) as host, running(made):
        await has(host, "DBIRTH TK-1")
        for sequence in range(101, 300):
            await host.tells("plant/NCMD/harbour", encoded_command("x", boolean=True))
            made.offer(sheet(sequence))
            await asyncio.sleep(0.05)
            if outbox.backlog().waiting == 0:
                break
        assert outbox.backlog().waiting == 0
        assert host.watching.broken == []


async def test_births_of_many_tanks_go_by_a_narrow_way_and_nothing_comes_between(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(talk, "_MOST_UNWRITTEN", 20_000)
    proxy = TcpProxy(server.port)
    proxy.slow(0.005)
    outbox = MemoryOutbox(streams(["TK-0", "TK-1"], 50))
    made = node(plan_for(proxy.port, keepalive_s=10), outbox)
    tanks = [f"TK-{number}" for number in range(60)]
    for tank in tanks:
        made.offer(sheet(1, tank))
    try:
        async with Host(server.port) as host, running(made):
            await until(lambda: host.watching.online)
            # While they are born others have something new.
            for sequence in range(2, 6):
                for tank in tanks:
                    made.offer(sheet(sequence, tank))
                await asyncio.sleep(0.02)
            await has(host, "DBIRTH TK-59")
            assert host.watching.kinds()[:61] == ["NBIRTH", *(f"DBIRTH {tank}" for tank in tanks)]
            await until(lambda: all(host.watching.value(tank, "sheet/sequence") == 5 for tank in tanks))
            # Of the fifty of each those that were told when they were new are not told again.
            await until(lambda: len([1 for _, name, _ in host.watching.past if name == "sheet/sequence"]) >= 90)
            status = made.status()
            assert status.delivered + status.dropped + status.waiting == 300
            assert host.watching.broken == []
    finally:
        proxy.close()
