"""Events and changes over HTTP: newest first, whole over their pages, and never an empty list for what is not read."""

import asyncio
import sqlite3
from concurrent.futures import Future
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest

from gateway.ledger.blocks import BLOCK
from gateway.page_answers import parts
from gateway.tank_record import Event, EventKind
from tests.page_answers.gate import OPERATOR, Gate, gate
from tests.support.messages import valid_message

TRAIL = {"X-Test-Person": "theo technician"}


def _happened(yard: Gate, tank: str, count: int) -> None:
    for number in range(count):
        instant = datetime.fromtimestamp(yard.utc_ns() / 1e9, UTC)
        event = Event(EventKind.MOVEMENT_BEGAN, instant, f"{tank} {number}")
        yard.daemon._keeping.events_apart([(tank, event)])
        yard.passes(1)


async def _all(yard: Gate, path: str, rows: str, **query: str) -> list[dict[str, Any]]:
    """Over all pages; no page is longer than asked for."""
    found: list[dict[str, Any]] = []
    before: int | None = None
    while True:
        more: dict[str, str] = {} if before is None else {"before": str(before)}
        answer = await yard.client.get(path, params={**query, **more}, headers=TRAIL)
        assert answer.status_code == 200, answer.text
        page = answer.json()
        assert len(page[rows]) <= int(query["at_most"])
        found += page[rows]
        assert before is None or page["before"] is None or page["before"] < before
        before = page["before"]
        if before is None:
            return found


@pytest.mark.parametrize("at_most", ["1", "7", "500"])
async def test_events_of_a_tank_are_whole_over_their_pages(tmp_path: Path, at_most: str) -> None:
    async with gate(tmp_path) as yard:
        for _ in range(3):
            _happened(yard, "TK-1", 5)
            _happened(yard, "TK-2", 3)
        found = await _all(yard, "/api/1/tanks/TK-1/events", "events", at_most=at_most)
        for each in found:
            valid_message(orjson.dumps(each))
    assert [each["subject"] for each in found] == [f"TK-1 {number}" for number in (4, 3, 2, 1, 0)] * 3
    assert [each["time"] for each in found] == sorted((each["time"] for each in found), reverse=True)


async def test_events_of_the_gateway_itself_are_those_of_no_tank(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        _happened(yard, "", 2)
        _happened(yard, "TK-1", 1)
        found = await yard.page("/api/1/tanks/gateway/events")
    told = [each for each in found["events"] if each["kind"] == "movement_began"]
    assert [(each["identity"]["tank"], each["subject"]) for each in told] == [(None, " 1"), (None, " 0")]


async def test_events_are_found_behind_long_runs_without_any(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        _happened(yard, "TK-1", 2)
        for _ in range(2 * BLOCK // 20):
            for _ in range(20):
                yard.passes(1)
                yard.read(t1=15.0, water=0.035, innage=5.0)
            await asyncio.sleep(0)
        _happened(yard, "TK-1", 1)
        found = await yard.page("/api/1/tanks/TK-1/events")
        begin = datetime.fromtimestamp(yard.utc_ns() / 1e9 - 2, UTC).isoformat()
        late = await yard.page("/api/1/tanks/TK-1/events", **{"from": begin})
    told = [each["subject"] for each in found["events"] if each["kind"] == "movement_began"]
    assert told == ["TK-1 0", "TK-1 1", "TK-1 0"]
    assert found["before"] is None
    assert [each["subject"] for each in late["events"]] == ["TK-1 0"]


async def test_what_people_did_is_told_newest_first_to_those_who_may(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets()
        for level in ("3.1 m", "3.2 m", "3.3 m"):
            request = {"action": "dip", "tank": "TK-2", "level": level, "why": "round"}
            assert (await yard.act(request)).status_code == 200
            yard.passes(60)
        rows = await _all(yard, "/api/1/changes", "rows", at_most="2")
        assert [each["asked"]["level"] for each in rows] == ["3.3 m", "3.2 m", "3.1 m"]
        assert {(each["by"], each["action"], each["why"]) for each in rows} == {("anna@page", "dip", "round")}
        assert [each["number"] for each in rows] == [3, 2, 1]
        page = (await yard.client.get("/api/1/changes", headers=TRAIL)).json()
        assert page["newest_hash"] == page["rows"][0]["hash"] == rows[0]["hash"]
        assert (await yard.get("/api/1/changes")).status_code == 401
        answer = await yard.client.get("/api/1/changes", headers={"X-Test-Person": "vera viewer"})
        assert answer.status_code == 403
        assert (await yard.client.get("/api/1/changes", headers=OPERATOR)).status_code == 200


async def test_a_ledger_that_is_not_there_is_no_quiet_tank(tmp_path: Path) -> None:
    async with gate(tmp_path, ledger=False) as yard:
        for path in ("/api/1/tanks/TK-1/events", "/api/1/changes"):
            answer = await yard.client.get(path, headers=TRAIL)
            assert answer.status_code == 503
            assert "keeps no ledger" in answer.json()["lines"][0]


async def test_a_ledger_that_hangs_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "_READ_S", 0.05)
    async with gate(tmp_path) as yard:
        monkeypatch.setattr(yard.daemon._keeping, "read_aside", lambda *_, **__: Future())
        for _ in range(parts._MOST_READS):
            answer = await yard.get("/api/1/tanks/TK-1/events")
            assert (answer.status_code, answer.json()["code"]) == (503, 1)
            assert "the disk does not give what was kept" in answer.json()["lines"][0]
        # Those who wait for it are counted, so that they do not heap up.
        answer = await yard.get("/api/1/tanks/TK-1/trend")
        assert "others read the ledger" in answer.json()["lines"][0]


async def test_a_ledger_of_another_site_is_not_read_and_it_is_said(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets()
        await yard.kept()
    with closing(sqlite3.connect(tmp_path / "yard.ledger")) as connection, connection:
        connection.execute("UPDATE about SET value = 'another' WHERE key = 'site'")
    connection.close()
    async with gate(tmp_path) as yard:
        answer = await yard.get("/api/1/tanks/TK-1/events")
        assert (answer.status_code, answer.json()["code"]) == (503, 1)
        assert "the ledger cannot be used" in answer.json()["lines"][0]
        assert "another" in answer.json()["lines"][0]
