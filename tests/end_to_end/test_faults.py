"""Faults during a run: the tank concerned says so, the others stay Good and on time, the gateway stays up."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from tests.end_to_end.site import Site, running_site
from tests.support.wire import WireRecorder

Recorder = Callable[[int], WireRecorder]
FAST = {f"instruments.{tag}.period": "0.25 s" for tag in ("LT-101", "TT-101", "WT-101", "XT-204", "XT-B2", "XT-P12")}


@asynccontextmanager
async def settled_site(folder: Path, record: Recorder) -> AsyncIterator[Site]:
    async with running_site("printed_state", folder, record, FAST) as site:
        await site.all_inventories(lambda content: quality_of(content, "gsv", "mass") != "Bad")
        site.forget()
        yield site


def quality_of(content: dict[str, Any], *names: str) -> str:
    qualities: list[str] = [content["figures"][name]["quality"] for name in names]
    return max(qualities, key=["Good", "Uncertain", "Bad"].index)


def reason_codes(content: dict[str, Any], name: str) -> set[str]:
    figure = content["figures"][name]
    return {reason["code"] for reason in figure.get("reasons", [figure["reason"]]) if reason}


async def others_are_well(site: Site, *but: str) -> None:
    """Each other tank's next records are as before."""
    site.forget()
    for tank in set(site.simulator.world.tanks) - set(but) - {"A-1", "F-1"}:
        content = await site.inventory(tank, lambda content: True)
        assert quality_of(content, "level", "tov", "mass") == "Good", (tank, content)


@pytest.mark.parametrize(
    ("fault", "options", "code"),
    [
        ("silence", {}, "no_answer"),
        ("garbled", {"how": "length"}, "bad_frame"),
        ("dropped_connection", {}, "no_connection"),
    ],
)
async def test_an_instrument_that_is_not_heard_keeps_its_last_value_uncertain(
    tmp_path: Path, wire_recorder: Recorder, fault: str, options: dict[str, object], code: str
) -> None:
    with capture_logs() as logs:
        async with settled_site(tmp_path, wire_recorder) as site:
            site.simulator.set_fault("LT-101", fault, **options)
            content = await site.inventory("TK-101", lambda content: quality_of(content, "level") == "Uncertain")
            assert content["figures"]["level"]["value"] == pytest.approx(9.412)
            assert code in reason_codes(content, "level")
            assert quality_of(content, "gsv", "room") == "Uncertain"
            await others_are_well(site, "TK-101", "J-3")
            status = next(each for each in site.gateway.snapshot().instruments if each.instrument == "LT-101")
            assert status.up is False
            assert status.errors.get(code, 0) > 0 or code == "no_connection"
            site.simulator.clear_fault("LT-101")
            site.forget()
            await site.inventory("TK-101", lambda content: quality_of(content, "level", "gsv") == "Good")
    events = [entry["event"] for entry in logs]
    assert "instrument.lost" in events or "line.lost" in events
    assert "instrument.found" in events or "line.connected" in events


@pytest.mark.parametrize(
    ("instrument", "tank", "fault", "options", "figure", "code"),
    [
        ("LT-101", "TK-101", "exception", {"code": 4}, "level", "device_exception"),
        ("XT-204", "TK-204", "not_a_number", {}, "level", "not_a_number"),
        ("XT-204", "TK-204", "gauge_fault", {}, "level", "instrument_fault"),
    ],
)
async def test_what_an_instrument_says_counts_at_once(
    tmp_path: Path,
    wire_recorder: Recorder,
    instrument: str,
    tank: str,
    fault: str,
    options: dict[str, object],
    figure: str,
    code: str,
) -> None:
    async with settled_site(tmp_path, wire_recorder) as site:
        site.simulator.set_fault(instrument, fault, **options)
        content = await site.inventory(tank, lambda content: quality_of(content, figure) == "Bad")
        assert content["figures"][figure]["value"] is None
        assert code in reason_codes(content, figure)
        assert content["figures"][figure]["last_good"]["value"] > 0
        assert content["figures"]["room"]["value"] is None
        await others_are_well(site, tank)


async def test_an_open_element_is_left_out_by_name_and_the_rest_averaged(
    tmp_path: Path, wire_recorder: Recorder
) -> None:
    async with settled_site(tmp_path, wire_recorder) as site:
        site.simulator.set_fault("TT-101", "open_element", element=2)
        content = await site.inventory("TK-101", lambda content: quality_of(content, "liquid_temperature") != "Good")
        assert content["figures"]["liquid_temperature"]["quality"] == "Uncertain"
        assert content["figures"]["liquid_temperature"]["value"] == pytest.approx((14.1 + 14.8 + 15.6) / 3)
        assert [element["used"] for element in content["elements"]] == [True, False, True, True, False]
        assert content["elements"][1]["value"] is None
        assert quality_of(content, "level", "tov", "room") == "Good"


async def test_swapped_words_never_pass_as_a_good_level(tmp_path: Path, wire_recorder: Recorder) -> None:
    async with settled_site(tmp_path, wire_recorder) as site:
        site.simulator.set_fault("XT-204", "word_swap")
        content = await site.inventory("TK-204", lambda content: quality_of(content, "level") != "Good")
        assert content["figures"]["tov"]["value"] is None


async def test_a_float_of_8_m_with_its_words_swapped_is_no_empty_tank(tmp_path: Path, wire_recorder: Recorder) -> None:
    """41000000h read as 00004100h is 2.3e-41: an empty tank, Good, it had been. So are its temperatures of 16 degC."""
    async with settled_site(tmp_path, wire_recorder) as site:
        tank = site.simulator.tank("TK-204")
        tank.set_water(0.0)
        tank.set_level(8.0)
        tank.set_temperatures([16.0] * 5, liquid_c=16.0)
        site.simulator.set_fault("XT-204", "word_swap")
        content = await site.inventory("TK-204", lambda content: quality_of(content, "level") == "Bad")
        assert reason_codes(content, "level") == {"impossible_number"}
        assert "see to the byte order" in content["figures"]["level"]["reason"]["text"]
        assert {element["quality"] for element in content["elements"]} == {"Bad"}
        assert content["figures"]["tov"]["value"] is None


async def test_a_spare_gauge_that_is_lost_leaves_its_tank_as_good_as_it_was(
    tmp_path: Path, wire_recorder: Recorder
) -> None:
    """D-1 has two; the second does not answer, and after a minute it has no value."""
    async with settled_site(tmp_path, wire_recorder) as site:
        site.simulator.set_fault("LT-D1B", "exception", code=4)
        content = await site.inventory("D-1", lambda content: quality_of(content, "second_level") == "Bad")
        assert quality_of(content, "level_difference") == "Bad"
        assert quality_of(content, "level", "gsv", "mass", "room") == "Good"
        assert content["quality"] == "Good"
        site.simulator.clear_fault("LT-D1B")
        site.simulator.set_fault("LT-D1A", "exception", code=4)
        content = await site.inventory("D-1", lambda content: content["sources"]["level"] == "second_gauge")
        assert reason_codes(content, "level") >= {"second_gauge_used", "device_exception"}
        assert content["figures"]["level"]["reasons"][0]["text"] == (
            "the second gauge, LT-D1B.ullage, stands in for LT-D1A.innage"
        )


async def test_broker_lost_and_back_loses_records_counted_and_delivers_the_newest(
    tmp_path: Path, wire_recorder: Recorder
) -> None:
    async with settled_site(tmp_path, wire_recorder) as site:
        before = site.gateway.snapshot().destinations[0]
        assert before.lost == 0
        site.broker.kill()
        sequences = {record.inventory.tank: record.identity.sequence for record in site.gateway.snapshot().inventories}
        await site.destination(lambda status: status.lost > 0)
        after = {record.inventory.tank: record.identity.sequence for record in site.gateway.snapshot().inventories}
        assert after["TK-101"] > sequences["TK-101"], "calculation goes on without a broker"
        site.broker.start()
        await site.destination(lambda status: status.connected)
        content = await site.inventory("TK-101", lambda content: content["identity"]["sequence"] > after["TK-101"])
        assert quality_of(content, "gsv") == "Good"
