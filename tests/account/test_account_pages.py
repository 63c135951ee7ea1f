"""What programs are told of the accounts: each page obeys its schema, and says what the ledger has."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
from jsonschema import Draft202012Validator

from gateway.desk.pages import AccountPages
from gateway.errors import UsageError
from gateway.payload.schemas import schemas
from gateway.tank_record import EventKind
from tests.support.account_desk import Desk
from tests.support.account_yard import AREA_M2, NOON
from tests.support.ledger_store import events_in
from tests.support.messages import valid_message

RATE = 2.0e-4


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    """A receipt with its ticket, one that runs, a proposed movement, an amount and a closed day."""
    desk = Desk(tmp_path)
    await desk.begin()
    desk.yard.passes((datetime(2026, 3, 15, 4, 0, tzinfo=UTC) - NOON).total_seconds())
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1", partner="MT Elva", amount="75 t")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1800.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(2400.0)
    await desk.well(action="start-transfer", kind="dispatch", source="TK-1", amount="90 m3")
    desk.yard.moves("TK-1", -RATE)
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    await desk.well(**given, amount="70 m3", at="2026-03-15T04:30Z", reference="BL 1")
    await desk.passes(4800.0, days=True)
    yield desk
    await desk.keeping.close(None)


def pages(desk: Desk) -> AccountPages:
    return AccountPages("harbour", desk.accounts)


async def test_open_transfers_with_how_far_they_have_come(desk: Desk) -> None:
    page = valid_message(await pages(desk).transfers({}))
    assert (page["site"], page["time_zone"], page["simulated"]) == ("harbour", "Europe/London", True)
    (transfer,) = page["transfers"]
    assert (transfer["number"], transfer["phase"], transfer["kind"]) == (2, "running", "dispatch")
    assert transfer["progress"]["moved"]["gsv"]["value"] == pytest.approx(AREA_M2 * RATE * 4800.0, rel=1e-9)
    assert transfer["progress"]["planned"] == 90.0
    rates = [transfer["progress"][name] for name in ("rate", "mean_rate")]
    assert [rate["unit"] for rate in rates] == ["m3/s", "m3/s"]
    assert rates[0]["value"] == pytest.approx(AREA_M2 * RATE, rel=1e-9)
    assert transfer["progress"]["missing"]["unit"] == "m3"
    everything = valid_message(await pages(desk).transfers({"all": "yes"}))
    assert [(each["number"], each["phase"]) for each in everything["transfers"]] == [(2, "running"), (1, "closed")]


async def test_without_a_book_it_is_said_that_none_are_kept(tmp_path: Path) -> None:
    """Before the ledger has been read nobody knows whether something is open: an empty list alone would say that
    nothing is."""
    desk = Desk(tmp_path)
    await desk.begin()
    assert valid_message(await pages(desk).transfers({}))["kept"] is True
    desk.accounts._book = None
    page = valid_message(await pages(desk).transfers({}))
    assert (page["kept"], page["transfers"]) == (False, [])
    await desk.keeping.close(None)


async def test_the_handover_has_open_transfers_and_days_that_are_not_closed(desk: Desk) -> None:
    told = desk.accounts.handover()
    assert [(each["number"], each["phase"]) for each in told["transfers"]] == [(2, "running")]
    assert told["days"] == {"last": {"day": "2026-03-14", "revision": 1}, "unclosed": []}
    desk.yard.passes(86_400.0 + 7200.0)
    assert desk.accounts.handover()["days"]["unclosed"] == [{"day": "2026-03-15", "ended": "2026-03-16T06:00:00.000Z"}]


async def test_tickets_and_days_of_a_span(desk: Desk) -> None:
    told = pages(desk)
    page = valid_message(await told.tickets({}))
    assert page["complete"] is True
    (ticket,) = page["tickets"]
    assert (ticket["number"], ticket["partner"], ticket["quality"]) == (1, "MT Elva", "Good")
    assert "OIML" in ticket["notice"]
    assert valid_message(await told.tickets({"from": "2026-03-16"}))["tickets"] == []
    assert valid_message(await told.tickets({"until": ticket["made"]}))["tickets"] == []
    assert len(valid_message(await told.tickets({"from": ticket["made"].replace("Z", "+00:00")}))["tickets"]) <= 1
    (day,) = valid_message(await told.days({"from": "2026-03-01", "until": "2026-04-01"}))["days"]
    assert (day["day"], day["revision"], day["time_zone"]) == ("2026-03-14", 1, "Europe/London")
    assert [tank["tank"] for tank in day["tanks"]] == ["TK-1", "TK-2"]
    (brief,) = valid_message(await told.days({"from": "2026-03-01", "until": "2026-04-01", "brief": "yes"}))["days"]
    assert brief == day | {"tanks": []}


async def test_one_ticket_whenever_it_was_made_and_what_became_of_it(desk: Desk) -> None:
    await desk.well(action="reverse-ticket", ticket="1", reference="BL 2", why="wrong bill of lading")
    told = pages(desk)
    tickets: list[dict[str, Any]] = []
    for number in ("1", "2", "3"):
        tickets = valid_message(await told.tickets({"number": number}))["tickets"]
        assert [(each["number"], each["reverses"], each["replaces"]) for each in tickets] == [
            (1, None, None),
            (2, 1, None),
            (3, None, 1),
        ]
    by_time = valid_message(await told.tickets({}))["tickets"]
    assert tickets == by_time
    assert valid_message(await told.tickets({"number": "77"}))["tickets"] == []
    for wrong in ({"number": "x"}, {"number": "1" * 30}, {"number": "1", "from": "2026-03-01"}):
        with pytest.raises(UsageError):
            await told.tickets(wrong)


async def test_amounts_of_a_span_by_when_they_were_moved(desk: Desk) -> None:
    told = pages(desk)
    (amount,) = valid_message(await told.amounts({}))["amounts"]
    assert (amount["number"], amount["reference"], amount["value"], amount["measure"]) == (1, "BL 1", 70.0, "gsv")
    await desk.well(action="reverse-amount", amount="1", why="entered twice")
    both = valid_message(await told.amounts({"from": amount["instant"]}))["amounts"]
    assert [(each["number"], each["reverses"]) for each in both] == [(1, None), (2, 1)]
    assert valid_message(await told.amounts({"until": amount["instant"]}))["amounts"] == []


async def test_the_stock_of_now(desk: Desk) -> None:
    page = valid_message(await pages(desk).stock({}))
    (diesel,) = page["products"]
    assert diesel["members"] == ["TK-1", "TK-2"]
    assert diesel["figures"]["gsv"]["tanks"] == [2, 2]
    level = sum(tank.level_m for tank in desk.yard.tanks.values()) - 2 * 0.035
    assert diesel["figures"]["gsv"]["figure"]["value"] == pytest.approx(AREA_M2 * level, rel=1e-9)
    desk.yard.tanks["TK-2"].is_lost = True
    await desk.passes(30.0)
    (diesel,) = valid_message(await pages(desk).stock({}))["products"]
    assert diesel["figures"]["gsv"]["tanks"] == [1, 2]
    assert diesel["figures"]["gsv"]["figure"]["quality"] == "Uncertain"


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        ({"from": "yesterday"}, "neither a date nor a time"),
        ({"from": "2026-03-01T06:00"}, "does not say its zone"),
        ({"from": "2026-03-02", "until": "2026-03-01"}, "not after from"),
        ({"until": "2026-13-01"}, "neither a date nor a time"),
        ({"tank": "TK-1"}, "nothing that this page knows"),
    ],
)
async def test_what_is_asked_wrongly_is_said(desk: Desk, asked: dict[str, str], text: str) -> None:
    with pytest.raises(UsageError, match=text):
        await pages(desk).tickets(asked)


async def test_every_event_carries_a_paper_that_obeys_its_schema(desk: Desk) -> None:
    known = schemas()
    found: list[Any] = [orjson.loads(event.document) for _, event in events_in(desk.file) if event.document]
    assert len(found) >= 6
    for document in found:
        Draft202012Validator(known[document["schema"]]).validate(document)
    assert {document["schema"] for document in found} == {
        f"tank-gateway/{kind}-document/1" for kind in ("transfer", "ticket", "amount", "day")
    }
    assert EventKind.DAY_CLOSED in [event.kind for _, event in events_in(desk.file)]
