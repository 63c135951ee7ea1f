"""Stock, days it lasts and room by product over HTTP, worked out here from the levels that were given."""

import asyncio
import math
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway.account.cover import last_days
from gateway.account.day import DAY, DAY_SCHEMA
from gateway.account.paper import AccountPaper, PaperKind
from gateway.records import Quality
from tests.account.test_cover import close_of, good
from tests.actions.desk import site_text
from tests.page_answers.gate import Gate, gate

AREA = math.pi * 18.0**2 / 4
LIMITS = "limits: {minimum: 1 m, maximum_working: 13.2 m, high_high: 13.55 m, critical_high: 13.95 m}"
SITE = site_text(f", {LIMITS}", f", {LIMITS}")


async def _begun(yard: Gate) -> None:
    """TK-1 is gauged at 9.412 m, TK-2 dipped at 3 m; both stand upright, 18 m wide, and are 15 degC warm."""
    asked = {"action": "temperature", "tank": "TK-2", "value": "15 degC", "expires": "12 h", "why": "by hand"}
    answer = await yard.act(asked)
    assert answer.status_code == 200, answer.text
    yard.sheets(9.412)


async def _closed(yard: Gate, throughput_m3: float, *, but: int | None = None, revision: int = 1) -> None:
    """Each of the seven days, but one; 10 m3 a day come in."""
    papers = []
    for place, day in enumerate(last_days(yard.settings.account, yard.parts.now())):
        if place != but:
            close = close_of(day, good(throughput_m3), good(10.0))._replace(revision=revision)
            document: dict[str, Any] = {"schema": DAY_SCHEMA, "key": close.key, **DAY.to_plain(close)}
            papers.append(AccountPaper(PaperKind.DAY, close.key, "", day.end, document))
    await asyncio.wrap_future(yard.daemon._keeping.keep_account(papers, (), (yard.utc_ns(), "{}")))


async def test_stock_cover_room_and_receipts(tmp_path: Path) -> None:
    async with gate(tmp_path, text=SITE) as yard:
        await _begun(yard)
        none = await yard.page("/api/1/outlook")
        await _closed(yard, 50.0, but=2)
        six = await yard.page("/api/1/outlook")
        await _closed(yard, 40.0, revision=2)
        found = await yard.page("/api/1/outlook")
        sheets = {each.identity.tank: each.inventory.figures for each in yard.pipeline.records()}
    (of_none,), (of_six,), (product,) = none["products"], six["products"], found["products"]
    assert (of_none["cover"]["value"], of_six["cover"]["value"]) == (None, None)
    assert "0 of 7 days are closed" in of_none["offtake"]["reasons"][0]["text"]
    assert f"not {found['days'][2]}" in of_six["offtake"]["reasons"][0]["text"]
    assert found["days"] == found["closed"]
    # By the newest revision; what came in is that of all days.
    assert product["offtake"]["value"] == pytest.approx(40.0)
    assert product["receipts"]["value"] == pytest.approx(70.0)
    assert (product["product"], product["measure"], product["stock"]["tanks"]) == ("diesel", "gsv", [2, 2])
    whole = sum(each.gsv.value or 0.0 for each in sheets.values())
    assert product["stock"]["value"] == pytest.approx(whole)
    assert whole == pytest.approx((9.412 + 3.0 - 0.035 - 0.02) * AREA, rel=0.002)
    # Above 1 m in each; the water stays where it is.
    assert product["available"]["value"] == pytest.approx((8.412 + 2.0) * AREA, rel=0.002)
    assert product["cover"]["value"] == pytest.approx(product["available"]["value"] / 40.0)
    assert product["room"]["value"] == pytest.approx((13.2 - 9.412 + 13.2 - 3.0) * AREA, rel=0.001)


async def test_a_tank_that_is_lost_is_named_and_the_sum_is_no_whole_one(tmp_path: Path) -> None:
    async with gate(tmp_path, text=SITE) as yard:
        await _begun(yard)
        yard.passes(11)
        yard.read(quality=Quality.BAD, innage=9.412)
        list(yard.pipeline.overdue())
        found = await yard.page("/api/1/outlook")
    (product,) = found["products"]
    assert [each["tank"] for each in product["left_out"]] == ["TK-1"]
    assert (product["stock"]["tanks"], product["stock"]["quality"]) == ([1, 2], "Uncertain")
    assert product["stock"]["value"] == pytest.approx((3.0 - 0.02) * AREA, rel=0.002)


def test_the_days_are_those_that_are_over(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as yard:
            yard.sheets()
            before = (await yard.page("/api/1/outlook"))["days"]
            yard.now += timedelta(days=1)
            yard.sheets()
            assert (await yard.page("/api/1/outlook"))["days"][:-1] == before[1:]

    asyncio.run(play())
