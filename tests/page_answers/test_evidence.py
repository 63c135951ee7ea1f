"""What an auditor asks over HTTP: the chain against an edited byte, alarm times and Good time against what happened."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gateway.page_answers import evidence
from gateway.records import Quality
from gateway.tank_record import Event, EventKind
from tests.page_answers.gate import gate
from tests.page_answers.test_acts import ADMINISTRATOR


async def test_one_edited_byte_of_the_audit_trail_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(evidence, "_CHAIN_S", -1.0)
    async with gate(tmp_path) as yard:
        empty = await yard.page("/api/1/chain")
        assert (empty["rows"], empty["newest"], empty["broken"]) == (0, None, None)
        yard.sheets()
        for level in ("3.1 m", "3.2 m", "3.3 m"):
            await yard.act({"action": "dip", "tank": "TK-2", "level": level}, who=ADMINISTRATOR)
        whole = await yard.page("/api/1/chain")
        assert (whole["rows"], whole["newest"]["number"], whole["broken"]) == (3, 3, None)
        trail = await yard.client.get("/api/1/changes", headers=ADMINISTRATOR)
        assert trail.json()["newest_hash"] == whole["newest"]["hash"]
        with closing(sqlite3.connect(tmp_path / "yard.ledger")) as connection, connection:
            connection.execute("UPDATE audit SET body = replace(body, '3.2 m', '3.7 m') WHERE number = 2")
        connection.close()
        broken = await yard.page("/api/1/chain")
    assert (broken["rows"], broken["broken"]["number"]) == (3, 2)
    assert "hash" in broken["broken"]["trouble"]


async def test_alarms_are_told_with_how_long_they_waited(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        begin = datetime.fromtimestamp(yard.utc_ns() / 1e9, UTC)

        def happens(tank: str, kind: EventKind, at_s: float, by: str | None = None) -> None:
            event = Event(kind, begin + timedelta(seconds=at_s), "maximum_working", by=by)
            yard.daemon._keeping.events_apart([(tank, event)])

        happens("TK-1", EventKind.ALARM_RAISED, 10)
        happens("", EventKind.ALARM_RAISED, 20)
        happens("TK-1", EventKind.ALARM_ACKNOWLEDGED, 75, "anna@page")
        yard.passes(3600)
        found = await yard.page("/api/1/alarm-times")
        wrong = await yard.get("/api/1/alarm-times", **{"from": "2026-01-01"})
    assert [
        (each["tank"], each["answered_s"], each["by"]) for each in found["alarms"] if each["alarm"] == "maximum_working"
    ] == [
        (None, None, ""),
        ("TK-1", 65.0, "anna@page"),
    ]
    assert found["complete"]
    assert found["rates"]["longest_s"] == 65.0
    assert wrong.status_code == 400


async def test_rates_are_of_what_was_read_and_not_of_what_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two alarms an hour for ten hours. Of the newest 8, of 4 hours, it is 2 an hour as of all 20, and not 0.8."""
    monkeypatch.setattr(evidence, "_MOST_EVENTS", 8)
    async with gate(tmp_path) as yard:
        begin = datetime.fromtimestamp(yard.utc_ns() / 1e9, UTC)
        for number in range(20):
            event = Event(EventKind.ALARM_RAISED, begin + timedelta(minutes=30 * number), "maximum_working")
            yard.daemon._keeping.events_apart([("TK-1", event)])
        yard.passes(10 * 3600)
        found = await yard.page("/api/1/alarm-times")
    assert not found["complete"]
    assert found["from"] == (begin + timedelta(hours=6)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    assert (found["rates"]["raised"], found["rates"]["an_hour"]) == (8, 2.0)


async def test_good_time_is_the_minutes_that_were_good_throughout(tmp_path: Path) -> None:
    """20 minutes of a sheet each 10 s: two of them with a Bad one, three without any; the rest Good."""
    async with gate(tmp_path) as yard:
        for second in range(0, 1200, 10):
            minute = second // 60
            if minute not in (7, 8, 9):
                is_bad = second in (180, 660)
                yard.read(quality=Quality.BAD if is_bad else Quality.GOOD, t1=15.0, water=0.035, innage=5.0)
            yard.passes(10)
        await yard.kept()
        yard.passes(100)
        found = await yard.page("/api/1/good-time")
    level = found["tanks"]["TK-1"]["level"]
    assert found["since_first_record"]
    assert sum(level.values()) == found["minutes"]
    assert level["bad"] == 2
    assert level["none"] <= 3
    assert level["good"] + level["uncertain"] >= found["minutes"] - 5


async def test_without_a_ledger_nothing_is_told_as_if_it_were_known(tmp_path: Path) -> None:
    async with gate(tmp_path, ledger=False) as yard:
        for path in ("/api/1/chain", "/api/1/alarm-times", "/api/1/good-time"):
            answer = await yard.get(path)
            assert (answer.status_code, answer.json()["code"]) == (503, 1), path
        yard.sheets()
        outlook = await yard.page("/api/1/outlook")
        assert outlook["days_trouble"]
        (product,) = outlook["products"]
        assert product["stock"]["value"] is not None
        assert (product["cover"]["value"], product["offtake"]["quality"]) == (None, "Bad")
