"""Dips beside gauges over HTTP: differences that are said beforehand, and none where the level was the dip itself."""

from pathlib import Path

import pytest

from gateway.records import Quality
from tests.page_answers.gate import Gate, gate


async def _dipped(yard: Gate, tank: str, level: str, **more: str) -> None:
    asked = {"action": "dip", "tank": tank, "level": level, "expires": "1 h", "why": "monthly"}
    answer = await yard.act(asked | more)
    assert answer.status_code == 200, answer.text
    await yard.turn()


async def _watched(yard: Gate) -> None:
    """TK-1 as often as it is to be read, at 9.412 m."""
    for _ in range(10):
        yard.passes(2)
        yard.read(t1=15.0, water=0.035, innage=9.412)


@pytest.mark.parametrize(
    ("dip", "difference_mm", "within"),
    [
        ("9.408 m", 4.0, "fine"),
        ("9.407 m", 5.0, "inventory"),
        ("9.437 m", -25.0, "inventory"),
        ("9.386 m", 26.0, "neither"),
        ("9412 mm", 0.0, "fine"),
    ],
)
async def test_a_dip_stands_beside_what_the_gauge_said(
    tmp_path: Path, dip: str, difference_mm: float, within: str
) -> None:
    async with gate(tmp_path) as yard:
        await _watched(yard)
        await _dipped(yard, "TK-1", dip)
        (row,) = (await yard.page("/api/1/dips"))["dips"]
    assert (row["tank"], row["by"], row["why"], row["as_typed"]) == ("TK-1", "anna@page", "monthly", dip)
    assert row["gauge"] == 9.412
    assert row["difference"] * 1000 == pytest.approx(difference_mm, abs=1e-6)
    assert (row["within"], row["not_compared"]) == (within, None)


async def test_what_cannot_be_compared_says_why_and_agrees_with_nothing(tmp_path: Path) -> None:
    """A tank without a gauge, whose level is the last dip; a gauge that is Bad, for which the dip stands in; a dip of a
    time of which nothing is kept."""
    async with gate(tmp_path) as yard:
        yard.sheets(9.412)
        await _dipped(yard, "TK-2", "3.000 m")
        yard.sheets(9.412)
        await _dipped(yard, "TK-2", "3.000 m")
        yard.passes(200)
        yard.read(quality=Quality.BAD, t1=15.0, water=0.035, innage=9.412)
        list(yard.pipeline.overdue())
        await _dipped(yard, "TK-1", "9.400 m")
        await _dipped(yard, "TK-1", "9.401 m", entered="2026-11-27T06:00Z", expires="2 d")
        found = await yard.page("/api/1/dips")
    told = [(each["tank"], each["difference"], each["within"]) for each in found["dips"]]
    assert told == [("TK-1", None, None)] * 2 + [("TK-2", None, None)] * 2
    why = [each["not_compared"] for each in found["dips"]]
    assert why[0] == "not_kept"
    assert why[1] in ("no_gauge", "not_good")
    assert why[2:] == ["no_gauge", "no_gauge"]
    assert found["complete"]
