"""What a reader finds who connects when the gateway is gone: real processes, judged by programs that are not ours.

The reader knows the tank's own topic and one rule, that of the front page: beyond `valid_until` nothing is the present.
"""

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import simulators
from gateway.process.running import DIRECTORY_VARIABLE
from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.support.messages import valid_message
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.mqtt_subscriber import Subscriber

ROOT = Path(__file__).parents[2]
TANKS = 5
PERIOD_S = 1.0
VALID_S = 10.0
"""max(10 s, 2.5 periods)."""
WAIT_S = 30.0

Retained = dict[str, dict[str, Any]]
"""By topic, without `tanks/bench/`."""


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


@pytest.fixture
async def addresses() -> AsyncIterator[dict[str, tuple[str, int]]]:
    """Instruments of five tanks."""
    scenario = fleet(TANKS, 4)
    async with simulators.serve(scenario, ports=dict.fromkeys(scenario.lines, 0)) as running:
        yield dict(running.addresses)


def written_site(folder: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]) -> Path:
    folder.mkdir()
    rows = describe(fleet(TANKS, 4))
    site = folder / "site.yaml"
    site.write_text(site_text(rows, addresses, period_s=PERIOD_S, broker_port=broker.port, web_port=free_port()))
    return site


@asynccontextmanager
async def gateway(
    folder: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]
) -> AsyncIterator[asyncio.subprocess.Process]:
    """A gateway as a person runs it, as if alone on a machine of its own."""
    site = written_site(folder, broker, addresses)
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "gateway",
        "run",
        str(site),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, DIRECTORY_VARIABLE: str(folder / "runtime")},
    )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def all_good(broker: Mosquitto) -> str:
    """Wait until every tank is Good; the boot that says so."""
    good: set[str] = set()
    async with Subscriber(broker.port, "tanks/bench/+/inventory") as subscriber, asyncio.timeout(WAIT_S):
        while True:
            message = await subscriber.next(lambda message: not message.retained)
            if message.content["quality"] == "Good":
                good.add(message.topic)
            if len(good) == TANKS:
                return str(message.content["identity"]["boot"])


async def retained(broker: Mosquitto) -> Retained:
    """All that lies there for one who comes now: the tanks, the status, the sign of life. Each message is valid."""
    wanted = TANKS + 2
    process = await asyncio.create_subprocess_exec(
        *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "--retained-only"),
        *("-t", "tanks/bench/+/inventory", "-t", "tanks/bench/gateway/status", "-t", "tanks/bench/gateway/heartbeat"),
        *("-C", str(wanted), "-W", str(int(WAIT_S)), "-F", "%t %p"),
        stdout=asyncio.subprocess.PIPE,
    )
    out, _ = await process.communicate()
    assert process.returncode == 0, f"not {wanted} messages: {out!r}"
    found = {}
    for line in out.splitlines():
        topic, payload = line.split(b" ", 1)
        found[topic.decode().removeprefix("tanks/bench/")] = valid_message(payload)
    return found


async def shown(site: Path) -> str:
    """What `show` makes of it, as a person runs it."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "gateway", "show", "--broker", str(site)), stdout=asyncio.subprocess.PIPE, cwd=ROOT
    )
    out, _ = await process.communicate()
    assert process.returncode == 0
    return out.decode()


def taken_for_the_present(found: Retained, now: datetime) -> list[str]:
    """Tanks with a Good figure that a reader who keeps to the rule believes at `now`."""
    return [
        topic
        for topic, message in found.items()
        if topic.endswith("/inventory")
        and any(figure["quality"] == "Good" and figure["value"] is not None for figure in message["figures"].values())
        and message["valid_until"] is not None
        and now < datetime.fromisoformat(message["valid_until"])
    ]


def tanks(found: Retained) -> dict[str, dict[str, Any]]:
    return {topic: message for topic, message in found.items() if topic.endswith("/inventory")}


async def test_killed_nothing_good_outlives_its_validity(
    tmp_path: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]
) -> None:
    async with gateway(tmp_path / "first", broker, addresses) as process:
        boot = await all_good(broker)
        alive = datetime.now(UTC)
        process.kill()
        await process.wait()
        killed = datetime.now(UTC)
    async with Subscriber(broker.port, "tanks/bench/gateway/status") as subscriber:
        await subscriber.state("offline")
    found = await retained(broker)
    assert len(taken_for_the_present(found, alive)) == TANKS, "while it lived they were to be believed"
    assert taken_for_the_present(found, killed + timedelta(seconds=VALID_S)) == []
    said = await shown(tmp_path / "first" / "site.yaml")
    assert f"NOT LIVE: {TANKS} of {TANKS} tanks." in said
    assert "Gateway: OFFLINE, lost the connection to the broker and is not back" in said
    status, heartbeat = found["gateway/status"], found["gateway/heartbeat"]
    assert (status["state"], status["cause"], status["boot"]) == ("offline", "connection_lost", boot)
    # The last will is of the connect, and says so; that the gateway lived until later, the sign of life says.
    assert status["time"] == status["connected_since"] == heartbeat["connected_since"]
    assert heartbeat["boot"] == boot
    assert status["connected_since"] <= heartbeat["time"]
    assert datetime.fromisoformat(heartbeat["time"]) <= killed

    # And who comes after it says what became of it, as far as that can be known.
    async with (
        gateway(tmp_path / "second", broker, addresses),
        Subscriber(broker.port, "tanks/bench/gateway/status") as subscriber,
    ):
        content = (await subscriber.next(lambda message: bool(message.content["last_boot"]))).content
    last = content["last_boot"]
    assert (last["boot"], last["cause"], last["waiting"]) == (boot, "connection_lost", None)


async def test_hung_nothing_good_outlives_its_validity_and_it_comes_back(
    tmp_path: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]
) -> None:
    """As a machine whose network is cut: the broker has noticed nothing yet, and the status still says online."""
    async with gateway(tmp_path / "first", broker, addresses) as process:
        boot = await all_good(broker)
        assert "NOT LIVE" not in await shown(tmp_path / "first" / "site.yaml")
        process.send_signal(signal.SIGSTOP)
        stopped = datetime.now(UTC)
        found = await retained(broker)
        assert taken_for_the_present(found, stopped + timedelta(seconds=VALID_S)) == []
        for name in ("gateway/status", "gateway/heartbeat"):
            # Told each 30 s, and so to be believed for 75 s.
            assert datetime.fromisoformat(found[name]["valid_until"]) <= stopped + timedelta(seconds=75.0)
        process.send_signal(signal.SIGCONT)
        assert await all_good(broker) == boot
        assert len(taken_for_the_present(await retained(broker), datetime.now(UTC))) == TANKS


async def test_stopped_in_good_order_every_tank_says_so_at_once(
    tmp_path: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]
) -> None:
    async with gateway(tmp_path / "first", broker, addresses) as process:
        boot = await all_good(broker)
        before = tanks(await retained(broker))
        process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(WAIT_S):
            assert await process.wait() == 0
    found = await retained(broker)
    assert taken_for_the_present(found, datetime.now(UTC)) == []
    for topic, message in tanks(found).items():
        figures = message["figures"]
        assert {figure["quality"] for figure in figures.values()} == {"Bad"}, topic
        assert {figure["reason"]["code"] for figure in figures.values()} == {"not_watched"}, topic
        assert message["identity"]["boot"] == boot
        assert message["identity"]["sequence"] > before[topic]["identity"]["sequence"]
        assert figures["tov"]["last_good"]["value"] == pytest.approx(before[topic]["figures"]["tov"]["value"], rel=0.01)
    status = found["gateway/status"]
    assert (status["state"], status["cause"]) == ("offline", "stopped")
    assert [status["tanks"][name] for name in ("total", "good", "uncertain", "bad", "awaited")] == [
        TANKS,
        0,
        0,
        TANKS,
        0,
    ]
    assert [destination["waiting"] for destination in status["destinations"]] == [0]


async def test_a_second_gateway_begun_by_mistake_and_stopped_leaves_the_first_ones_tanks_alone(
    tmp_path: Path, broker: Mosquitto, addresses: dict[str, tuple[str, int]]
) -> None:
    async with gateway(tmp_path / "first", broker, addresses):
        first = await all_good(broker)
        async with (
            Subscriber(broker.port, "tanks/bench/#") as subscriber,
            gateway(tmp_path / "second", broker, addresses) as second,
        ):
            # Each knows of the other as soon as both are there.
            for boot in (first, None):
                await subscriber.next(
                    lambda message, boot=boot: (  # type: ignore[misc]
                        message.topic.endswith("/status")
                        and bool(message.content["destinations"][0]["troubles"])
                        and (message.content["boot"] == first) is (boot == first)
                    )
                )
            second.send_signal(signal.SIGTERM)
            async with asyncio.timeout(WAIT_S):
                assert await second.wait() == 0
        found = await retained(broker)
        assert len(taken_for_the_present(found, datetime.now(UTC))) == TANKS
        assert found["gateway/status"]["state"] == "online"
