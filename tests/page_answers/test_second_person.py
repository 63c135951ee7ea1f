"""Where the site asks for a second person: what one asks for is done when another says so, and in both names."""

import asyncio
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest

from gateway.two_people import Given
from tests.page_answers.gate import Gate, gate

ADA = {"X-Test-Person": "ada accountant"}
CARL = {"X-Test-Person": "carl accountant"}
ADMINISTRATOR = {"X-Test-Person": "zoe administrator"}
OLGA = {"X-Test-Person": "olga operator"}
CHANGE = {
    "action": "product-change",
    "tank": "TK-2",
    "product": "gasoline",
    "density": "742 kg/m3",
    "expires": "9 d",
    "why": "cleaned and refilled",
}
APPROVE = {"action": "approve", "request": "1"}


def _needs(there: Gate, *actions: str) -> None:
    """The site file asks for it from now on, as after a reload."""
    there.daemon.acting.watched(replace(there.settings, second_person=frozenset(actions)))


async def _product(there: Gate) -> str:
    there.sheets()
    return str({each.inventory.tank: each.inventory.product for each in there.pipeline.records()}["TK-2"])


async def _waiting(there: Gate) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (await there.page("/api/1/entered"))["waiting"]
    return found


def test_it_changes_nothing_until_another_person_approves_it(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as there:
            _needs(there, "product-change")
            before = await _product(there)
            tried = (await there.act(CHANGE, tries=True, who=ADA)).json()
            assert any("second person" in note for note in tried["notes"])
            asked = (await there.act(CHANGE, who=ADA)).json()
            assert asked["code"] == 0, asked
            assert asked["lines"][0].startswith("request 1 waits for a second person until")
            assert await _product(there) == before
            (waiting,) = await _waiting(there)
            assert (waiting["request"], waiting["by"], waiting["asked"]["why"]) == (1, "ada@page", CHANGE["why"])
            assert any("gasoline" in line for line in waiting["lines"])

            own = await there.act(APPROVE, who=ADA)
            assert own.status_code == 422
            assert own.json()["lines"] == ["request: 1 was asked for by ada@page; another person approves it"]
            # Whoever may not ask for it may not approve it.
            assert (await there.act(APPROVE, who=OLGA)).status_code == 403
            assert await _product(there) == before

            told = (await there.act(APPROVE, tries=True, who=CARL)).json()
            assert any("gasoline" in line for line in told["lines"])
            assert await _product(there) == before
            done = (await there.act(APPROVE, who=CARL)).json()
            assert done["code"] == 0, done
            assert any("entered by ada@page, approved by carl@page" in line for line in done["lines"])
            assert await _product(there) == "gasoline"
            assert await _waiting(there) == []
            assert (await there.act(APPROVE, who=CARL)).status_code == 422

    asyncio.run(play())


def test_nobody_approves_it_who_was_brought_in_for_it(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as there:
            _needs(there, "product-change")
            before = await _product(there)
            given = [Given(1, "olga", "ada@page", "invited", there.now.timestamp())]
            there.daemon.acting.given = lambda: given
            await there.act(CHANGE, who=ADA)
            given.append(Given(2, "carl", "ada@page", "role", there.now.timestamp()))
            for tries in (True, False):
                refused = await there.act(APPROVE, tries=tries, who=CARL)
                assert refused.status_code == 422
                assert "after that ada@page gave carl another role on" in refused.json()["lines"][0]
            assert await _product(there) == before
            listed = await there.client.get("/api/1/entered", headers=CARL)
            assert "gave carl another role" in listed.json()["waiting"][0]["in_the_way"]

            olga = {"X-Test-Person": "olga accountant"}
            (waiting,) = (await there.client.get("/api/1/entered", headers=olga)).json()["waiting"]
            assert (waiting["in_the_way"], [each["by"] for each in waiting["ties"]]) == ("", ["ada@page"])
            both = f"ada@page, approved by olga@page, whom ada@page invited on {there.now.date().isoformat()}"
            assert any(both in line for line in (await there.act(APPROVE, tries=True, who=olga)).json()["lines"])
            assert (await there.act(APPROVE, who=olga)).json()["code"] == 0
            await there.kept()
            rows = (await there.client.get("/api/1/changes", headers=ADMINISTRATOR)).json()["rows"]
            assert [row["by"] for row in rows if row["action"] == "product-change" and row["after"]][:1] == [both]

    asyncio.run(play())


@pytest.mark.parametrize("number", ["1", " 1", "1 ", "0x1", "0X1", "0b1", "0o1", "01", "+1", "1.0", "1_0", "\u0661", 1])
@pytest.mark.parametrize("action", ["approve", "decline"])
async def test_who_may_not_decide_may_not_however_the_number_is_written(
    tmp_path: Path, action: str, number: str | int
) -> None:
    """Who may is looked at by the same number as what is done."""
    async with gate(tmp_path) as there:
        _needs(there, "product-change")
        before = await _product(there)
        assert (await there.act(CHANGE, who=ADA)).json()["code"] == 0
        for tries in (True, False):
            decision: dict[str, Any] = {"action": action, "request": number, "why": "so it is"}
            answer = await there.act(decision, tries=tries, who=OLGA)
            assert answer.status_code in (403, 422), answer.json()
        assert len(await _waiting(there)) == 1
        assert await _product(there) == before


def test_what_is_declined_is_not_done(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as there:
            _needs(there, "product-change")
            before = await _product(there)
            await there.act(CHANGE, who=ADA)
            # The number of what is gone is not given to what is asked for next.
            decline = {"action": "decline", "request": "1", "why": "that is TK-1"}
            answer = (await there.act(decline, who=CARL)).json()
            assert answer["lines"] == ["request 1 of ada@page is declined by carl@page: nothing was done"]
            await there.act(CHANGE, who=ADA)
            assert (await there.act(APPROVE, who=CARL)).status_code == 422
            assert [each["request"] for each in await _waiting(there)] == [2]
            assert await _product(there) == before

    asyncio.run(play())


def test_what_cannot_be_done_is_refused_and_does_not_wait(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as there:
            _needs(there, "product-change")
            there.sheets()
            assert (await there.act({**CHANGE, "product": "milk"}, who=ADA)).status_code == 422
            assert await _waiting(there) == []

    asyncio.run(play())


def test_what_can_no_longer_be_done_is_refused_and_waits_on(tmp_path: Path) -> None:
    """It is checked anew when it is approved: here somebody has done the same in the meantime."""

    async def play() -> None:
        async with gate(tmp_path) as there:
            there.sheets()
            back = {"action": "withdraw", "tank": "TK-2", "quantity": "level", "why": "mistyped"}
            assert (await there.act({"action": "dip", "tank": "TK-2", "level": "4 m"})).status_code == 200
            _needs(there, "withdraw")
            assert (await there.act(back)).json()["lines"][0].startswith("request 1 waits")
            _needs(there)
            assert (await there.act(back)).status_code == 200
            approved = await there.act(APPROVE, who=OLGA)
            assert approved.status_code == 422
            assert "no level by hand of TK-2 is entered" in approved.json()["lines"][0]
            assert [each["request"] for each in await _waiting(there)] == [1]

    asyncio.run(play())


def test_a_site_that_asks_for_none_has_it_done_at_once(tmp_path: Path) -> None:
    async def play() -> None:
        async with gate(tmp_path) as there:
            done = (await there.act(CHANGE, who=ADA)).json()
            assert done["code"] == 0, done
            assert await _product(there) == "gasoline"

    asyncio.run(play())


async def test_a_restart_knows_what_waits_and_what_does_no_more(tmp_path: Path) -> None:
    async with gate(tmp_path) as there:
        _needs(there, "product-change", "dip")
        there.sheets()
        await there.act(CHANGE, who=ADA)
        await there.act({"action": "dip", "tank": "TK-2", "level": "4 m"}, who=OLGA)
        decline = {"action": "decline", "request": "2", "why": "not now"}
        assert (await there.act(decline, who=OLGA)).status_code == 200
        kept = await _waiting(there)
        now = there.now
    async with gate(tmp_path) as after:
        after.now = now
        _needs(after, "product-change")
        after.sheets()
        assert await _waiting(after) == kept
        assert [each["request"] for each in kept] == [1]
        assert (await after.act(APPROVE, who=ADA)).status_code == 422
        assert (await after.act(APPROVE, who=CARL)).status_code == 200
        assert await _product(after) == "gasoline"
    async with gate(tmp_path) as again:
        again.now = now
        assert await _waiting(again) == []
        # No number is given twice.
        _needs(again, "dip")
        again.sheets()
        asked = (await again.act({"action": "dip", "tank": "TK-2", "level": "4 m"}, who=OLGA)).json()
        assert asked["waiting"]["request"] == 3


async def test_a_day_later_it_waits_no_more(tmp_path: Path) -> None:
    async with gate(tmp_path) as there:
        _needs(there, "product-change")
        there.sheets()
        await there.act(CHANGE, who=ADA)
        there.passes(24 * 3600.0 - 20.0)
        assert [each["request"] for each in await _waiting(there)] == [1]
        there.passes(20.0)
        assert await _waiting(there) == []
        assert (await there.act(APPROVE, who=CARL)).status_code == 422


async def test_what_the_disk_does_not_take_is_not_approved(tmp_path: Path) -> None:
    async with gate(tmp_path) as there:
        _needs(there, "product-change")
        there.sheets()
        await there.act(CHANGE, who=ADA)
        failed: Future[None] = Future()
        failed.set_exception(OSError("the disk is full"))
        keeping = there.daemon._keeping
        keep, keeping.keep_papers = keeping.keep_papers, lambda *_: failed  # type: ignore[method-assign]
        answer = await there.act(APPROVE, who=CARL)
        assert (answer.status_code, answer.json()["lines"]) == (409, ["it could not be kept: the disk is full"])
        keeping.keep_papers = keep  # type: ignore[method-assign]
        assert [each["request"] for each in await _waiting(there)] == [1]
        assert await _product(there) == "diesel"


async def test_what_is_no_request_is_refused_by_the_door_as_ever(tmp_path: Path) -> None:
    """From the socket anything may come: texts where none belong, and other things where texts do."""
    async with gate(tmp_path) as there:
        acting = there.daemon.acting
        for line in (b"[]", b"{", b'{"action": ["approve"]}', b'{"action": {}}', b'{"action": "approve"}', b"{}"):
            answer = orjson.loads(await acting.answer(line + b"\n", "root"))
            assert answer["code"] == 2, (line, answer)
        for request in (b'{"action":"approve","request":1}', b'{"action":"decline","request":"1","why":["x"]}'):
            answer = orjson.loads(await acting.answer(request, "root"))
            assert (answer["code"], answer["lines"]) == (2, ["a request is texts alone"])


async def test_what_somebody_asked_for_who_may_no_more_is_not_approved(tmp_path: Path) -> None:
    """Two stand for it, and one of them was removed, or is a viewer by now."""
    async with gate(tmp_path) as there:
        _needs(there, "product-change")
        before = await _product(there)
        assert (await there.act(CHANGE, who=ADA)).json()["code"] == 0
        asked: list[tuple[str, str]] = []

        def nobody(by: str, about: Mapping[str, Any]) -> bool:
            asked.append((by, about["action"]))
            return False

        there.daemon.acting.still_asks = nobody
        for tries in (True, False):
            refused = await there.act(APPROVE, tries=tries, who=CARL)
            assert refused.status_code == 422
            assert "asked for by ada@page, who may not ask for it any more" in refused.json()["lines"][0]
        assert asked == [("ada@page", "product-change")] * 2
        assert await _product(there) == before
        assert len(await _waiting(there)) == 1
        declined = await there.act({"action": "decline", "request": "1", "why": "she has left"}, who=CARL)
        assert declined.json()["code"] == 0
        assert await _waiting(there) == []
