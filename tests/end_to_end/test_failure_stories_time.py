"""Failure stories of what goes on over time, each played to its end: a broker that is down, a reboot in a fill,
values by hand and maintenance that somebody forgot."""

from pathlib import Path

import pytest

from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.records import Quality
from gateway.tank_record import EventKind
from gateway.tank_state import Motion
from tests.end_to_end.story import codes, played, state, text, value
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber

GOOD, UNCERTAIN = Quality.GOOD, Quality.UNCERTAIN

LEDGER = LedgerPlan(commit_s=0.05)


async def test_story_10_a_broker_that_was_down_gets_history_and_nothing_is_raised_anew(tmp_path: Path) -> None:
    """What became of an alarm meanwhile comes as history, once and with its own time."""
    broker = Mosquitto(tmp_path)
    with broker:
        site = {"delivery": {"mqtt": {"name": "office", "address": f"127.0.0.1:{broker.port}", "prefix": "tanks"}}}
        keep = kept_in(tmp_path, "demo", LEDGER)
        async with played(["TK-101"], tmp_path, factor=180.0, period="30 s", site=site, keep=keep) as story:
            await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
            broker.kill()
            lost = await story.alarm("destination_lost.office")
            assert "office" in lost["alarm"]["reason"]["text"]
            assert "history waits in the ledger" in lost["consequence"]
            story.simulator.set_fault("TT-101", "open_element", element=2)
            raised = await story.alarm("instrument_failed", "TK-101")
            story.simulator.clear_fault("TT-101")
            await story.over("instrument_failed", "TK-101")
            history = next(
                each for each in story.gateway.snapshot().destinations if each.destination == "office"
            ).history
            assert history is not None
            assert history.waiting > 0
            broker.start()
            async with Subscriber(broker.port) as subscriber:
                told = await subscriber.next(
                    lambda message: (
                        message.topic.endswith("/events")
                        and message.content["kind"] == "alarm_raised"
                        and message.content["subject"] == "instrument_failed"
                    )
                )
                assert told.content["time"] == raised["alarm"]["raised"]
            await story.over("destination_lost.office")
            assert len(story.events(EventKind.ALARM_RAISED, "instrument_failed")) == 1
            assert story.alarms("TK-101") == {}


async def test_story_12_a_reboot_while_a_tank_fills_raises_nothing_anew_and_goes_on(tmp_path: Path) -> None:
    """Above its maximum working level, which somebody has acknowledged. What becomes of a transfer that was open is
    for its ticket."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    scenario = {"tanks": {"TK-101": {"level": "13.190 m"}}}
    async with played(["TK-101"], tmp_path, factor=180.0, period="30 s", scenario=scenario, keep=keep) as story:
        await story.settled("TK-101")
        story.simulator.tank("TK-101").set_flow(200.0)
        first = await story.alarm("maximum_working", "TK-101")
        await story.enter(action="acknowledge", tank="TK-101", alarm="maximum_working")
        await story.until("TK-101", lambda record: state(record).motion is Motion.FILLING)
        boot = story.gateway.snapshot().boot
        await story.begin_anew()
        again = await story.until(
            "TK-101", lambda record: record.identity.boot != boot and record.inventory.figures.gsv.quality is GOOD
        )
        assert value(again.inventory.figures.level) > 13.2
        filling = await story.until(
            "TK-101", lambda record: record.identity.boot != boot and state(record).motion is Motion.FILLING
        )
        assert [each.limit for each in state(filling).times] == ["high_high", "critical_high"]
        alarm = story.alarms("TK-101")["maximum_working"]["alarm"]
        assert (alarm["phase"], alarm["raised"]) == ("acknowledged", first["alarm"]["raised"])
        assert alarm["by"] == "night shift"
        assert len(story.events(EventKind.ALARM_RAISED, "maximum_working")) == 1


async def test_story_20_maintenance_and_a_temperature_by_hand_that_are_forgotten_end_by_themselves(
    tmp_path: Path,
) -> None:
    """20 degC for an hour while the thermometer is worked on; and the day after nobody remembers either."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=800.0, period="30 s", keep=keep) as story:
        await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
        await story.enter(action="maintenance", instrument="TT-101", duration="1 h", why="element 2 replaced")
        await story.enter(action="temperature", tank="TK-101", value="20 degC", expires="1 h", why="by portable")
        story.simulator.set_fault("TT-101", "exception", code=4)
        by_hand = await story.until("TK-101", lambda record: record.inventory.figures.liquid_temperature.value == 20.0)
        temperature = by_hand.inventory.figures.liquid_temperature
        assert (temperature.quality, temperature.manual) == (UNCERTAIN, True)
        assert by_hand.inventory.figures.gsv.quality is UNCERTAIN
        handover = await story.gateway.acting.act({"action": "list"}, "day shift")
        listed = str(handover)
        assert "element 2 replaced" in listed
        assert "20" in listed
        ended = await story.until(
            "TK-101", lambda record: "manual_expired" in codes(record.inventory.figures.liquid_temperature)
        )
        assert ended.inventory.figures.liquid_temperature.value != 20.0
        assert "expired" in text(ended.inventory.figures.liquid_temperature)
        await story.alarm("instrument_failed", "TK-101")
        story.simulator.clear_fault("TT-101")
        good = await story.until("TK-101", lambda record: record.inventory.figures.gsv.quality is GOOD)
        assert good.inventory.figures.liquid_temperature.value == pytest.approx(14.7)
