"""The accounts of a running gateway over its ledger: what holds is kept, what is kept holds, and a restart goes on."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest

from gateway.account.gauging import GAUGING
from gateway.account.paper import PaperKind
from gateway.account.transfer import MarkKind
from gateway.actions.requests import read_action
from gateway.command_line import main as run_command
from gateway.errors import SettingsError
from gateway.ledger.account_papers import StoredPaper, papers_between, read_known
from gateway.ledger.audit import audit_rows, first_broken
from gateway.ledger.codec import packed, unpacked
from gateway.ledger.open_file import OpenFile
from gateway.ledger.reading_file import opened
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind
from tests.support.account_desk import Desk
from tests.support.account_yard import AREA_M2, NOON
from tests.support.ledger_store import events_in

RATE = 2.0e-4
"""m/s: 0.72 m an hour, 183 m3/h."""


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    desk = Desk(tmp_path)
    await desk.begin()
    yield desk
    await desk.keeping.close(None)


def papers(desk: Desk, kind: PaperKind) -> list[StoredPaper]:
    with opened(desk.file) as connection:
        found = list(papers_between(connection, kind, 0, 1 << 62))
    assert all(isinstance(each, StoredPaper) for each in found)
    return [each for each in found if isinstance(each, StoredPaper)]


async def receipt(desk: Desk, hours: float = 1.0) -> None:
    """From the start of a receipt until its ticket is due."""
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1", partner="MT Elva", amount="180 m3")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(hours * 3600.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(60.0)


async def test_a_receipt_from_its_start_to_its_ticket(desk: Desk) -> None:
    """0.72 m of a tank of 18.000 m: 183.2 m3, of liquid at 15 degC, where CTL is 1."""
    await receipt(desk)
    await desk.passes(2400.0)
    assert desk.phases() == {}
    (ticket,) = papers(desk, PaperKind.TICKET)
    moved = ticket.document["moved"]["gsv"]["value"]
    assert moved == pytest.approx(AREA_M2 * 0.72, abs=1e-6)
    assert ticket.document["partner"] == "MT Elva"
    kinds = [event.kind for _, event in events_in(desk.file)]
    assert kinds.count(EventKind.TRANSFER_STARTED) == 1
    assert kinds.count(EventKind.TICKET_MADE) == 1
    made = next(event for _, event in events_in(desk.file) if event.kind is EventKind.TICKET_MADE)
    told = orjson.loads(made.document)
    assert (told["schema"], told["key"]) == ("tank-gateway/ticket-document/1", "ticket 1")
    assert told["moved"]["gsv"]["value"] == moved
    assert told["moved"]["gsv"]["unit"] == "m3"
    assert "OIML" in told["notice"]


async def test_each_paper_stands_in_the_audit_trail_with_its_digest(desk: Desk) -> None:
    await receipt(desk)
    await desk.passes(2400.0)
    with opened(desk.file) as connection:
        rows = list(audit_rows(connection))
    assert first_broken(rows) is None
    bodies = [orjson.loads(row.body) for row in rows]
    assert [body["by"] for body in bodies][:1] == ["kim"]
    assert bodies[0]["asked"]["action"] == "start-transfer"
    told = {each["key"]: each["sha256"] for body in bodies for each in body["after"]}
    assert {"transfer 1", "ticket 1"} <= set(told)
    assert any(body["before"] and body["before"][0]["phase"] == "running" for body in bodies)
    assert bodies[-1]["asked"] == {"action": "by itself"}


async def test_every_mistake_is_said_at_once(desk: Desk) -> None:
    with pytest.raises(SettingsError) as caught:
        await desk.ask(action="plan-transfer", kind="receipt", target="TKX-1", amount="12 kg", measure="gsv")
    assert caught.value.mistakes == (
        "target: there is no tank 'TKX-1'; did you mean 'TK-1'?",
        "amount: '12 kg' is a mass; a volume is wanted, for example 12 m3",
    )
    with pytest.raises(SettingsError) as caught:
        await desk.ask(
            action="amount", kind="receipt", source="ship", product="disel", amount="1 x", measure="gvs", tank="T"
        )
    assert len(caught.value.mistakes) == 3
    answer = await desk.ask(action="finish-transfer", transfer="7")
    assert answer["code"] == 1
    assert "7" in answer["lines"][0]
    assert papers(desk, PaperKind.TRANSFER) == []


async def test_a_reboot_in_the_middle_keeps_the_opening_and_marks_the_gap(desk: Desk) -> None:
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    before = desk.accounts.book
    assert before is not None
    opening = before.transfers[1].sides[0].opening
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1200.0)
    await desk.ends()
    desk.yard.passes(900.0)
    desk.yard.tanks["TK-1"].level_m += 900.0 * RATE
    await desk.begin()
    after = desk.accounts.book
    assert after is not None
    assert after.transfers[1].sides[0].opening == opening
    gaps = [mark for mark in after.transfers[1].marks if mark.kind is MarkKind.GAP]
    assert len(gaps) == 1
    assert "TK-1" in gaps[0].text
    await desk.passes(600.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(2700.0)
    (ticket,) = papers(desk, PaperKind.TICKET)
    assert ticket.document["moved"]["gsv"]["value"] == pytest.approx(AREA_M2 * 2700.0 * RATE, abs=1e-6)
    assert any(mark["kind"] == "gap" for mark in ticket.document["marks"])


class Disk:
    """Takes in nothing as long as it is told so."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.error: BaseException | None = None
        commit = OpenFile.commit

        def may_fail(file: OpenFile, *given: Any, **more: Any) -> Any:
            if self.error is not None:
                raise self.error
            return commit(file, *given, **more)

        monkeypatch.setattr(OpenFile, "commit", may_fail)

    def is_full(self) -> None:
        self.error = disk_full()


def disk_full() -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorcode = sqlite3.SQLITE_FULL
    return error


async def test_what_the_disk_does_not_take_does_not_hold(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    await desk.passes(600.0)
    disk = Disk(monkeypatch)
    disk.is_full()
    request = {"action": "start-transfer", "kind": "receipt", "target": "TK-1"}
    answer = await desk.ask(**request)
    assert answer["code"] == 1
    assert "does not hold" in answer["lines"][0]
    assert desk.phases() == {}
    disk.error = None
    await desk.well(**request)
    assert desk.phases() == {1: "running"}, "no number was used up"


async def test_what_the_gateway_finds_itself_is_tried_again_and_the_sheets_wait_in_order(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1200.0)
    disk = Disk(monkeypatch)
    disk.is_full()
    desk.yard.moves("TK-1", 0.0)
    for number in range(40):
        desk.yard.passes(30.0)
        # What happens meanwhile, and is over before the disk takes anything in, stands in the ticket.
        desk.yard.tanks["TK-1"].alarms = (AlarmKind.LEVEL_FROZEN,) if 10 <= number < 15 else ()
        for tag in desk.yard.tanks:
            record = desk.yard.sheet(tag)
            desk.newest[tag] = record
            desk.accounts.heard(record)
        await asyncio.sleep(0.005)
        await desk.accounts.turn()
    async with asyncio.timeout(20.0):
        while not desk.accounts.trouble:
            await asyncio.sleep(0.01)
            await desk.accounts.turn()
    assert desk.phases() == {1: "running"}, "that it settles is not kept yet"
    assert "does not take in" in desk.accounts.trouble
    answer = await desk.accounts.act({"action": "cancel-transfer"}, cancel(), "kim")
    assert answer["code"] == 1
    disk.error = None
    desk.yard.passes(10.0)
    await desk.settled()
    await desk.passes(1200.0)
    assert desk.phases() == {}
    assert desk.accounts.trouble == ""
    (ticket,) = papers(desk, PaperKind.TICKET)
    assert ticket.key == "ticket 1"
    assert "frozen" in [mark["kind"] for mark in ticket.document["marks"]]


def cancel() -> Any:
    return read_action({"action": "cancel-transfer", "transfer": "1", "why": "none"})


async def test_a_number_that_the_file_has_given_to_another_is_not_used(desk: Desk) -> None:
    """Somebody else wrote to the file: what it says counts, and the next number is behind that."""
    await desk.passes(600.0)
    await desk.well(action="plan-transfer", kind="receipt", target="TK-1")
    with closing(sqlite3.connect(desk.file)) as connection:
        connection.execute("UPDATE numbers SET last = 4 WHERE kind = 'ticket'")
        connection.commit()
    await desk.well(action="start-transfer", transfer="1")
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1200.0)
    desk.yard.moves("TK-1", 0.0)
    await desk.passes(3600.0)
    assert [paper.key for paper in papers(desk, PaperKind.TICKET)] == ["ticket 5"]
    assert desk.phases() == {}


async def test_amounts_are_numbered_and_a_repeat_is_refused(desk: Desk) -> None:
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    lines = await desk.well(**given, amount="32.4 m3", reference="BL 17", at="2026-03-14T11:00Z")
    assert "amount 1" in lines[0]
    answer = await desk.ask(**given, amount="32.4 m3", reference="BL 17")
    assert answer["code"] == 1
    assert "amount 1 already" in answer["lines"][0]
    await desk.well(action="reverse-amount", amount="1", why="twice")
    await desk.well(**given, amount="32.5 m3", reference="BL 17", at="2026-03-14T11:00Z")
    assert [paper.document["number"] for paper in papers(desk, PaperKind.AMOUNT)] == [1, 2, 3]
    kinds = [event.kind for _, event in events_in(desk.file)]
    assert [kinds.count(kind) for kind in (EventKind.AMOUNT_ENTERED, EventKind.AMOUNT_REVERSED)] == [2, 1]
    await desk.ends()
    await desk.begin()
    answer = await desk.ask(**given, amount="32.4 m3", reference="BL 17")
    assert "amount 3 already" in answer["lines"][0]


async def test_a_ticket_is_taken_back_by_another_after_a_restart_too(desk: Desk) -> None:
    await receipt(desk)
    await desk.passes(2400.0)
    await desk.ends()
    await desk.begin()
    await desk.well(action="reverse-ticket", ticket="1", why="wrong ship", partner="MT Brisk")
    found = {paper.document["number"]: paper.document for paper in papers(desk, PaperKind.TICKET)}
    assert sorted(found) == [1, 2, 3]
    assert found[2]["reverses"] == 1
    assert (found[3]["replaces"], found[3]["partner"]) == (1, "MT Brisk")
    answer = await desk.ask(action="reverse-ticket", ticket="1", why="again")
    assert answer["code"] == 1


def closes(desk: Desk) -> list[tuple[str, int]]:
    return [(paper.document["day"], paper.document["revision"]) for paper in papers(desk, PaperKind.DAY)]


async def test_a_day_is_closed_at_its_time_by_the_sheet_at_its_boundary(desk: Desk) -> None:
    """Boundary at 06:00 in London, in March UTC: the level there, not that of ten minutes later."""
    desk.yard.passes((datetime(2026, 3, 15, 5, 50, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    desk.yard.moves("TK-1", RATE)
    await desk.passes(1200.0, days=True)
    assert closes(desk) == []
    await desk.passes(120.0, days=True)
    assert closes(desk) == [("2026-03-14", 1)]
    (paper,) = papers(desk, PaperKind.DAY)
    tank = paper.document["tanks"][0]
    assert tank["gauging"]["instant"] == "2026-03-15T06:00:00+00:00"
    level = tank["gauging"]["figures"]["level"]["value"]
    assert level == pytest.approx(5.0 + 600.0 * RATE, abs=1e-9)
    assert tank["is_moving"] is True
    await desk.passes(600.0, days=True)
    assert closes(desk) == [("2026-03-14", 1)]
    event = next(event for _, event in events_in(desk.file) if event.kind is EventKind.DAY_CLOSED)
    assert orjson.loads(event.document)["day"] == "2026-03-14"


async def test_a_boundary_that_was_missed_is_closed_after_the_restart(desk: Desk) -> None:
    desk.yard.passes((datetime(2026, 3, 15, 5, 55, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    await desk.passes(240.0)
    await desk.ends()
    desk.yard.passes(6 * 3600.0)
    await desk.begin()
    await desk.passes(90.0, days=True)
    assert closes(desk) == [("2026-03-14", 1)]
    (paper,) = papers(desk, PaperKind.DAY)
    assert paper.document["tanks"][0]["gauging"]["instant"] == "2026-03-15T05:59:00+00:00"


async def at_the_next_morning(desk: Desk) -> None:
    desk.yard.passes((datetime(2026, 3, 15, 5, 59, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    await desk.passes(60.0)
    desk.yard.passes(1200.0)
    await desk.passes(90.0, days=True)


async def test_two_who_close_a_day_at_once_close_it_once(desk: Desk) -> None:
    desk.yard.passes((datetime(2026, 3, 15, 5, 59, tzinfo=UTC) - NOON).total_seconds())
    await desk.hear()
    await desk.passes(120.0)
    answers = await asyncio.gather(
        desk.ask(by="kim", action="close-day"),
        desk.ask(by="bo", action="close-day", day="2026-03-14"),
        desk.days.look(),
    )
    assert sorted(answer["code"] for answer in answers[:2]) == [0, 1]
    assert closes(desk) == [("2026-03-14", 1)]


async def test_what_comes_late_makes_another_revision_and_the_first_is_kept(desk: Desk) -> None:
    await at_the_next_morning(desk)
    assert closes(desk) == [("2026-03-14", 1)]
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    for number in range(3):
        await desk.well(**given, amount=f"{10 + number} m3", reference=f"BL {number}", at="2026-03-14T20:00Z")
    await desk.well(**given, amount="5 m3", reference="BL 9", at="2026-03-15T06:10Z")
    await desk.passes(90.0, days=True)
    assert closes(desk) == [("2026-03-14", 1), ("2026-03-14", 2)], "one revision for all that came together"
    one, two = papers(desk, PaperKind.DAY)
    assert "why" not in one.document
    assert two.document["balances"][0]["receipts"]["value"] == pytest.approx(33.0)
    await desk.passes(120.0, days=True)
    assert len(closes(desk)) == 2


async def test_what_came_late_just_before_a_stop_is_seen_by_the_next_start(desk: Desk) -> None:
    await at_the_next_morning(desk)
    given = {"action": "amount", "kind": "receipt", "source": "ship", "product": "diesel", "measure": "gsv"}
    await desk.well(**given, amount="10 m3", at="2026-03-14T20:00Z")
    await desk.ends()
    desk.yard.passes(60.0)
    await desk.begin()
    await desk.passes(90.0, days=True)
    assert closes(desk) == [("2026-03-14", 1), ("2026-03-14", 2)]


async def test_a_ledger_that_opens_late_has_its_transfers_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is mounted after the start: until then nothing is taken in, and no sheet is missed."""
    monkeypatch.setattr("gateway.ledger.writer._FIRST_RETRY_S", 0.02)
    monkeypatch.setattr("gateway.desk.accounting._WRITE_S", 0.2)
    disk, away = tmp_path / "disk", tmp_path / "away"
    disk.mkdir()
    desk = Desk(disk)
    await desk.begin()
    await desk.passes(600.0)
    await desk.well(action="start-transfer", kind="receipt", target="TK-1")
    await desk.ends()
    disk.rename(away)
    await desk.begin(wait=False)
    answer = await desk.accounts.act({}, cancel(), "kim")
    assert "cannot be opened yet" in answer["lines"][0]
    desk.yard.moves("TK-1", RATE)
    desk.yard.passes(30.0)
    desk.sheets_heard()
    away.rename(disk)
    await desk.settled()
    assert desk.phases() == {1: "running"}
    book = desk.accounts.book
    assert book is not None
    assert [mark.kind for mark in book.transfers[1].marks].count(MarkKind.GAP) == 1
    await desk.keeping.close(None)


async def test_an_act_before_the_book_is_there_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.desk.accounting._WRITE_S", 0.05)
    desk = Desk(tmp_path)
    await desk.begin()
    desk.accounts._book = None
    answer = await desk.accounts.act({}, cancel(), "kim")
    assert answer["code"] == 1
    assert "nothing was taken in" in answer["lines"][0]
    await desk.keeping.close(None)


async def test_the_file_says_the_same_as_the_book(desk: Desk) -> None:
    await receipt(desk)
    await desk.well(action="plan-transfer", kind="dispatch", source="TK-2", amount="100 t")
    book = desk.accounts.book
    assert book is not None
    with opened(desk.file) as connection:
        known = read_known(connection)
    assert set(known.transfers) == set(book.transfers)
    assert known.numbers[PaperKind.TRANSFER] == book.last_transfer
    assert {each["key"] for each in desk.accounts.open_transfers()} == {
        f"transfer {number}" for number in book.transfers
    }


async def test_the_trail_and_the_papers_bear_each_other_out(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    await receipt(desk)
    await desk.passes(2400.0)
    await desk.keeping.close(None)
    capsys.readouterr()
    assert await asyncio.to_thread(run_command, ["ledger", "verify", str(desk.file), "--json"]) == 0
    found = orjson.loads(capsys.readouterr().out)
    assert found["papers"] >= 4
    assert await asyncio.to_thread(run_command, ["ledger", "audit", str(desk.file)]) == 0
    printed = capsys.readouterr().out
    assert "start-transfer" in printed
    assert "transfer 1 running" in printed
    assert "ticket 1" in printed
    with closing(sqlite3.connect(desk.file)) as connection:
        body = connection.execute("SELECT body FROM papers WHERE kind = 'ticket'").fetchone()[0]
        document = orjson.loads(unpacked(body)) | {"partner": "MT Other"}
        connection.execute("DROP TRIGGER papers_are_not_changed")
        connection.execute("UPDATE papers SET body = ? WHERE kind = 'ticket'", (packed(orjson.dumps(document)),))
        connection.execute("UPDATE numbers SET last = 2 WHERE kind = 'ticket'")
        connection.commit()
    assert await asyncio.to_thread(run_command, ["ledger", "verify", str(desk.file)]) == 1
    printed = capsys.readouterr().out
    assert "ticket 1 in row" in printed
    assert "ticket 2 is missing" in printed


async def test_a_clock_that_jumps_ahead_closes_no_day_that_has_not_ended(desk: Desk) -> None:
    """Ten years for five minutes: set back, the day is closed at its time."""
    await desk.passes(600.0, days=True)
    steady_s = desk.yard.steady_s
    desk.yard.now += timedelta(days=3650)
    await desk.passes(300.0, days=True)
    assert closes(desk) == []
    assert "was set" in desk.days.trouble
    desk.yard.now -= timedelta(days=3650)
    assert desk.yard.steady_s - steady_s == 300.0
    await desk.passes(30.0, days=True)
    desk.yard.passes((datetime(2026, 3, 15, 5, 59, tzinfo=UTC) - desk.yard.now).total_seconds())
    await desk.passes(60.0)
    desk.yard.passes(1200.0)
    await desk.passes(120.0, days=True)
    assert closes(desk) == [("2026-03-14", 1)]


@pytest.mark.parametrize("ahead", [timedelta(days=1), timedelta(days=3)])
async def test_days_closed_by_a_clock_that_was_ahead_at_the_start_are_right_once_they_have_ended(
    desk: Desk, ahead: timedelta
) -> None:
    await desk.ends()
    desk.yard.now += ahead
    await desk.begin()
    await desk.passes(90.0, days=True)
    assert len(closes(desk)) == 1
    await desk.ends("boot-3")
    desk.yard.now = datetime(2026, 3, 15, 5, 59, tzinfo=UTC)
    await desk.begin()
    await desk.passes(60.0)
    desk.yard.passes(1200.0)
    await desk.passes(120.0, days=True)
    of_day = [paper.document for paper in papers(desk, PaperKind.DAY) if paper.document["day"] == "2026-03-14"]
    assert of_day[-1]["revision"] == (2 if ahead == timedelta(days=1) else 1)
    assert of_day[-1]["tanks"][0]["gauging"]["instant"] == "2026-03-15T06:00:00+00:00"
    await desk.passes(120.0, days=True)
    assert len(closes(desk)) == 2


async def test_another_site_file_in_the_middle_of_a_transfer_counts_from_then_on(desk: Desk) -> None:
    """Its opening and its number stay; it settles as the new file says."""
    await receipt(desk)
    before = desk.accounts.book
    assert before is not None
    assert desk.phases() == {1: "settling"}
    desk.accounts.take_over(replace(desk.plan, settling_s=60.0))
    await desk.passes(120.0)
    (ticket,) = papers(desk, PaperKind.TICKET)
    assert GAUGING.from_plain(ticket.document["sides"][0]["opening"]) == before.transfers[1].sides[0].opening
