"""From the ledger's file to a host, by real processes that are killed: every kept sheet at least once, and a death that
belongs to its birth each time."""

import asyncio
import random
import sqlite3
import subprocess
from pathlib import Path

from tests.support.deliveries import until
from tests.support.from_ledger import command
from tests.support.mosquitto import Mosquitto
from tests.support.sparkplug_host import Host

ROOT = Path(__file__).parents[2]


async def test_a_node_that_is_killed_goes_on_and_loses_nothing_that_was_kept(tmp_path: Path) -> None:
    ledger = tmp_path / "harbour.ledger"
    source = random.Random(5)
    with Mosquitto(tmp_path, verbose=False) as server:
        run = command(ledger, 10_000, "sparkplug", str(server.port), "control")
        async with Host(server.port, "control") as host:
            watching = host.watching
            for _ in range(3):
                enough = watching.kinds().count("DDATA TK-3") + 50
                killed = await asyncio.create_subprocess_exec(*run, cwd=ROOT, stdout=subprocess.DEVNULL)
                await until(lambda: watching.kinds().count("DDATA TK-3") > enough)  # noqa: B023
                await asyncio.sleep(source.uniform(0.0, 1.5))
                killed.kill()
                await killed.wait()
                # The server says it for the process that cannot.
                await until(lambda: not watching.online)
            last = command(ledger, 0, "sparkplug", str(server.port), "control")
            ended = await asyncio.create_subprocess_exec(*last, cwd=ROOT, stdout=subprocess.DEVNULL)
            assert await asyncio.wait_for(ended.wait(), 120) == 0
            await until(lambda: not watching.online)
            assert watching.broken == []
            births = [
                metric["long_value"]
                for each in watching.messages
                if each.kind == "NBIRTH"
                for metric in each.payload["metrics"]
                if metric.get("name") == "bdSeq"
            ]
            deaths = [each.payload["metrics"][0]["long_value"] for each in watching.messages if each.kind == "NDEATH"]
            told = set(watching.sheets())
    assert births == deaths == sorted(set(births))
    assert len(births) >= 4
    kept = set(_kept(ledger))
    assert len(kept) > 300
    assert kept <= told


def _kept(ledger: Path) -> list[tuple[str, str, int]]:
    connection = sqlite3.connect(ledger)
    try:
        return connection.execute(
            "SELECT tanks.name, boots.boot, sequence FROM history JOIN tanks ON tanks.id = tank"
            " JOIN boots ON boots.id = history.boot WHERE kind = 0"
        ).fetchall()
    finally:
        connection.close()
