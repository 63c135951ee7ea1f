"""A control system reads the registers of a gateway that has its troubles: every answer is right or says it is not.

A real process, its instruments simulated in the test; the reader knows what `delivery map` prints and nothing else.
"""

import asyncio
import contextlib
import math
import os
import struct
import sys
import urllib.request
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import orjson
import yaml

import simulators
from gateway.process.running import DIRECTORY_VARIABLE
from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.support.control_system import ControlSystem
from tests.support.deliveries import until
from tests.support.mosquitto import free_port
from tests.support.register_map import RegisterMap

ROOT = Path(__file__).parents[2]
TANKS = ("T-0001", "T-0002", "T-0003")


class Site:
    """A gateway of some tanks of a fleet, as a person runs it, and its file."""

    def __init__(self, folder: Path, addresses: dict[str, tuple[str, int]]) -> None:
        self._folder = folder
        self.file = folder / "site.yaml"
        self.port, self.web_port = free_port(), free_port()
        rows = describe(fleet(len(TANKS), 8))
        text = site_text(rows, addresses, period_s=0.2, broker_port=1, web_port=self.web_port)
        self._site: dict[str, Any] = yaml.safe_load(text)

    def write(self, blocks: dict[str, int]) -> None:
        tanks = {tank: body for tank, body in self._site["tanks"].items() if tank in blocks}
        registers = {"address": f"127.0.0.1:{self.port}", "blocks": blocks, "order": "CDAB"}
        site = self._site | {"tanks": tanks, "delivery": {"registers": registers}}
        self.file.write_text(yaml.safe_dump(site, sort_keys=False))

    async def command(self, *words: str) -> str:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "gateway", *words),
            stdout=asyncio.subprocess.PIPE,
            cwd=ROOT,
            env=self._environment,
        )
        out, _ = await process.communicate()
        assert process.returncode == 0, out.decode()
        return out.decode()

    async def map(self) -> RegisterMap:
        return RegisterMap(await self.command("delivery", "map", str(self.file), "--format", "csv"))

    @property
    def _environment(self) -> dict[str, str]:
        state = {DIRECTORY_VARIABLE: str(self._folder / "runtime"), "TANK_GATEWAY_STATE": str(self._folder / "state")}
        return {**os.environ, **state}

    @asynccontextmanager
    async def gateway(self) -> AsyncIterator[asyncio.subprocess.Process]:
        (self._folder / "state").mkdir(exist_ok=True)
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "gateway", "run", str(self.file)),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            cwd=ROOT,
            env=self._environment,
        )
        try:
            yield process
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    def inventories(self) -> dict[str, Any]:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}/inventories", timeout=20) as answer:
            document: dict[str, Any] = orjson.loads(answer.read())
            return document


async def test_what_a_control_system_is_told_while_all_kinds_of_things_happen(tmp_path: Path) -> None:
    scenario = fleet(len(TANKS), 8)
    async with simulators.serve(scenario, ports=dict.fromkeys(scenario.lines, 0)) as running:
        site = Site(tmp_path, dict(running.addresses))
        # What the map of another day says of a tank that comes later is right on the day it comes.
        whole = dict(zip(TANKS, (1, 2, 9), strict=True))
        site.write(whole)
        reader = ControlSystem(site.port, await site.map(), requests_per_s=100.0)
        site.write({"T-0001": 1, "T-0002": 2})
        polling = asyncio.create_task(reader.run())
        try:
            async with site.gateway():
                await _until_good(reader, "T-0001", "T-0002")
                assert reader.tanks["T-0003"] == {}, "no block of it yet"

                # a gauge says that it has no value: no trace of the value before
                running.set_fault("X-0002", "not_a_number")
                await until(lambda: reader.tanks["T-0002"]["level.quality"] == 0)
                told = reader.tanks["T-0002"]
                assert math.isnan(told["gsv.float"])
                assert told["level.integer"] == -(2**31)
                assert reader.tanks["T-0001"]["level.quality"] == 2
                running.clear_fault("X-0002")
                await _until_good(reader, "T-0002")

                # one tank goes, another comes: the first keeps its addresses
                site.write({"T-0001": 1, "T-0003": 9})
                await site.command("reload")
                await _until_good(reader, "T-0001", "T-0003")
                await until(lambda: reader.tanks["T-0002"] == {})

                same = await asyncio.to_thread(_same_sheet, site, reader)
                assert same > 15
                (client,) = next(each["clients"] for each in site.inventories()["destinations"] if each["clients"])
                assert client["refused"] == ""
            connects = reader.connects
            async with site.gateway():
                # it was killed and is there again, with the same addresses
                await until(lambda: reader.connects > connects)
                reader.tanks.clear()
                await _until_good(reader, "T-0001", "T-0003")
                beats = reader.site["heartbeat"]
                await until(lambda: reader.site["heartbeat"] != beats)
        finally:
            polling.cancel()
            await asyncio.wait([polling])
    assert reader.wrong == []
    assert set(reader.exceptions) == {2}


async def _until_good(reader: ControlSystem, *tanks: str) -> None:
    await until(lambda: all(reader.tanks.get(tank, {}).get("gsv.quality") == 2 for tank in tanks))


def _same_sheet(site: Site, reader: ControlSystem) -> int:
    """How many figures of one sheet were met over HTTP and in the registers, all of them alike."""
    for _ in range(200):
        document = site.inventories()
        for record in document["inventories"]:
            told = dict(reader.tanks.get(record["identity"]["tank"], {}))
            if told.get("main.sheet") != record["identity"]["sequence"]:
                continue
            figures = {name: each for name, each in record["figures"].items() if f"{name}.float" in told}
            for name, figure in figures.items():
                assert (figure["value"] is None) is math.isnan(told[f"{name}.float"]), name
                if figure["value"] is not None:
                    assert told[f"{name}.float"] == struct.unpack(">f", struct.pack(">f", figure["value"]))[0], name
            return len(figures)
    raise AssertionError("no sheet was met in both")
