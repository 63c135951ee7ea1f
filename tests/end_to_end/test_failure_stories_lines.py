"""Failure stories of lines, each played to its end on serial ports: two devices with one address, a second master."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from gateway.acquisition.signals import suspicion
from gateway.records import Quality
from tests.end_to_end.shared_bus import shared_bus
from tests.end_to_end.story import codes, played, text

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

BAUD = "38400"


def serial(devices: Path, gateway: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """The line bus-a as a serial one, in the scenario and in the site file."""
    scenario = {"lines": {"bus-a": {"serial": {"pair": str(devices), "baud": BAUD}}}}
    site = {"lines": {"bus-a": {"serial": {"port": str(gateway), "baud": BAUD}}}}
    return scenario, site


async def test_story_4_two_devices_with_one_address_are_suspected_and_nothing_of_them_is_taken(tmp_path: Path) -> None:
    """The second one shows four fifths of the innage, 4.096 m for 5.120 m, and answers every other request."""
    scenario, site = serial(tmp_path / "bus", tmp_path / "bus")
    async with played(["J-3"], tmp_path, factor=25.0, period="2 s", scenario=scenario, site=site) as story:
        await story.until("J-3", lambda record: record.inventory.figures.level.quality is GOOD)
        story.simulator.set_fault("LT-3", "duplicate_address", factor=0.8)
        record = await story.until("J-3", lambda each: "duplicate_address" in codes(each.inventory.figures.level))
        level = record.inventory.figures.level
        assert (level.value, level.quality) == (None, BAD)
        assert "LT-3 (unit 11): possible duplicate address: innage goes to and fro" in text(level)
        assert record.inventory.figures.tov.value is None
        alarm = await story.alarm("instrument_failed", "J-3")
        assert "possible duplicate address" in alarm["alarm"]["reason"]["text"]
        lost = await story.alarm("level_lost", "J-3")
        assert lost["alarm"]["reason"]["text"].startswith("no gauge gives a level: LT-3 (unit 11)")
        profile = (await story.until("J-3", lambda record: True)).inventory.elements
        assert {each.quality for each in profile} == {GOOD}, "the other instruments of the line go on"
        story.simulator.clear_fault("LT-3")
        await story.over("instrument_failed", "J-3")
        await story.over("level_lost", "J-3")
        back = await story.until("J-3", lambda record: record.inventory.figures.level.quality is GOOD)
        assert back.inventory.figures.level.value == pytest.approx(5.12)


async def test_story_13_a_second_master_on_the_bus_is_told_and_no_value_is_certain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A laptop asks the thermometer. A frame of its is forgotten after 12 s of the machine; here after one."""
    monkeypatch.setattr(suspicion, "_FORGOTTEN_S", 1.0)
    scenario, site = serial(tmp_path / "devices", tmp_path / "bus")
    async with played(["TK-101"], tmp_path, factor=30.0, period="9 s", scenario=scenario, site=site) as story:
        with shared_bus(tmp_path / "bus", tmp_path / "devices") as bus:
            await story.until("TK-101", lambda record: record.inventory.figures.level.quality is GOOD)
            assert story.alarms() == {}

            async def laptop() -> None:
                while True:
                    await bus.other_master_asks(unit=2, address=0, count=3)
                    await asyncio.sleep(0.2)

            asking = asyncio.create_task(laptop())
            try:
                alarm = await story.alarm("second_master.bus-a")
                assert "frames come that answer no request" in alarm["alarm"]["reason"]["text"]
                assert alarm["tank"] is None
                assert "a laptop or a control system" in alarm["action"]
                record = await story.until(
                    "TK-101", lambda each: "second_master" in codes(each.inventory.figures.level)
                )
                assert record.inventory.figures.level.quality is UNCERTAIN
                assert record.inventory.figures.level.value == pytest.approx(9.412)
                assert record.inventory.figures.gsv.quality is UNCERTAIN
            finally:
                asking.cancel()
            await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
            await story.over("second_master.bus-a")
