"""`stock`: amounts, the close of a day and files of amounts, as they are typed; a closed day as it is read."""

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.checking import checked_model
from gateway.command_line import main
from gateway.commands.accountant import books as account_books
from gateway.commands.accountant.stock_acts import ACTS
from tests.commands.test_enter import WELL, Doors, _line
from tests.commands.test_report import file as file
from tests.commands.typed import typed
from tests.support.ledger_store import SITE

Capture = pytest.CaptureFixture[str]
TYPED: Mapping[str, tuple[str, dict[str, str]]] = {
    "amount": (
        "amount own-use meter diesel 212.4 m3 --measure GSV --at 2026-06-30T12:00Z --reference R-1 --ticket 2 "
        "--tank TK-101 --owner Ostrava --why boilers",
        {
            "kind": "own_use",
            "source": "meter",
            "product": "diesel",
            "amount": "212.4 m3",
            "measure": "gsv",
            "at": "2026-06-30T12:00Z",
            "reference": "R-1",
            "ticket": "2",
            "tank": "TK-101",
            "owner": "Ostrava",
            "why": "boilers",
        },
    ),
    "reverse": ("reverse 12 --why twice", {"amount": "12", "why": "twice"}),
    "close": ("close 2026-06-30 --why late", {"day": "2026-06-30", "why": "late"}),
}
CSV = """kind;source;product;amount (m3);at;reference
dispatch;rack;diesel;32,4;2026-06-30 14:00;LOAD-1
dispatch;rack;diesel;30,15;2026-06-30 15:30;LOAD-2
"""


def understood(request: Mapping[str, Any]) -> None:
    checked_model(ACCOUNT_ACTIONS[request["action"]], request)


@pytest.mark.parametrize("word", TYPED)
def test_what_is_typed_is_what_is_asked(capsys: Capture, word: str) -> None:
    assert TYPED.keys() == ACTS.keys()
    words, expected = TYPED[word]
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "stock", *words.split())
    assert said.code == 0
    assert said.out.splitlines()[:2] == ["TK-1: done", "note: be careful"]
    assert ACTS[word].effect in said.out
    assert doors.asked == [{"action": ACTS[word].action, **expected}]
    understood(doors.asked[0])


@pytest.mark.parametrize("word", ACTS)
def test_each_act_has_help_with_an_example_that_works(capsys: Capture, word: str) -> None:
    with pytest.raises(SystemExit):
        main(["stock", word, "--help"])
    (example,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Example: ")]
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        assert typed(capsys, *shlex.split(example.removeprefix("Example: tank-gateway "))).code == 0
    understood(doors.asked[0])


@pytest.mark.parametrize(
    ("words", "said", "hint"),
    [
        ("amount reciept ship diesel 1 m3 --measure gsv", "'reciept' is no kind of amount", "did you mean 'receipt'?"),
        ("amount receipt boat diesel 1 m3 --measure gsv", "'boat' is no source of an amount", "known are meter"),
        ("amount receipt ship diesel 1 m3", "--measure", "tank-gateway stock amount --help"),
        ("amount receipt ship diesel 1 m3 --measure gsv --ticket T", "'T' is no number of a ticket", "12"),
        ("reverse R-1 --why x", "'R-1' is no number of an amount", "12"),
        ("reverse 12", "--why", "tank-gateway stock reverse --help"),
        ("sell 12", "invalid choice: 'sell'", "tank-gateway stock --help"),
    ],
)
def test_what_is_typed_wrongly_is_named_with_what_would_be_right(
    capsys: Capture, words: str, said: str, hint: str
) -> None:
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        told = typed(capsys, "stock", *words.split())
    assert (told.code, told.out, doors.asked) == (2, "", [])
    first, second = told.err.splitlines()
    assert said in first
    assert hint in second


@pytest.fixture
def here(file: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The gateway that runs here keeps that ledger: its newest closed day is 2026-06-30, and it has three tickets."""
    monkeypatch.setattr(account_books, "_running", lambda site: (file, None))
    return file


def test_a_closed_day_is_shown_as_its_reports_have_it(capsys: Capture, here: Path) -> None:
    said = typed(capsys, "stock", "--day", "last")
    assert said.code == 0
    assert "Closing stock, north yard" in said.out
    assert "Reconciliation of 2026-06-30, north yard" in said.out
    assert "2026-07-09 is not closed" in typed(capsys, "stock", "--day", "2026-07-09").err


def test_a_file_of_amounts_is_taken_in_line_by_line_by_the_clock_of_the_site(capsys: Capture, here: Path) -> None:
    """14:00 in London in summer is 13:00 UTC."""
    Path("rack.csv").write_text(CSV, encoding="utf-8")
    doors = Doors()
    with doors.site(SITE, _line({"code": 0, "lines": ["amount 1: taken in"], "notes": []})):
        said = typed(capsys, "stock", "import", "rack.csv", "--why", "the rack of June")
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines() == ["amount 1: taken in", "amount 1: taken in", "2 amounts taken in"]
    first, second = doors.asked
    assert first == {
        "action": "amount",
        "kind": "dispatch",
        "source": "rack",
        "product": "diesel",
        "amount": "32.4 m3",
        "measure": "gsv",
        "at": "2026-06-30T13:00:00.000Z",
        "reference": "LOAD-1",
        "why": "the rack of June",
    }
    assert (second["amount"], second["reference"]) == ("30.15 m3", "LOAD-2")
    understood(first)


def test_a_file_is_only_looked_through_where_that_is_asked_for(capsys: Capture, here: Path) -> None:
    Path("rack.csv").write_text(CSV, encoding="utf-8")
    doors = Doors()
    with doors.site(SITE, _line(WELL)):
        said = typed(capsys, "stock", "import", "rack.csv", "--check")
        told = typed(capsys, "stock", "import", "rack.csv", "--check", "--json").document
    assert said.out.splitlines()[0] == "only looked through: nothing was taken in"
    assert [each["reference"] for each in told["amounts"]] == ["LOAD-1", "LOAD-2"]
    assert doors.asked == []


def test_every_mistake_is_named_by_its_line_and_nothing_is_taken_in(capsys: Capture, here: Path) -> None:
    wrong = CSV.replace("dispatch;rack;diesel;32,4", "dispach;rack;diesel;32,4").replace("30,15", "much")
    Path("rack.csv").write_text(wrong, encoding="utf-8")
    doors = Doors()
    with doors.site(SITE, _line(WELL)):
        said = typed(capsys, "stock", "import", "rack.csv")
    assert (said.code, said.out, doors.asked) == (2, "", [])
    lines = said.err.splitlines()
    assert lines[0].startswith("tank-gateway: rack.csv: line 2, kind: 'dispach':")
    assert lines[1].startswith("tank-gateway: rack.csv: line 3, amount: 'much':")
    assert "what is known already is not taken in twice" in lines[-1]


def test_one_that_the_gateway_refuses_says_how_many_are_in(capsys: Capture, here: Path) -> None:
    Path("rack.csv").write_text(CSV, encoding="utf-8")
    answers = iter([{"code": 0, "lines": ["taken in"]}, {"code": 1, "lines": ["the disk is full"]}])
    with Doors().site(SITE, lambda: _line(next(answers))()):
        said = typed(capsys, "stock", "import", "rack.csv")
    assert (said.code, said.out) == (1, "")
    assert "1 of 2 taken in, then LOAD-2: the disk is full" in said.err
    assert "give the whole file again" in said.err


def test_a_file_that_is_not_there(capsys: Capture, here: Path) -> None:
    with Doors().site(SITE, _line(WELL)):
        said = typed(capsys, "stock", "import", "nowhere.csv")
    assert (said.code, "nowhere.csv" in said.err) == (2, True)
