"""Reports over HTTP: the same file as elsewhere, one at a time, and refused in words."""

import asyncio
import csv
import io
from pathlib import Path

import openpyxl
import pypdf
import pytest

from gateway.page_answers import reports
from gateway.report_books.kinds import KINDS
from gateway.web.interface.routes import safe_name
from tests.page_answers.gate import OPERATOR, Gate, gate
from tests.page_answers.test_acts import ADMINISTRATOR


async def _closed(yard: Gate) -> None:
    """The day before is closed: 06:00 UTC of BEGIN is its end."""
    yard.sheets(9.412, warmth_c=15.0)
    await yard.turn()
    await yard.kept()
    answer = await yard.act({"action": "close-day", "day": "2026-11-27"}, who=ADMINISTRATOR)
    assert answer.status_code == 200, answer.text


async def test_a_report_comes_in_each_form(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        await _closed(yard)
        known = await yard.page("/api/1/reports")
        assert {each["name"] for each in known["reports"]} == {*KINDS, "overrides"}
        found = await yard.get("/api/1/reports/stock.csv", day="2026-11-27")
        assert found.status_code == 200, found.text
        assert found.headers["content-type"].startswith("text/csv")
        assert found.headers["content-disposition"] == 'attachment; filename="yard-stock-2026-11-27.csv"'
        rows = list(csv.reader(io.StringIO(found.text)))
        assert {row[0] for row in rows} >= {"TK-1"} or any("TK-1" in row for row in rows), rows[:5]
        found = await yard.get("/api/1/reports/stock.xlsx", day="2026-11-27")
        book = openpyxl.load_workbook(io.BytesIO(found.content))
        assert any(cell.value == "TK-1" for sheet in book for row in sheet for cell in row)
        found = await yard.get("/api/1/reports/stock.pdf")
        assert found.headers["content-type"] == "application/pdf"
        text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(found.content)).pages)
        assert "TK-1" in text
        assert "Not for custody transfer" in text
        again = await yard.get("/api/1/reports/stock.pdf")
        assert again.content == found.content
        dip = {"action": "dip", "tank": "TK-2", "level": "3.1 m"}
        assert (await yard.act(dip)).status_code == 200
        found = await yard.get("/api/1/reports/overrides.csv")
        assert "anna@page" in found.text


@pytest.mark.parametrize(
    ("status", "path", "words"),
    [
        (404, "stock.doc", "no file of a report"),
        (404, "stok.pdf", "there is no report 'stok.pdf'"),
        (404, "..%2f..%2fetc%2fpasswd", "nothing under this address"),
        (404, "stock.csv?day=2026-11-20", "2026-11-20 is not closed"),
        (404, "ticket.pdf?ticket=7", "there is no ticket 7"),
        (400, "ticket.pdf", "no ticket was given"),
        (400, "stock.csv?day=yesterday", "'yesterday' is no date"),
        (400, "stock.csv?month=2026-11", "month is nothing of report stock"),
        (400, "tickets.csv?day=2026-11-27&month=2026-11", "given both"),
        (400, "ticket.pdf?ticket=-1", "'-1' is no number"),
        (401, "changes.csv?day=2026-11-27", "signed in"),
    ],
)
async def test_what_there_is_not_is_said(tmp_path: Path, status: int, path: str, words: str) -> None:
    async with gate(tmp_path) as yard:
        await _closed(yard)
        answer = await yard.client.get(f"/api/1/reports/{path}")
    if "%2f" not in path:
        assert words in "".join(answer.json()["lines"])
    assert answer.status_code == status, answer.text


async def test_who_may_reads_the_changes(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        await _closed(yard)
        answer = await yard.client.get("/api/1/reports/changes.csv?day=2026-11-28", headers=OPERATOR)
        assert answer.status_code == 200
        assert "close-day" in answer.text
        answer = await yard.client.get("/api/1/reports/changes.csv", headers={"X-Test-Person": "vera viewer"})
        assert answer.status_code == 403


async def test_no_more_are_waited_for_than_there_is_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reports, "_MOST_WAITING", 2)
    async with gate(tmp_path) as yard:
        await _closed(yard)
        asked = [asyncio.ensure_future(yard.get("/api/1/reports/stock.csv")) for _ in range(4)]
        answers = await asyncio.gather(*asked)
    assert sorted(answer.status_code for answer in answers) == [200, 200, 503, 503]
    busy = next(answer for answer in answers if answer.status_code == 503)
    assert "2 reports are waited for already" in busy.json()["lines"][0]


async def test_one_that_takes_too_long_is_given_up_and_leaves_no_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reports, "_MADE_WITHIN_S", 0.01)
    async with gate(tmp_path) as yard:
        await _closed(yard)
        answer = await yard.get("/api/1/reports/stock.csv")
    assert (answer.status_code, answer.json()["code"]) == (503, 1)
    assert "was not made within" in answer.json()["lines"][0]


async def test_without_a_ledger_there_is_none_and_it_is_said(tmp_path: Path) -> None:
    async with gate(tmp_path, ledger=False) as yard:
        answer = await yard.get("/api/1/reports/stock.csv")
    assert answer.status_code == 503
    assert "keeps no ledger" in answer.json()["lines"][0]


def test_a_name_of_a_file_is_nothing_else() -> None:
    assert safe_name('../a"b;\r\nX: y.pdf') == "a-b-X-y.pdf"
    assert safe_name("...") == "file"
    assert len(safe_name("x" * 500)) == 120
