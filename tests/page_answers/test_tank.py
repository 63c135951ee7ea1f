"""One tank over HTTP."""

from pathlib import Path

import orjson

from gateway.records import Quality
from tests.page_answers.gate import gate
from tests.support.messages import valid_message


async def test_a_tank_is_told_with_its_readings_and_its_plan(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets(9.412)
        found = await yard.page("/api/1/tanks/TK-1")
    inventory = valid_message(orjson.dumps(found["inventory"]))
    assert inventory["figures"]["level"]["value"] == 9.412
    assert {each["signal"]: each["value"] for each in found["readings"]} == {
        "t1": 15.0,
        "water": 0.035,
        "innage": 9.412,
    }
    assert found["readings"][0]["raw"] == [17, 4]
    plan = found["plan"]
    assert (plan["kind"], plan["product"], plan["reference_height"]) == ("upright_cylinder", "diesel", 15.24)
    assert plan["instruments"] == {"level": "G-1.innage", "water": "G-1.water", "element_1": "G-1.t1"}
    assert plan["elements"] == [
        {"height": 1.0, "name": plan["elements"][0]["name"], "instrument": "G-1", "signal": "t1"}
    ]
    assert (plan["table"]["kind"], plan["lowest"], plan["full"]) == ("shape", 0.0, 14.6)
    assert plan["id"] == yard.pipeline.records()[0].plan
    assert any("Not for custody transfer" in each for each in found["cautions"])


async def test_a_bad_reading_has_no_value(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.read(quality=Quality.BAD, innage=9.412)
        found = await yard.page("/api/1/tanks/TK-1")
    assert [(each["value"], each["quality"]) for each in found["readings"]] == [(None, "Bad")]


async def test_a_tank_without_a_sheet_has_no_inventory_yet(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        found = await yard.page("/api/1/tanks/TK-1")
    assert (found["inventory"], found["readings"], found["plan"]["id"]) == (None, [], None)


async def test_a_tank_that_there_is_not_is_said_so(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        for path in ("/api/1/tanks/TK-9", "/api/1/tanks/TK-9/trend", "/api/1/tanks/%3Cimg%3E"):
            answer = await yard.get(path)
            assert (answer.status_code, answer.json()["code"]) == (404, 2), path
            assert "there is no tank" in answer.json()["lines"][0]
            assert answer.headers["content-type"] == "application/json"
            assert answer.headers["x-content-type-options"] == "nosniff"


async def test_long_answers_are_packed_for_those_who_take_them_so(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets(9.412)
        plain = await yard.client.get("/api/1/tanks/TK-1", headers={"Accept-Encoding": "identity"})
        packed = await yard.client.get("/api/1/tanks/TK-1", headers={"Accept-Encoding": "gzip"})
        short = await yard.client.get("/api/1/tanks/TK-9", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.json() == plain.json()
    assert packed.headers["vary"] == plain.headers["vary"] == "Accept-Encoding"
    assert "content-encoding" not in short.headers
