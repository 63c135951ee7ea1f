"""Gauges against dips over HTTP: what was typed beside what the record of that moment says, and nothing made up."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.page_answers.gate import Gate, gate


async def _dipped(yard: Gate, tank: str, level: str, **more: str) -> None:
    answer = await yard.act({"action": "dip", "tank": tank, "level": level, **more})
    assert answer.status_code == 200, answer.text


async def test_the_last_three_stand_beside_the_gauge_of_their_moment(tmp_path: Path) -> None:
    """9.412 m by the gauge: 9.409 m of tape are 3 mm less, 9.400 m are 12 mm, and 9.450 m are 38 mm more."""
    async with gate(tmp_path) as yard:
        for _ in range(3):
            yard.sheets(9.412)
        for level in ("9.500 m", "9.409 m", "9400 mm", "9.450 m"):
            await yard.kept()
            yard.sheets(9.412)
            await _dipped(yard, "TK-1", level, why="round")
            yard.passes(60)
        # What the gauge says later is not what it said then.
        yard.sheets(3.0)
        page = await yard.page("/api/1/tanks/TK-1/dips")
        assert page["tolerances"] == {"fine": 0.004, "inventory": 0.025}
        found = page["dips"]
        assert [each["tape"] for each in found] == [9.45, 9.4, 9.409]
        assert [each["within"] for each in found] == ["none", "inventory", "fine"]
        assert [each["difference"] for each in found] == pytest.approx([-0.038, 0.012, 0.003])
        assert {each["gauge"]["value"] for each in found} == {9.412}
        assert {(each["by"].split("@")[0], each["why"]) for each in found} == {("anna", "round")}
        assert len((await yard.page("/api/1/tanks/TK-1/dips", at_most="50"))["dips"]) == 4
        # Another tank's are its own, and water is no level.
        assert (await yard.page("/api/1/tanks/TK-2/dips"))["dips"] == []


async def test_what_is_taken_back_says_so_and_what_has_no_gauge_has_no_difference(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets()
        await _dipped(yard, "TK-2", "3.1 m")
        await yard.kept()
        await yard.act({"action": "withdraw", "tank": "TK-2", "quantity": "level", "why": "mistyped"})
        yard.passes(60)
        await _dipped(yard, "TK-2", "3.2 m")
        newest, before = (await yard.page("/api/1/tanks/TK-2/dips"))["dips"]
        assert (newest["withdrawn"], before["withdrawn"]) == (False, True)
        assert newest["difference"] is newest["within"] is before["difference"] is None
        assert newest["gauge"] is None or newest["gauge"]["value"] is None


async def test_a_dip_goes_by_when_it_was_measured_and_not_by_when_it_was_typed(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets(9.0)
        await yard.kept()
        yard.sheets(9.0)
        measured = datetime.fromtimestamp(yard.utc_ns() / 1e9, UTC)
        yard.passes(1200)
        yard.sheets(9.3)
        await yard.kept()
        await _dipped(yard, "TK-1", "9.001 m", entered=measured.isoformat())
        (dip,) = (await yard.page("/api/1/tanks/TK-1/dips"))["dips"]
        assert datetime.fromisoformat(dip["measured"]) == measured.replace(
            microsecond=measured.microsecond // 1000 * 1000
        )
        assert dip["gauge"]["value"] == 9.0
        assert dip["difference"] == pytest.approx(-0.001)
        # Of a time of which nothing is kept nothing is told.
        await _dipped(yard, "TK-1", "9.1 m", entered=(measured - timedelta(hours=2)).isoformat())
        newest = (await yard.page("/api/1/tanks/TK-1/dips"))["dips"][0]
        assert (newest["tape"], newest["gauge"], newest["difference"], newest["within"]) == (9.1, None, None, None)
