"""`report`: from the file that a real ledger has written to what somebody signs, in every form."""

import csv
import json
import re
from collections.abc import Iterable, Mapping
from datetime import timedelta
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import openpyxl
import pypdf
import pytest

from gateway.account.day import DAY, DAY_SCHEMA
from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.ticket import TICKET, TICKET_SCHEMA
from gateway.commands.accountant.report_kinds import KINDS
from gateway.ledger.ledger import Ledger
from tests.commands.test_enter import Doors, _line
from tests.commands.typed import Said, typed
from tests.reports import kept
from tests.support.ledger_store import PATIENCE_S, SITE, Stand

Capture = pytest.CaptureFixture[str]
AUDIT = (round(kept.CLOSE.timestamp() * 1e9) - 3_600_000_000_000, '{"by":"kim","asked":{"action":"dip"},"why":"gauge"}')
CAUTION = "Not for custody transfer, fiscal, excise or legal-metrology use"


def paper(kind: PaperKind, key: str, schema: str, instant: Any, plain: Mapping[str, Any]) -> AccountPaper:
    return AccountPaper(kind, key, "", instant, {"schema": schema, "key": key, **plain})


def papers() -> Iterable[AccountPaper]:
    """Two days, of which the second was closed again, and three tickets: 18 takes 17 back, 19 is of the day after."""
    days = [
        kept.day("2026-06-29", end=kept.CLOSE - timedelta(days=1)),
        kept.day(),
        kept.day(revision=2, balances=(kept.balance(receipts=1210.0),)),
    ]
    for day in days:
        yield paper(PaperKind.DAY, day.key, DAY_SCHEMA, day.end, DAY.to_plain(day))
    tickets = [kept.ticket(1), kept.ticket(2, reverses=1), kept.ticket(3, marks=kept.MARKS)]
    for ticket in tickets:
        yield paper(PaperKind.TICKET, ticket.key, TICKET_SCHEMA, ticket.made, TICKET.to_plain(ticket))


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    stand = Stand(tmp_path)
    ledger: Ledger = stand.open()
    for each in papers():
        ledger.keep_account((each,), (), AUDIT).result(PATIENCE_S)
    assert ledger.close(PATIENCE_S)
    monkeypatch.chdir(tmp_path)
    return stand.file


def asked(capsys: Capture, file: Path, kind: str, *words: str) -> Said:
    return typed(capsys, "report", kind, str(file), *words)


def test_the_newest_closed_day_is_shown_unless_another_is_asked_for(capsys: Capture, file: Path) -> None:
    """4,812.4 + 1,210.0 - 962.4 = 5,060.0; the tanks hold 2.05 m3 less."""
    said = asked(capsys, file, "reconciliation")
    assert (said.code, said.err) == (0, "")
    assert "Reconciliation of 2026-06-30" in said.out
    assert "Day: 2026-06-30, revision 2, 24 h" in said.out
    assert "Why this revision: the ship's document came in" in said.out
    assert "06:00:00 +01:00 (2026-07-01T05:00:00Z)" in said.out, "by the clock of the day that is closed"
    row = next(line.split() for line in said.out.splitlines() if line.startswith("diesel"))
    assert row[1:5] == ["GSV", "4,812", "1,210", "962"]
    assert CAUTION in said.out
    first = asked(capsys, file, "reconciliation", "--day", "2026-06-30", "--revision", "1")
    assert "Day: 2026-06-30, revision 1, 24 h" in first.out
    before = asked(capsys, file, "reconciliation", "--day", "2026-06-29")
    assert "Reconciliation of 2026-06-29" in before.out
    month = asked(capsys, file, "reconciliation", "--month", "2026-06")
    assert "2 closed, 2026-06-29 to 2026-06-30" in month.out
    assert "2026-06-30 revision 2" in month.out


def test_stock_of_a_closed_day_says_what_a_total_leaves_out(capsys: Capture, file: Path) -> None:
    said = asked(capsys, file, "stock", "--day", "2026-06-30")
    assert re.search("Total diesel: 2 of [34], estimated", said.out), "TK-102 has no figures"
    assert "3.055" in said.out
    assert "39.0?" in said.out, "Uncertain is marked"


def test_tickets_of_a_day_and_one_to_be_signed(capsys: Capture, file: Path) -> None:
    """2,386.8 - 2,354.71 m3 at 15 degC went out; ticket 2 takes that back."""
    said = asked(capsys, file, "tickets", "--day", "2026-07-01")
    rows = [
        line.split() for line in said.out.splitlines() if line[:1].strip().isdecimal() or line[:8].strip().isdecimal()
    ]
    assert [row[0] for row in rows] == ["1", "2", "3"]
    one = asked(capsys, file, "ticket", "--ticket", "3")
    assert "Ticket 3: dispatch" in one.out
    assert "nobody watched for 3 min: the gateway was down" in one.out
    assert "Opening" in one.out
    assert CAUTION in one.out
    assert one.err == ""
    assert "standard volumes at 15 °C" in one.out, "and which sheets it is of"
    taken = asked(capsys, file, "ticket", "--ticket", "1")
    assert "ticket 1 is TAKEN BACK by ticket 2" in taken.err, "its paper is the same for ever"
    assert "TAKEN BACK by ticket 2" in said.out
    assert "takes back ticket 1" in asked(capsys, file, "ticket", "--ticket", "2").out
    assert "no ticket in this span" in asked(capsys, file, "tickets", "--day", "2026-06-30").out


def test_the_same_day_gives_the_same_bytes_in_every_form(capsys: Capture, file: Path, tmp_path: Path) -> None:
    for form in ("csv", "xlsx", "pdf", "text"):
        made = []
        for number in (1, 2):
            out = tmp_path / f"{form}-{number}.{form}"
            said = asked(capsys, file, "reconciliation", "--day", "2026-06-30", "--format", form, "--out", str(out))
            assert (said.code, said.out) == (0, "")
            assert said.err == f"tank-gateway: written to {out}\n"
            made.append(out.read_bytes())
        assert made[0] == made[1], form


def test_a_program_reads_what_a_person_reads(capsys: Capture, file: Path) -> None:
    out = asked(capsys, file, "reconciliation", "--format", "csv").out
    table = list(csv.reader(StringIO(out)))
    header = table[0]
    (row,) = [line for line in table if line[0] == "row" and line[1].startswith("Day") and "diesel" in line]
    told = dict(zip(header, row, strict=True))
    assert (told["opening [m3]"], told["receipts [m3]"]) == ("4812", "1210")
    assert any(line[0] == "caution" and line[-1].startswith(CAUTION) for line in table)
    said = asked(capsys, file, "reconciliation", "--format", "xlsx")
    assert said.err == "tank-gateway: written to north yard-reconciliation-2026-07-01.xlsx\n"
    book = openpyxl.load_workbook(file.parent / "north yard-reconciliation-2026-07-01.xlsx")
    numbers = [cell.value for sheet in book for line in sheet for cell in line if isinstance(cell.value, int | float)]
    assert 4812 in numbers
    assert 1210 in numbers
    said = asked(capsys, file, "ticket", "--ticket", "3", "--out", "t.pdf")
    assert said.code == 0
    text = "".join(page.extract_text() for page in pypdf.PdfReader(BytesIO(Path("t.pdf").read_bytes())).pages)
    assert "Ticket 3" in text
    assert CAUTION in " ".join(text.split())


def test_changes_and_alarms_of_a_day(capsys: Capture, file: Path) -> None:
    said = asked(capsys, file, "changes", "--day", "2026-06-30")
    assert "kim" in said.out
    assert "whole, each row carries the hash of the one before" in said.out
    assert "no alarm" in asked(capsys, file, "alarms", "--month", "2026-06").out


def test_dips_are_the_records_of_a_folder(capsys: Capture, file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "dips"
    folder.mkdir()
    assert "no gauge was verified in this span" in asked(capsys, file, "dips", "--folder", str(folder)).out
    (folder / "dip-check-x.json").write_text("no JSON")
    said = asked(capsys, file, "dips", "--folder", str(folder))
    assert (said.code, "dip-check-x.json cannot be read" in said.err) == (1, True)
    (folder / "dip-check-x.json").write_text(json.dumps({"schema": "tank-gateway/dip-check/1", "time": "soon"}))
    said = asked(capsys, file, "dips", "--folder", str(folder))
    assert (said.code, "does not say when it was made" in said.err) == (1, True)


def test_overrides_are_of_now_and_come_from_the_gateway(capsys: Capture, file: Path) -> None:
    answer = {"code": 0, "lines": [], "time": "2026-07-01T06:30:00Z", "entries": [], "alarms": []}
    with Doors().site(SITE, _line(answer)):
        said = asked(capsys, file, "overrides")
    assert said.code == 0
    assert "0 entered, 0 in maintenance, 0 alarms hidden" in said.out
    assert "no gateway of site 'north yard' runs" in asked(capsys, file, "overrides").err


@pytest.mark.parametrize(
    ("words", "code", "told", "hint"),
    [
        (("reconcilation",), 2, "there is no report 'reconcilation'", "did you mean 'reconciliation'?"),
        (("ticket",), 2, "no --ticket was given", "report tickets"),
        (("ticket", "--ticket", "9"), 1, "there is no ticket 9", "the newest is 3"),
        (("ticket", "--ticket", "nine"), 2, "--ticket", "report --help"),
        (("stock", "--ticket", "3"), 2, "report stock: --ticket is nothing of it", "--day, --revision"),
        (("overrides", "--day", "2026-06-30"), 2, "--day is nothing of it", "about now"),
        (("stock", "--day", "yesterday"), 2, "--day: 'yesterday' is no date", "2026-11-27"),
        (("stock", "--day", "2026-07-01"), 1, "2026-07-01 is not closed", "the newest that is closed is 2026-06-30"),
        (("stock", "--day", "2026-06-30", "--revision", "3"), 2, "has revisions 1 to 2", "give one of them"),
        (("tickets", "--month", "June"), 2, "--month: 'June' is no month", "2026-11"),
        (("reconciliation", "--month", "2026-05"), 1, "no day of 2026-05 is closed", "shows the newest"),
        (("tickets", "--day", "2026-06-30", "--month", "2026-06"), 2, "are given both", "one of them"),
        (("stock", "--out", "x.doc"), 2, "does not end as a report does", ".xlsx or .pdf"),
        (("stock", "--format", "doc"), 2, "--format", "report --help"),
    ],
)
def test_what_is_typed_wrongly_or_is_not_there(
    capsys: Capture, file: Path, words: tuple[str, ...], code: int, told: str, hint: str
) -> None:
    said = typed(capsys, "report", words[0], str(file), *words[1:])
    assert (said.code, said.out) == (code, "")
    first, second = said.err.splitlines()
    assert told in first
    assert hint in second


def test_nothing_is_replaced(capsys: Capture, file: Path) -> None:
    Path("there.csv").write_text("kept")
    said = asked(capsys, file, "stock", "--out", "there.csv")
    assert (said.code, "exists already" in said.err) == (2, True)
    assert Path("there.csv").read_text() == "kept"


def test_every_kind_is_in_the_help(capsys: Capture) -> None:
    with pytest.raises(SystemExit):
        typed(capsys, "report", "--help")
    told = capsys.readouterr().out
    for name, kind in KINDS.items():
        assert f"  {name}" in told
        assert kind.summary in told


def test_a_site_without_a_closed_day_says_what_to_do(capsys: Capture, tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    assert ledger.close(PATIENCE_S)
    said = asked(capsys, stand.file, "stock")
    assert (said.code, said.out) == (1, "")
    assert "no day is closed yet" in said.err
    assert "tank-gateway stock close" in said.err
