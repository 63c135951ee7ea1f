"""`transfers` and `stock` without an act: what a gateway tells of its accounts, as people read it."""

import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

import orjson
import pytest

from gateway.commands.accountant.stock_lines import stock_lines
from gateway.commands.demonstration.books import DemoBooks
from gateway.desk.pages import AccountPages
from gateway.payload.writer import inventories_json
from gateway.tank_record import TankRecord
from tests.commands.answering import answering_all
from tests.commands.typed import Said, typed
from tests.support.account_desk import Desk
from tests.support.account_yard import AREA_M2, NOON
from tests.support.records import snapshot

Capture = pytest.CaptureFixture[str]
RATE = 2.0e-4
"""m/s, on 254.47 m2: 183.2 m3/h."""


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    """A receipt that has its ticket, a dispatch of 90 m3 that runs for 20 min, another that is planned."""
    desk = Desk(tmp_path)
    await desk.begin()
    desk.yard.passes((datetime(2026, 3, 15, 4, 0, tzinfo=UTC) - NOON).total_seconds())
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1", partner="MT Elva", amount="75 t")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1800.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(2400.0)
    await desk.well(action="start-transfer", kind="dispatch", source="TK-1", amount="90 m3", reference="L-118")
    desk.yard.moves("TK-1", -RATE)
    await desk.well(action="plan-transfer", kind="tank_to_tank", source="TK-1", target="TK-2", amount="50 m3")
    await desk.passes(1200.0)
    yield desk
    await desk.keeping.close(None)


def with_limits(record: TankRecord) -> TankRecord:
    state = record.inventory.level_state._replace(minimum_m=0.9, maximum_working_m=13.2, critical_high_m=13.95)
    return record._replace(inventory=record.inventory._replace(level_state=state))


async def asked(capsys: Capture, desk: Desk, *words: str) -> Said:
    pages = AccountPages("harbour", desk.accounts)
    records = [with_limits(record) for record in desk.newest.values()]
    shown = snapshot()._replace(inventories=records, instant=desk.yard.now)
    documents = {
        "/transfers": await pages.transfers({}),
        "/transfers?all=yes": await pages.transfers({"all": "yes"}),
        "/tickets": await pages.tickets({}),
        "/stock": await pages.stock({}),
        "/inventories": inventories_json(shown),
    }
    with answering_all(documents) as address:
        return await asyncio.to_thread(typed, capsys, *words, "--address", address)


async def test_a_transfer_that_runs_says_how_far_how_fast_and_until_when(capsys: Capture, desk: Desk) -> None:
    """183.2 m3/h for 20 min is 61.1 m3 of 90: the 28.9 m3 that are missing take 9.5 min, until 05:49."""
    said = await asked(capsys, desk, "transfers")
    assert (said.code, said.err) == (0, "")
    lines = said.out.splitlines()
    assert lines[0] == "harbour at 2026-03-15 05:40:00 GMT (2026-03-15 05:40:00 UTC), SIMULATED"
    first = lines.index("  2  RUNNING  dispatch out of TK-1, diesel; L-118")
    assert "◀" in lines[first + 1]
    assert lines[first + 1].endswith("TK-1 5.120 m")
    moved_m3 = AREA_M2 * RATE * 1200.0
    assert lines[first + 2] == (
        f"     moved {moved_m3:.1f} m³ GSV of 90.0 m³ planned, at 183 m³/h, done at 05:49 GMT (05:49 UTC), in 9 min"
    )
    planned = lines.index("  3  PLANNED  tank to tank out of TK-1 into TK-2, diesel")
    assert planned > first, "what moves stands first"
    assert lines[planned + 3] == "     planned: 50.0 m³ GSV, by kim"
    assert "RECEIPT" not in said.out.upper()
    assert "A screen value never authorises opening a valve: follow site procedure." in lines[-1]


async def test_all_of_them_have_those_that_are_over(capsys: Capture, desk: Desk) -> None:
    said = await asked(capsys, desk, "transfers", "--all")
    lines = said.out.splitlines()
    closed = lines.index("  1  CLOSED  receipt into TK-1, diesel; MT Elva")
    assert lines[closed + 1].startswith("     ticket 1, closed at ")
    assert closed > lines.index("  2  RUNNING  dispatch out of TK-1, diesel; L-118")


async def test_one_that_settles_says_how_long_still(capsys: Capture, desk: Desk) -> None:
    """It came to rest at 05:40 and has rested for 12 min of 30: still 18."""
    desk.yard.moves("TK-1", 0.0)
    await desk.well(action="finish-transfer", transfer="2")
    await desk.passes(720.0)
    said = await asked(capsys, desk, "transfers")
    assert "     settles until 06:10 GMT (06:10 UTC) if nothing moves: still 18 min" in said.out.splitlines()
    desk.yard.moves("TK-1", -RATE)
    await desk.passes(60.0)
    said = await asked(capsys, desk, "transfers")
    assert "settles until" not in said.out


async def test_a_ticket_that_was_taken_back_says_so(capsys: Capture, desk: Desk) -> None:
    await desk.well(action="reverse-ticket", ticket="1", why="wrong ship", partner="MT Else")
    said = await asked(capsys, desk, "transfers", "--all")
    assert "TAKEN BACK by ticket 2, ticket 3 stands in its place" in said.out
    await desk.well(action="reverse-ticket", ticket="3", why="no ship at all")
    said = await asked(capsys, desk, "transfers", "--all")
    assert "TAKEN BACK by ticket 2" in said.out
    assert "stands in its place" not in said.out


async def test_one_that_settles_says_what_it_waits_for_and_a_rate_that_is_not_known_is_none(
    capsys: Capture, desk: Desk
) -> None:
    desk.yard.tanks["TK-1"].is_lost = True
    await desk.passes(60.0)
    said = await asked(capsys, desk, "transfers")
    assert "finish unknown" in said.out
    assert "no level" in said.out
    assert "inf" not in said.out
    desk.yard.tanks["TK-1"].is_lost = False
    desk.yard.moves("TK-1", 0.0)
    await desk.well(action="finish-transfer", transfer="2")
    said = await asked(capsys, desk, "transfers")
    assert "  2  SETTLING  dispatch out of TK-1" in said.out
    assert "waits for: " in said.out


async def test_an_amount_that_names_no_ticket_is_looked_at_against_those_near_it(desk: Desk) -> None:
    """The receipt of 75 t has ticket 1: its document without that number would count beside it."""
    given = {"kind": "receipt", "source": "ship", "product": "diesel", "amount": "91 m3", "measure": "gsv"}
    answer = await desk.ask(action="amount", **given, reference="BL-7")
    assert (answer["code"], len(answer["notes"])) == (0, 1)
    assert answer["notes"][0].startswith("amount 1 counts beside ticket 1 (91.6 m3 GSV, MT Elva): if both")
    await desk.well(action="reverse-amount", amount="1", why="of ticket 1")
    await desk.well(action="reverse-ticket", ticket="1", why="its number is known now", reference="BL-7")
    answer = await desk.ask(action="amount", **given, reference="BL-7")
    assert answer["code"] != 0
    assert "ticket 3 is of BL-7 too" in answer["lines"][0]
    text = "kind,source,product,amount,at,reference\nreceipt,ship,diesel,91 m3,2026-03-15T05:00Z,BL-7\n"
    answer = await desk.ask(action="import-amounts", text=text)
    assert answer["code"] != 0
    assert "ticket 3 is of BL-7 too" in answer["lines"][1]
    assert (await desk.ask(action="amount", **given, reference="BL-7", ticket="3"))["code"] == 0


async def test_an_amount_of_what_still_runs_waits_for_its_ticket(desk: Desk) -> None:
    """Transfer 2 runs, a dispatch by L-118: its document beside it would count a second time."""
    given = {"kind": "dispatch", "source": "road", "product": "diesel", "amount": "90 m3", "measure": "gsv"}
    answer = await desk.ask(action="amount", **given, reference="L-118")
    assert answer["code"] != 0
    assert "transfer 2 is of L-118 too, and has no ticket yet" in answer["lines"][0]
    answer = await desk.ask(action="amount", **given, reference="L-119")
    assert answer["code"] == 0
    assert [note.partition(":")[0] for note in answer["notes"]] == [
        "amount 1 counts beside transfer 2, which has no ticket yet"
    ]


async def test_one_that_rests_has_no_rate_of_noise(capsys: Capture, desk: Desk) -> None:
    desk.yard.moves("TK-1", 0.0)
    desk.yard.tanks["TK-1"].rate_m_s = 1.0e-9
    await desk.passes(60.0)
    said = await asked(capsys, desk, "transfers")
    assert " of 90.0 m³ planned, nothing flows, finish unknown" in said.out
    assert "m³/h" not in said.out


def test_the_sum_of_all_products_is_that_of_the_lines_shown() -> None:
    """Two of 100.04 t are 100.0 t each: whoever adds them up gets 200.0 t, and not the 200.1 t that they are."""

    def line(product: str, mass_kg: float, quality: str = "Good") -> dict[str, object]:
        figure = {"value": mass_kg, "quality": quality, "reasons": []}
        figures = {"mass": {"figure": figure, "tanks": [1, 1], "excluded": []}}
        return {"product": product, "owner": None, "figures": figures, "members": ["TK-1"], "moving": []}

    products = [line("diesel", 100_040.0), line("jet", 100_040.0)]
    stock = {"products": products, "owners": [], "whole": line("", 200_080.0), "oldest": None}
    (total,) = [text for text in stock_lines(stock, UTC) if text.startswith("all products")]
    assert total.split()[2] == "200.0"


async def test_one_that_was_proposed_says_what_to_type(capsys: Capture, desk: Desk) -> None:
    await desk.well(action="cancel-transfer", transfer="3", why="not today")
    desk.yard.moves("TK-2", RATE)
    await desk.passes(1200.0)
    said = await asked(capsys, desk, "transfers")
    (number,) = [line.split()[0] for line in said.out.splitlines() if " PROPOSED " in line]
    assert f"tank-gateway transfers confirm {number} | cancel {number}" in said.out


async def test_nothing_is_open(capsys: Capture, tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    await desk.begin()
    said = await asked(capsys, desk, "transfers")
    assert (said.code, "Nothing is planned, and nothing moves" in said.out) == (0, True)
    await desk.keeping.close(None)


async def test_a_program_gets_the_page_as_it_came(capsys: Capture, desk: Desk) -> None:
    said = await asked(capsys, desk, "transfers", "--json")
    assert said.document == orjson.loads(await AccountPages("harbour", desk.accounts).transfers({}))
    assert (await asked(capsys, desk, "stock", "--json")).document["schema"] == "tank-gateway/stock/1"


async def test_the_stock_says_what_it_includes(capsys: Capture, desk: Desk) -> None:
    """Without water: 35 mm in each tank."""
    said = await asked(capsys, desk, "stock")
    assert said.code == 0
    lines = [line.split() for line in said.out.splitlines()]
    diesel = next(line for line in lines if line[:1] == ["diesel"])
    gsv = AREA_M2 * (sum(tank.level_m for tank in desk.yard.tanks.values()) - 2 * 0.035)
    assert diesel[1] == f"{gsv:,.0f}"
    assert diesel[-4:] == ["2", "of", "2", "TK-1"], "and which of them moves"
    assert "OIML R 71/R 85" in said.out
    desk.yard.tanks["TK-2"].is_lost = True
    await desk.passes(30.0)
    said = await asked(capsys, desk, "stock")
    assert "1 of 2, estimated" in said.out
    assert "left out: TK-2: gauge did not answer within 1 s" in said.out


@pytest.mark.parametrize("command", ["transfers", "stock"])
def test_an_answer_that_is_none(capsys: Capture, command: str) -> None:
    bodies = {
        f"/{command}": orjson.dumps({"schema": f"tank-gateway/{command}/1", "time": "soon"}),
        "/inventories": orjson.dumps({"schema": "tank-gateway/inventories/1"}),
    }
    with answering_all(bodies) as address:
        said = typed(capsys, command, "--address", address)
    assert (said.code, "not one that this version understands" in said.err) == (1, True)
    said = typed(capsys, command, "--address", "127.0.0.1:1")
    assert (said.code, "no gateway at 127.0.0.1:1" in said.err) == (1, True)


@pytest.mark.parametrize(("command", "act"), [("transfers", "finish 3"), ("stock", "reverse 3 --why x")])
def test_an_act_goes_to_no_address(capsys: Capture, command: str, act: str) -> None:
    said = typed(capsys, command, "--address", "127.0.0.1:1", *act.split())
    assert (said.code, "acts go to the gateway of this machine" in said.err) == (2, True)


async def test_the_demo_tells_what_its_accounts_have_made_each_thing_once(desk: Desk) -> None:
    books = DemoBooks(desk.file)
    texts = [text for _, text in books.news()]
    moved = AREA_M2 * RATE * 1800.0
    assert texts == [f"ticket 1: receipt, TK-1: {moved:,.1f} m3 GSV"]
    assert books.news() == []
    assert (books.number_of("transfer", "TK-1"), books.number_of("transfer", "TK-2")) == (3, 3)
    assert (books.number_of("ticket", "TK-1"), books.number_of("ticket", "TK-2")) == (1, None)
    await desk.passes(4800.0, days=True)
    (told,) = [text for _, text in books.news() if text.startswith("day ")]
    assert told == "day 2026-03-14 is closed, revision 1; the first close: there is no opening to compare with"
