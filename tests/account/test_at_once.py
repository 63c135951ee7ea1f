"""Two who act at once, and acts and closes that meet: whatever the order, nothing is counted twice and nothing lost."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.account.days.close import DayBooks
from gateway.account.paper import PaperKind
from gateway.errors import SettingsError
from gateway.ledger.account_papers import StoredPaper, papers_between
from gateway.ledger.reading_file import opened
from tests.support.account_desk import Desk
from tests.support.account_yard import AREA_M2, NOON

RATE = 2.0e-4
"""m/s: 0.72 m an hour."""


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    desk = Desk(tmp_path)
    await desk.begin()
    yield desk
    await desk.keeping.close(None)


def papers(desk: Desk, kind: PaperKind) -> list[StoredPaper]:
    with opened(desk.file) as connection:
        return [each for each in papers_between(connection, kind, 0, 1 << 62) if isinstance(each, StoredPaper)]


async def receipt(desk: Desk) -> None:
    """An hour of it, up to its ticket."""
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(3600.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(2460.0)


async def test_two_who_put_another_ticket_in_place_of_one_at_once_do_it_once(desk: Desk) -> None:
    """Tickets 2 and 3 take 1 back and stand for it; were it done twice, 4 and 5 would count the receipt once more."""
    await receipt(desk)
    asked = [desk.ask(action="reverse-ticket", ticket="1", why="wrong ship", partner=name) for name in ("A", "B")]
    answers = await asyncio.gather(*asked)
    assert sorted(answer["code"] for answer in answers) == [0, 1]
    made = [(each.document["number"], each.document.get("reverses")) for each in papers(desk, PaperKind.TICKET)]
    assert made == [(1, None), (2, 1), (3, None)]


async def test_amounts_go_on_where_an_older_ledger_was_put_in_the_place_of_the_newer(desk: Desk) -> None:
    """Amount 2 is in the newer file alone: the next is 3, entered, out of a file, or as one taken back."""
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    at = "2026-03-14T11:00Z"
    await desk.well(**given, amount="10 m3", reference="BL 1", at=at)
    older = desk.file.with_name("older")
    with closing(sqlite3.connect(desk.file)) as connection:
        connection.execute("VACUUM INTO ?", (str(older),))
    await desk.well(**given, amount="20 m3", reference="BL 2", at=at)
    for each in desk.file.parent.glob("harbour.ledger*"):
        each.unlink()
    older.rename(desk.file)
    await desk.passes(600.0)
    assert "amount 3" in (await desk.well(**given, amount="30 m3", reference="BL 3", at=at))[0]
    text = f"kind,source,product,amount,at,reference\nreceipt,ship,diesel,40 m3,{at},BL 4\n"
    assert "amount 4" in (await desk.well(action="import-amounts", text=text))[0]
    assert "amount 5" in (await desk.well(action="reverse-amount", amount="1", why="wrong"))[0]


async def test_what_is_cancelled_while_its_day_is_closed_is_in_a_revision_of_it(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its day is read before that, and kept after it: 0.72 m had come in by then, and were no receipt after all."""
    desk.yard.passes((datetime(2026, 3, 15, 4, 50, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(3600.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(600.0)
    read = desk.accounts.read
    was_asked: list[bool] = []

    async def read_and_meet(reading: Any) -> Any:
        found = await read(reading)
        if isinstance(found, DayBooks) and not was_asked:
            was_asked.append(True)
            await desk.well(action="cancel-transfer", transfer="1", why="the pump of another tank")
        return found

    monkeypatch.setattr(desk.accounts, "read", read_and_meet)
    await desk.passes(180.0, days=True)
    made = [each.document for each in papers(desk, PaperKind.DAY)]
    assert [each["balances"][0]["receipts"]["value"] for each in made] == [pytest.approx(AREA_M2 * 0.72), 0.0]


async def test_a_tank_without_a_sheet_is_of_what_it_held_at_the_end_of_the_day(desk: Desk) -> None:
    """TK-2 is lost before the boundary and put to gasoline after it: the diesel is 1 of 2 tanks, and no gasoline is
    missing."""
    desk.yard.passes((datetime(2026, 3, 15, 5, 20, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    lost = desk.yard.tanks.pop("TK-2")
    await desk.passes(2430.0)
    desk.words["TK-2"] = [(datetime(2026, 3, 15, 6, 0, tzinfo=UTC), "gasoline")]
    await desk.passes(600.0, days=True)
    desk.yard.tanks["TK-2"] = lost
    (paper,) = papers(desk, PaperKind.DAY)
    found = {each["product"]: each for each in paper.document["balances"]}
    assert list(found) == ["diesel"]
    assert found["diesel"]["tanks"] == [1, 2]
    assert found["diesel"]["physical"]["quality"] == 1


async def test_a_start_after_a_first_one_in_which_no_tank_ever_rested_goes_on(tmp_path: Path) -> None:
    """Nothing in the ledger is of another start, and no sheet is at rest: the look for one has an end all the same."""
    desk = Desk(tmp_path)
    for tank in desk.yard.tanks:
        desk.yard.moves(tank, RATE)
    await desk.begin()
    await desk.passes(300.0)
    open_before = desk.phases()
    assert sorted(open_before.values()) == ["proposed", "proposed"]
    await desk.ends()
    async with asyncio.timeout(10.0):
        await desk.begin()
    assert desk.phases() == open_before
    await desk.keeping.close(None)


async def test_where_the_last_sheet_of_a_day_is_damaged_the_one_before_it_stands_for_it(desk: Desk) -> None:
    """The sheet of TK-1 at 06:00:00 cannot be read any more, that of 05:59:30 can: the tank is not left out."""
    end = datetime(2026, 3, 15, 6, 0, tzinfo=UTC)
    desk.yard.passes((end - NOON).total_seconds() - 600.0)
    await desk.hear()
    await desk.passes(660.0)
    await desk.accounts.read(lambda connection: None)
    with closing(sqlite3.connect(desk.file, timeout=10.0)) as connection:
        of_tank = "kind = 0 AND tank = (SELECT id FROM tanks WHERE name = 'TK-1') AND instant_ns <= ?"
        change = f"UPDATE history SET body = x'00' WHERE position = (SELECT max(position) FROM history WHERE {of_tank})"
        assert connection.execute(change, (round(end.timestamp() * 1e9),)).rowcount == 1
        connection.commit()
    await desk.passes(660.0, days=True)
    (paper,) = papers(desk, PaperKind.DAY)
    sheets = {each["tank"]: each["gauging"] for each in paper.document["tanks"]}
    assert sheets["TK-1"]["instant"] == "2026-03-15T05:59:30+00:00"
    assert sheets["TK-2"]["instant"] == "2026-03-15T06:00:00+00:00"


async def test_a_document_of_a_product_that_no_tank_holds_any_more_is_taken_in(desk: Desk) -> None:
    """The ship's papers come when its tank has been put to another product: they are of the day of the ship."""
    desk.accounts.known_products = lambda: frozenset({"diesel", "gasoline"})
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "gasoline", "measure": "gsv"}
    assert "amount 1" in (await desk.well(**given, amount="10 m3", reference="BL 1", at="2026-03-14T11:00Z"))[0]
    text = "kind,source,product,amount,at,reference\nreceipt,ship,gasoline,40 m3,2026-03-14T11:00Z,BL 2\n"
    assert "amount 2" in (await desk.well(action="import-amounts", text=text))[0]
    with pytest.raises(SettingsError, match="there is no product 'kerosene'"):
        await desk.ask(**{**given, "product": "kerosene"}, amount="10 m3")


async def test_by_a_clock_that_has_jumped_no_amount_is_taken_in_and_no_day_is_closed(desk: Desk) -> None:
    await desk.passes(60.0)
    desk.days.clock_jump_s = lambda: 86400.0
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    text = "kind,source,product,amount,at,reference\nreceipt,ship,diesel,40 m3,2026-03-14T11:00Z,BL 2\n"
    for asked in ({**given, "amount": "10 m3"}, {"action": "import-amounts", "text": text}, {"action": "close-day"}):
        answer = await desk.ask(**asked)
        assert (answer["code"], "at once" in answer["lines"][0]) == (1, True)
    assert papers(desk, PaperKind.AMOUNT) == papers(desk, PaperKind.DAY) == []
    desk.days.clock_jump_s = float
    await desk.well(**given, amount="10 m3")
