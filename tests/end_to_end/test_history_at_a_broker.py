"""All that the ledger has is at the broker in the end, whoever was killed: real processes, judged by mosquitto_sub."""

import asyncio
import itertools
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import orjson
import pytest

import simulators
from gateway.process.running import DIRECTORY_VARIABLE
from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.support.messages import valid_message
from tests.support.mosquitto import Mosquitto, free_port

ROOT = Path(__file__).parents[2]
TANKS = 4
WAIT_S = 40.0
Messages = list[dict[str, Any]]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """It keeps what it has acknowledged, and the session of the one who reads, over a stop."""
    options = ("allow_anonymous true", "max_queued_messages 0", "persistence true", f"persistence_location {tmp_path}/")
    with Mosquitto(tmp_path, options=options) as mosquitto:
        yield mosquitto


class Historian:
    """A reader with a session of its own that comes back by itself: every message on history and events, as it came."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.records: Messages = []
        self.events: Messages = []

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[None]:
        process = await asyncio.create_subprocess_exec(
            *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(self._port), "-q", "1", "-c", "-i", "historian"),
            *("-t", "tanks/bench/+/history", "-t", "tanks/bench/+/events", "-F", "%p"),
            stdout=asyncio.subprocess.PIPE,
            limit=1 << 20,
        )
        reading = asyncio.create_task(self._read(process))
        try:
            yield
        finally:
            process.kill()
            await process.wait()
            await reading

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            message = orjson.loads(line)
            (self.events if "kind" in message else self.records).append(message)

    async def has(self, records: int) -> None:
        """Until so many have come."""
        async with asyncio.timeout(WAIT_S):
            while len(self.records) < records:  # noqa: ASYNC110 (another process writes them)
                await asyncio.sleep(0.02)


def identity(message: dict[str, Any]) -> tuple[str, str, int]:
    found = message["identity"]
    return found["tank"], found["boot"], found["sequence"]


@asynccontextmanager
async def gateway(site: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "gateway", "run", str(site)),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, DIRECTORY_VARIABLE: str(site.parent / "runtime")},
    )
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def exported(site: Path, *options: str) -> Messages:
    """What the ledger has, by the command of its own, in the order in which it was kept."""
    command = [sys.executable, "-m", "gateway", "ledger", "export", str(site), "--format", "jsonl", *options]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=60)
    assert done.returncode == 0, done.stderr.decode()
    return [orjson.loads(line) for line in done.stdout.splitlines()]


async def test_gateway_and_broker_are_ended_by_turns_and_every_record_of_the_ledger_arrives(
    broker: Mosquitto, tmp_path: Path
) -> None:
    scenario = fleet(TANKS, 4)
    historian = Historian(broker.port)
    async with simulators.serve(scenario, ports=dict.fromkeys(scenario.lines, 0)) as instruments, historian.reading():
        site = tmp_path / "site.yaml"
        rows = describe(scenario)
        text = site_text(rows, dict(instruments.addresses), period_s=0.5, broker_port=broker.port, web_port=free_port())
        kept = f"ledger: {{file: {tmp_path / 'bench.ledger'}, every: 1 s, commit: 0.2 s}}\n"
        site.write_text(text + kept)
        async with gateway(site):
            await historian.has(8)
        # It was killed. The next one is there when the broker goes, for longer than what it keeps in memory.
        async with gateway(site):
            await historian.has(20)
            broker.stop()
            await asyncio.sleep(3.0)  # a backlog gathers, how much does not matter
            broker.start()
            before = len(historian.records)
            await historian.has(before + 20)
        async with gateway(site) as last:
            await historian.has(len(historian.records) + 8)
            last.send_signal(signal.SIGTERM)
            await asyncio.wait_for(last.wait(), WAIT_S)
        # What was kept at that stop goes with the next start; that one adds its own, which do not count here.
        ledger = await asyncio.to_thread(exported, site)
        async with gateway(site), asyncio.timeout(WAIT_S):
            wanted = {identity(message) for message in ledger}
            while not wanted <= {identity(message) for message in historian.records}:  # noqa: ASYNC110 (likewise)
                await asyncio.sleep(0.1)
    assert len({boot for _, boot, _ in wanted}) == 3
    first: dict[tuple[str, str, int], dict[str, Any]] = {}
    for message in historian.records:
        assert first.setdefault(identity(message), message) == message, "a repeat is the same"
    for tank in {tank for tank, _, _ in wanted}:
        kept_order = [identity(message) for message in ledger if message["identity"]["tank"] == tank]
        came = [message for name, message in first.items() if name[0] == tank]
        assert [identity(message) for message in came][: len(kept_order)] == kept_order
        assert came[0]["previous"] is None
        for before_it, message in itertools.pairwise(came):
            told = before_it["identity"]
            assert message["previous"] == {"boot": told["boot"], "sequence": told["sequence"]}, "no gap"
    for message in (*historian.records[::10], *historian.events):
        valid_message(orjson.dumps(message))
    kinds = [
        message["kind"] for message in {(*identity(each), each["number"]): each for each in historian.events}.values()
    ]
    assert kinds.count("gateway_started") == 4
    assert kinds.count("gateway_broke_off") == 2
    assert kinds.count("gateway_stopped") == 1
