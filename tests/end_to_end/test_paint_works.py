"""The worked example, both files together: the gateway polls the simulated paint works over RTU and ASCII on serial
ports and RTU inside TCP, and its figures are those of a hand calculation."""

import asyncio
import math
from pathlib import Path
from typing import Any

import orjson
import pytest
from CoolProp.CoolProp import PropsSI

import simulators
from gateway.commands.operator.running_gateway import fetch_json
from gateway.daemon import Daemon
from gateway.payload.writer import INVENTORIES_SCHEMA
from gateway.resources import config_path
from gateway.settings import load_site
from simulators.scenario_file import scenario_path
from tests.support.mosquitto import free_port

_PATIENCE_S = 30.0


async def _inventories(port: int, settled: bool) -> dict[str, dict[str, Any]]:
    """By tank, as a program gets them, once each is Good; or at once."""
    async with asyncio.timeout(_PATIENCE_S):
        while True:
            document = await asyncio.to_thread(fetch_json, f"127.0.0.1:{port}", "/inventories", INVENTORIES_SCHEMA, 5.0)
            found = {each["identity"]["tank"]: each for each in document["inventories"]}
            if not settled or (len(found) == 3 and all(each["quality"] == "Good" for each in found.values())):
                return found
            await asyncio.sleep(0.1)


@pytest.mark.outside("CoolProp: equations of state of toluene, acetone and o-xylene, at 101.325 kPa")
async def test_the_gateway_shows_the_figures_of_the_example(tmp_path: Path) -> None:
    scenario_file = tmp_path / "paint_works.yaml"
    text = scenario_path("paint_works").read_text(encoding="utf-8")
    scenario_file.write_text(text.replace("pair: /tmp/", f"pair: {tmp_path}/"), encoding="utf-8")
    scenario = simulators.load_scenario(scenario_file)
    async with simulators.serve(scenario, ports={"farm": 0}, by_clock=False) as running:
        port = free_port()
        overrides = {
            "lines.yard.serial.port": running.serial_ports["yard"],
            "lines.mixing.serial.port": running.serial_ports["mixing"],
            "lines.farm.address": f"127.0.0.1:{running.addresses['farm'][1]}",
            "web.address": f"127.0.0.1:{port}",
        }
        daemon = Daemon(load_site(config_path("examples", "paint_works.yaml"), overrides))
        task = asyncio.create_task(daemon.run(), name="gateway")
        try:
            async with asyncio.timeout(_PATIENCE_S):
                while daemon.http_port is None:  # noqa: ASYNC110 (it raises no event)
                    await asyncio.sleep(0.05)
            tanks = await _inventories(port, settled=True)
        finally:
            task.cancel()
            await asyncio.wait({task}, timeout=10.0)
    figures = {tank: {name: each["value"] for name, each in found["figures"].items()} for tank, found in tanks.items()}
    assert all(found["simulated"] for found in tanks.values()), orjson.dumps(tanks)
    # S-1: D 4 m, 4.250 m; 19.8 and 20.2 degC count, the element at 4 m is not submerged by 0.30 m.
    volume = math.pi * 4.0 * 4.250
    assert figures["S-1"]["tov"] == pytest.approx(volume, rel=1e-4)
    assert figures["S-1"]["liquid_temperature"] == pytest.approx(20.0, abs=0.11)
    assert figures["S-1"]["mass"] == pytest.approx(volume * PropsSI("D", "T", 293.15, "P", 101325, "Toluene"), rel=3e-4)
    # S-2: half of a lying vessel, D 2 m, 6 m between the tangents, two heads of 0.5 m: half of cylinder and ellipsoid.
    half = (math.pi * 6.0 + 4.0 / 3.0 * math.pi * 0.5) / 2.0
    assert figures["S-2"]["tov"] == pytest.approx(half, rel=3e-4)
    assert figures["S-2"]["mass"] == pytest.approx(half * PropsSI("D", "T", 293.15, "P", 101325, "Acetone"), rel=1e-3)
    # S-3: D 5 m, 3.600 m of which 0.020 m are water, at 30 degC.
    area = math.pi * 6.25
    assert figures["S-3"]["free_water"] == pytest.approx(area * 0.020, rel=1e-3)
    product = area * (3.600 - 0.020)
    assert figures["S-3"]["gov"] == pytest.approx(product, rel=1e-4)
    assert figures["S-3"]["mass"] == pytest.approx(
        product * PropsSI("D", "T", 303.15, "P", 101325, "o-Xylene"), rel=3e-4
    )
