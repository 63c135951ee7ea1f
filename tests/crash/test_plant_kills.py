"""`kill -9` of the gateway at random instants while the plant reads it by all three ways, each with a client that is
not ours: none is ever told an old figure as Good, and a host of Sparkplug misses no record that was kept."""

import asyncio
import os
import random
import secrets
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.crash.yard import TANKS, Yard
from tests.processes.gateway_process import PATIENCE_S, ROOT
from tests.support.control_system import ControlSystem
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.opcua_peer import Peer, PeerError, peer
from tests.support.register_map import RegisterMap
from tests.support.sparkplug_host import Host

KILLS = int(os.environ.get("CRASH_PLANT_KILLS", "3"))
pytestmark = pytest.mark.timeout(240 + 60 * KILLS)
_LEVELS = [f"ns=2;s=TK-{n}/level" for n in range(TANKS)]


async def until(what: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not what():  # noqa: ASYNC110 - what is waited for happens in other processes
            await asyncio.sleep(0.05)


async def test_whoever_is_killed_tells_the_plant_nothing_old_as_good(tmp_path: Path) -> None:
    seed = int(os.environ.get("CRASH_SEED", secrets.randbelow(1_000_000)))
    print(f"CRASH_SEED={seed}")  # noqa: T201 - pytest shows it where the test fails
    chance = random.Random(seed)
    opcua, registers = free_port(), free_port()
    with Mosquitto(tmp_path, verbose=False) as server, Yard(tmp_path) as yard:
        quick = {"backoff_first": "100 ms", "backoff_longest": "500 ms"}
        yard.write_site(
            {
                "sparkplug": {
                    "address": f"127.0.0.1:{server.port}",
                    "group": "plant",
                    "node": "harbour",
                    "primary_host": "control",
                    "keepalive": "1 s",
                    **quick,
                },
                "registers": {
                    "address": f"127.0.0.1:{registers}",
                    "blocks": {f"TK-{n}": n + 1 for n in range(TANKS)},
                },
                "opcua": {
                    "address": f"127.0.0.1:{opcua}",
                    "certificates": str(tmp_path / "opcua"),
                    "security": ["None"],
                    "anonymous": "yes",
                    "shortest_interval": "100 ms",
                    **quick,
                },
            }
        )
        system = ControlSystem(registers, _map_of(yard.site), requests_per_s=200.0)
        async with Host(server.port, "control") as host, peer() as client:
            polling = asyncio.create_task(system.run())
            told = 0
            for number in range(KILLS + 1):
                begun = time.time()
                with yard.gateway() as running:
                    if number % 2 == 0 or number == KILLS:
                        await _all_are_told(host, client, system, f"opc.tcp://127.0.0.1:{opcua}", str(number), begun)
                    await asyncio.sleep(chance.uniform(0.0, 1.2))
                    assert running.process.poll() is None, yard.logged()[-3:]
                    if number == KILLS:
                        await until(lambda: _kept(yard) <= set(host.watching.sheets()))
                        yard.ends(running)
                await until(lambda: not host.watching.online)
                # The server of OPC UA outlives it by some seconds, to say so to whoever still reads.
                await until(lambda: "Good" not in _last(client.came).values())
                assert not _good_of_before(client.came, begun), "of what a process tells nothing is older than itself"
                told += len(_good(client.came))
                client.came.clear()
            polling.cancel()
            await asyncio.gather(polling, return_exceptions=True)
            kept, came = _kept(yard), set(host.watching.sheets())
        assert kept <= came | _committed_at_the_end(yard)
        assert len(kept) > 20
        assert told >= TANKS * (1 + KILLS // 2), "of each tank to each that subscribed"
        assert host.watching.broken == []
        births = [
            metric["long_value"]
            for each in host.watching.messages
            if each.kind == "NBIRTH"
            for metric in each.payload["metrics"]
            if metric.get("name") == "bdSeq"
        ]
        deaths = [each.payload["metrics"][0]["long_value"] for each in host.watching.messages if each.kind == "NDEATH"]
        assert deaths == sorted(set(deaths)), "it goes on, over all that was killed"
        # Within one connection all may be born again, by its number.
        assert births == sorted(births)
        assert set(births) <= set(deaths)
        assert len(set(births)) > KILLS // 2
    assert system.wrong == []
    assert system.connects > KILLS // 2


async def _all_are_told(
    host: Host, client: Peer, system: ControlSystem, address: str, name: str, begun_s: float
) -> None:
    """Each of the three has figures of this process."""
    while True:
        try:
            await client.ask("connect", name, url=address)
        except PeerError:  # the server of the process before has the port for some seconds
            assert time.time() < begun_s + PATIENCE_S
            await asyncio.sleep(0.2)
            continue
        break
    await client.ask("subscribe", name, nodes=_LEVELS)
    # That one may be of the process before still: then it is lost.
    await until(lambda: len(_good(client.came)) >= TANKS or any(each.get("lost") == name for each in client.came))
    if len(_good(client.came)) < TANKS:
        # What was lost with it would hide what becomes of the next.
        client.came.clear()
        await _all_are_told(host, client, system, address, f"{name} again", begun_s)
        return
    system.tanks.clear()
    await until(lambda: len(system.tanks) == TANKS and all(_is_live(each, begun_s) for each in system.tanks.values()))
    await until(lambda: host.watching.online and len(host.watching.alive) == TANKS)


def _last(came: list[dict[str, Any]]) -> dict[str, str]:
    """The status that was told last of each level; of those whose connection is lost nothing is told."""
    if came and any("lost" in each for each in came):
        return {}
    return {each["changed"]: each["status"] for each in came if "changed" in each}


def _good(came: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [each for each in came if each.get("status", "").startswith("Good") and each.get("value") is not None]


def _is_live(told: dict[str, float], begun_s: float) -> bool:
    # Registers have whole seconds.
    return told.get("main.validity") == 1 and told.get("sheet_time", 0.0) >= int(begun_s)


def _good_of_before(came: list[dict[str, Any]], begun_s: float) -> list[dict[str, Any]]:
    return [each for each in _good(came) if datetime.fromisoformat(each["time"]).timestamp() < begun_s]


def _map_of(site: Path) -> RegisterMap:
    command = [sys.executable, "-m", "gateway", "delivery", "map", str(site), "--format", "csv"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=PATIENCE_S)
    return RegisterMap(done.stdout)


def _kept(yard: Yard) -> set[tuple[str, str, int]]:
    return {each.key[:3] for each in yard.rows() if each.is_record}


def _committed_at_the_end(yard: Yard) -> set[tuple[str, str, int]]:
    """The last sheet of each tank, which a clean end commits when nobody is told any more."""
    last = {each.key[0]: each.key[:3] for each in yard.rows() if each.is_record}
    return set(last.values())
