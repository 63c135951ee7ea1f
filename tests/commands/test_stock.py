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
from tests.support.messages import valid_message

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
    assert TYPED.keys() == ACTS.keys() - {"import"}
    words, expected = TYPED[word]
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "stock", *words.split())
    assert said.code == 0
    assert said.out.splitlines()[:2] == ["TK-1: done", "note: be careful"]
    assert ACTS[word].effect in said.out
    assert doors.asked == [{"action": ACTS[word].action, **expected}]
    understood(doors.asked[0])


@pytest.mark.parametrize("word", TYPED)
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
    told = typed(capsys, "stock", "--day", "2026-06-30", "--json")
    document = valid_message(told.out.encode())
    assert (document["day"], document["revision"]) == ("2026-06-30", 2)
    assert "2026-07-09 is not closed" in typed(capsys, "stock", "--day", "2026-07-09").err


def test_a_file_of_amounts_is_handed_over_whole(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "rack.csv"
    path.write_text(CSV, encoding="utf-8")
    doors = Doors()
    with doors.site("harbour", _line({"code": 0, "lines": ["2 amounts taken in"], "notes": []})):
        said = typed(capsys, "stock", "import", str(path), "--why", "the rack of June")
    assert (said.code, said.out.splitlines()[0]) == (0, "2 amounts taken in")
    assert doors.asked == [{"action": "import-amounts", "text": CSV, "why": "the rack of June"}]


def test_every_mistake_of_a_file_is_told(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "rack.csv"
    path.write_text(CSV, encoding="utf-8")
    mistakes = ["2 mistakes, nothing was taken in", "line 2, kind: 'dispach': ...", "line 3, amount: 'much': ..."]
    with Doors().site("harbour", _line({"code": 2, "lines": mistakes, "hint": "put them right"})):
        said = typed(capsys, "stock", "import", str(path))
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines() == [*(f"tank-gateway: {each}" for each in mistakes), "  hint: put them right"]
