"""Who acknowledges does so for the alarm that he saw: another raising of it since then is another alarm."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from gateway.records import Quality
from tests.page_answers.gate import Gate, gate

SEEN = {"action": "acknowledge", "tank": "TK-1", "alarm": "level_lost"}


async def _raised(there: Gate) -> dict[str, Any]:
    """The gauge says nothing for two minutes: longer than the delay of the alarm, a minute."""
    there.sheets()
    for _ in range(12):
        there.passes(11)
        there.read(t1=15.0, water=0.035)
        there.read(quality=Quality.BAD, innage=None)  # type: ignore[arg-type]
        list(there.pipeline.overdue())
    alarm: dict[str, Any]
    (alarm,) = [each for each in (await there.page("/api/1/entered"))["alarms"] if each["name"] == "level_lost"]
    assert alarm["phase"] == "unacknowledged"
    return alarm


async def test_the_alarm_that_was_seen_is_acknowledged_and_no_other(tmp_path: Path) -> None:
    async with gate(tmp_path) as there:
        alarm = await _raised(there)
        before = datetime.fromisoformat(alarm["raised"]) - timedelta(seconds=1)
        for tries in (True, False):
            other = await there.act({**SEEN, "raised": before.isoformat()}, tries=tries)
            assert other.status_code == 409
            assert "it was raised anew at" in other.json()["lines"][0]
        (still,) = [each for each in (await there.page("/api/1/entered"))["alarms"] if each["name"] == "level_lost"]
        assert still["phase"] == "unacknowledged"
        # As a message tells it, cut to the millisecond.
        assert (await there.act({**SEEN, "raised": alarm["raised"]})).status_code == 200
        (seen,) = [each for each in (await there.page("/api/1/entered"))["alarms"] if each["name"] == "level_lost"]
        assert (seen["phase"], seen["by"]) == ("acknowledged", "anna@page")


async def test_a_time_that_is_none_is_refused(tmp_path: Path) -> None:
    async with gate(tmp_path) as there:
        there.sheets()
        answer = await there.act({**SEEN, "raised": "just now"})
        assert (answer.status_code, answer.json()["code"]) == (422, 2)
        assert answer.json()["lines"][0].startswith("raised: 'just now' is not a date and time")
