"""Documents that come late, of other days than their tickets, and many at once: over the ledger of a gateway."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.account.day import DAY
from gateway.account.days.boundary import day_named
from gateway.account.days.close import close_day, newest_closes
from gateway.account.paper import PaperKind
from gateway.actions.requests import read_action
from gateway.errors import SettingsError
from gateway.ledger.account_papers import StoredPaper, papers_between
from gateway.ledger.account_reading import day_books
from gateway.ledger.document_reading import paper_from
from gateway.ledger.reading_file import opened
from tests.support.account_desk import Desk
from tests.support.account_yard import NOON

RATE = 2.0e-4


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    desk = Desk(tmp_path)
    await desk.begin()
    yield desk
    await desk.keeping.close(None)


def documents(desk: Desk, kind: PaperKind) -> list[dict[str, Any]]:
    with opened(desk.file) as connection:
        found = list(papers_between(connection, kind, 0, 1 << 62))
    return [dict(each.document) for each in found if isinstance(each, StoredPaper)]


def receipts(desk: Desk) -> list[tuple[str, int, float]]:
    """Day, revision and receipts of diesel."""
    return [
        (each["day"], each["revision"], round(each["balances"][0]["receipts"]["value"], 6))
        for each in documents(desk, PaperKind.DAY)
    ]


def the_same_again(desk: Desk) -> None:
    """Every day that is closed, made again out of the ledger: to the same digits, but for the month so far, which the
    latest alone has up to date."""
    with opened(desk.file) as connection:
        newest = newest_closes(
            paper_from(DAY, paper.document)
            for paper in papers_between(connection, PaperKind.DAY, 0, 1 << 62)
            if isinstance(paper, StoredPaper)
        )
        latest = {close.day[:7]: close.day for close in sorted(newest.values())}
        products = {tag: tank.product for tag, tank in desk.yard.tanks.items()}
        for close in newest.values():
            day = day_named(desk.plan, close.day)
            # As if it had no close of its own yet.
            books = day_books(connection, desk.plan, day, products)
            others = [each for each in books.closes if each.day != close.day]
            again = close_day(desk.plan, day, books._replace(closes=others), close.made)
            assert again is not None
            assert again.balances == close.balances
            assert again.tanks == close.tanks
            assert again.month == close.month or close.day not in latest.values()


async def until(desk: Desk, instant: datetime, *, days: bool = False) -> None:
    """Over a quiet time without a sheet, then half an hour with."""
    desk.yard.passes((instant - desk.yard.now).total_seconds() - 1800.0)
    await desk.passes(1800.0, days=days)


async def received(desk: Desk) -> float:
    """A receipt with its ticket, which is the first: by how much."""
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1200.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(60.0)
    await desk.passes(3600.0)
    (ticket,) = documents(desk, PaperKind.TICKET)
    return float(ticket["moved"]["gsv"]["value"])


DOCUMENT = {
    "action": "amount",
    "kind": "receipt",
    "source": "ship",
    "product": "diesel",
    "measure": "gsv",
    "reference": "BL 17",
    "ticket": "1",
    "amount": "150 m3",
}


async def test_a_document_that_is_dated_after_its_ticket_changes_the_day_of_the_ticket(desk: Desk) -> None:
    await desk.passes(600.0)
    moved = await received(desk)
    await until(desk, datetime(2026, 3, 15, 6, 0, tzinfo=UTC))
    await desk.passes(900.0, days=True)
    assert receipts(desk) == [("2026-03-14", 1, round(moved, 6))]
    await desk.well(**DOCUMENT, at="2026-03-15T06:10Z")
    await desk.passes(120.0, days=True)
    assert receipts(desk)[1:] == [("2026-03-14", 2, 150.0)]
    await until(desk, datetime(2026, 3, 16, 6, 0, tzinfo=UTC))
    await desk.passes(900.0, days=True)
    assert receipts(desk)[2:] == [("2026-03-15", 1, 0.0)], "it is not counted again on its own date"
    # Its ticket is taken back: then it counts by itself, where it is dated.
    await desk.well(action="reverse-ticket", ticket="1", why="there was no ship")
    await desk.passes(120.0, days=True)
    newest = {day: value for day, _, value in receipts(desk)}
    assert newest == {"2026-03-14": 0.0, "2026-03-15": 150.0}
    the_same_again(desk)


async def test_a_document_of_the_next_month_is_counted_in_that_of_its_ticket(desk: Desk) -> None:
    desk.yard.passes((datetime(2026, 3, 31, 12, 0, tzinfo=UTC) - NOON).total_seconds())
    await desk.passes(600.0)
    await received(desk)
    # British Summer Time: the boundary is at 05:00 UTC.
    await until(desk, datetime(2026, 4, 1, 5, 0, tzinfo=UTC))
    await desk.passes(900.0, days=True)
    await desk.well(**DOCUMENT, at="2026-04-01T05:10Z")
    await desk.passes(120.0, days=True)
    await until(desk, datetime(2026, 4, 2, 5, 0, tzinfo=UTC))
    await desk.passes(900.0, days=True)
    closes = documents(desk, PaperKind.DAY)
    newest = {close["day"]: close for close in closes}
    found = {day: newest[day]["balances"][0]["receipts"]["value"] for day in ("2026-03-31", "2026-04-01")}
    assert found == {"2026-03-31": 150.0, "2026-04-01": 0.0}
    assert newest["2026-04-01"]["month"][0]["receipts"]["value"] == 0.0
    the_same_again(desk)


async def test_a_stop_between_something_late_and_the_days_that_it_touches_leaves_none_as_it_was(desk: Desk) -> None:
    """A new day is closed meanwhile: what was kept before that is looked at again all the same."""
    await until(desk, datetime(2026, 3, 15, 6, 0, tzinfo=UTC))
    await desk.passes(900.0, days=True)
    await until(desk, datetime(2026, 3, 16, 6, 0, tzinfo=UTC))
    await desk.passes(590.0, days=True)
    desk.every_s = 5.0
    await desk.passes(20.0, days=True)
    assert receipts(desk) == [("2026-03-14", 1, 0.0)]
    alone = {name: word for name, word in DOCUMENT.items() if name != "ticket"}
    await desk.well(**alone, at="2026-03-14T20:00Z")
    await desk.passes(15.0, days=True)
    assert receipts(desk) == [("2026-03-14", 1, 0.0), ("2026-03-15", 1, 0.0)]
    await desk.ends()
    desk.yard.passes(60.0)
    await desk.begin()
    await desk.passes(120.0, days=True)
    assert receipts(desk)[:2] == [("2026-03-14", 1, 0.0), ("2026-03-14", 2, 150.0)]
    the_same_again(desk)


FILE = """kind;source;product;amount;at;reference
dispatch;rack;diesel;32,4 m3;2026-03-14 10:00;R-1
dispatch;rack;diesel;30,1 m3;2026-03-14 11:00;R-2
"""


async def test_a_file_of_amounts_is_taken_in_whole_and_once(desk: Desk) -> None:
    wrong = await desk.ask(action="import-amounts", text=FILE.replace("30,1 m3", "30,1"))
    assert wrong["code"] == 1
    assert wrong["lines"][0] == "one mistake, nothing was taken in:"
    assert wrong["lines"][1].startswith("line 3, amount: '30,1': it has no unit")
    assert documents(desk, PaperKind.AMOUNT) == []
    assert await desk.well(action="import-amounts", text=FILE) == ["2 amounts taken in"]
    assert [(each["number"], each["value"], each["by"]) for each in documents(desk, PaperKind.AMOUNT)] == [
        (1, 32.4, "kim"),
        (2, 30.1, "kim"),
    ]
    await desk.ends()
    await desk.begin()
    more = f"{FILE}dispatch;rack;diesel;31 m3;2026-03-14 11:30;R-3\n"
    assert await desk.well(action="import-amounts", text=more) == [
        "amount 3 taken in",
        "2 known already, and not taken in again",
    ]
    assert len(documents(desk, PaperKind.AMOUNT)) == 3


async def test_a_file_names_tickets_and_what_it_says_of_them_is_looked_at(desk: Desk) -> None:
    await desk.passes(600.0)
    await received(desk)
    head = "kind;source;product;amount;at;reference;ticket\n"
    row = "receipt;ship;diesel;150 m3;2026-03-14 12:30;BL 17;{}\n"
    answer = await desk.ask(action="import-amounts", text=head + row.format(2))
    assert "line 2, ticket: '2': there is no ticket 2" in answer["lines"][1]
    assert await desk.well(action="import-amounts", text=head + row.format(1)) == ["amount 1 taken in"]
    answer = await desk.ask(action="import-amounts", text=(head + row.format(1)).replace("BL 17", "BL 18"))
    assert "amount 1 is the document of ticket 1 already" in answer["lines"][1]


async def test_what_is_too_long_or_no_text_is_refused() -> None:
    for text in (FILE * 1000, FILE + "\x1b[2J"):
        with pytest.raises(SettingsError, match="text: is no text of at most 50000 characters; give it in parts"):
            read_action({"action": "import-amounts", "text": text})
    with pytest.raises(SettingsError, match="why: is no text of at most 500 characters"):
        read_action({"action": "import-amounts", "text": FILE, "why": "two\nlines"})
