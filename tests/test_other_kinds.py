"""A second kind of source and a second kind of destination, of which no line of the gateway knows: a logger that drops
files, and a folder that results are put in. Beside two brokers at once."""

import asyncio
import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.acquisition.source_kinds import SOURCE_KINDS
from gateway.daemon import Daemon
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.resources import config_path
from gateway.settings import load_site
from tests.support.deliveries import plan_for, until
from tests.support.file_destination import FileDestination, FolderPlan
from tests.support.file_logger import FileLogger, LoggerPlan
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def brokers(tmp_path: Path) -> Iterator[tuple[Mosquitto, Mosquitto]]:
    for name in ("plant", "office"):
        (tmp_path / name).mkdir()
    with Mosquitto(tmp_path / "plant") as first, Mosquitto(tmp_path / "office") as second:
        yield first, second


async def test_what_a_logger_drops_is_a_sheet_at_two_brokers_and_in_a_folder(
    tmp_path: Path, brokers: tuple[Mosquitto, Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(SOURCE_KINDS, LoggerPlan, FileLogger)
    monkeypatch.setitem(DESTINATION_KINDS, FolderPlan, FileDestination)
    drop, out = tmp_path / "drop", tmp_path / "out"
    drop.mkdir()
    out.mkdir()
    plant, office = brokers
    site = replace(
        load_site(config_path("one_tank.yaml"), now=NOW),
        http=None,
        sources=(
            LoggerPlan("gauges", drop, ("LT-1",), ("ullage",)),
            LoggerPlan("thermometers", drop, ("TT-1",), ("t1", "t2", "t3")),
        ),
        deliveries=(
            plan_for(plant.port, given_name="plant"),
            plan_for(office.port, given_name="office", prefix="all"),
            FolderPlan("folder", out),
        ),
    )
    gateway = Daemon(site)
    running = asyncio.create_task(gateway.run())
    (drop / "TT-1.json").write_text(json.dumps({"t1": 14.1, "t2": 14.8, "t3": 15.0}), "utf-8")
    (drop / "LT-1.json").write_text(json.dumps({"ullage": 5.828}), "utf-8")
    await until(lambda: gateway.snapshot().inventories)
    async with (
        Subscriber(plant.port, "tanks/my-site/TK-1/inventory") as first,
        Subscriber(office.port, "all/my-site/TK-1/inventory") as second,
    ):
        messages = [(await first.next()).content, (await second.next()).content]
    await until((out / "TK-1.json").exists)
    messages.append(json.loads((out / "TK-1.json").read_bytes()))
    # 15.240 m - 5.828 m
    assert [round(message["figures"]["level"]["value"], 6) for message in messages] == [9.412] * 3
    assert [status.destination for status in gateway.snapshot().destinations] == ["plant", "office", "folder"]
    assert [status.line for status in gateway.snapshot().lines] == ["gauges", "thermometers"]
    assert gateway.readiness().lines_connected == 2
    # One of the brokers away: the other and the folder have the next as soon as it is made.
    office.kill()
    (drop / "LT-1.json").write_text(json.dumps({"ullage": 5.727}), "utf-8")
    async with Subscriber(plant.port, "tanks/my-site/TK-1/inventory") as first:
        while round((await first.next()).content["figures"]["level"]["value"], 6) != 9.513:
            pass
    office.start()
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running
    assert json.loads((out / "TK-1.json").read_bytes())["figures"]["level"]["quality"] == "Bad"
