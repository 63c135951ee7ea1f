"""`stock import`: a file of amounts goes to the gateway as it is, and one that cannot be read goes nowhere."""

from pathlib import Path

import pytest

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.checking import checked_model
from tests.commands.test_enter import WELL, Doors, _line
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]
TEXT = "kind;source;product;amount;at;reference\ndispatch;rack;diesel;32,4 m3;2026-11-27 06:12;R-1\n"


def test_a_file_goes_to_the_gateway_as_it_is(capsys: Capture, tmp_path: Path) -> None:
    file = tmp_path / "rack.csv"
    file.write_text(f"\ufeff{TEXT}", "utf-8")
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "stock", "import", str(file), "--why", "the rack's of November")
    assert said.code == 0, said
    assert doors.asked == [{"action": "import-amounts", "text": TEXT, "why": "the rack's of November"}]
    checked_model(ACCOUNT_ACTIONS["import-amounts"], doors.asked[0])
    assert "What is known already is not taken in twice." in said.out


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (TEXT.replace("reference", "document"), "line 1: 'document': there is no such column"),
        (TEXT.replace(";reference", ""), "line 1, reference: the column is missing"),
        ("x" * 50_001, "has 50001 characters, more than 50000"),
    ],
)
def test_one_that_cannot_be_read_goes_nowhere(capsys: Capture, tmp_path: Path, text: str, expected: str) -> None:
    file = tmp_path / "rack.csv"
    file.write_text(text, "utf-8")
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "stock", "import", str(file))
    assert said.code == 2
    assert str(file) in said.err
    assert expected in said.err
    assert doors.asked == []


def test_every_mistake_that_the_gateway_finds_is_read(capsys: Capture, tmp_path: Path) -> None:
    file = tmp_path / "rack.csv"
    file.write_text(TEXT, "utf-8")
    mistakes = [
        "2 mistakes, nothing was taken in:",
        "line 2, at: it is still to come",
        "line 3, product: there is none",
    ]
    doors = Doors()
    with doors.site("harbour", _line({"code": 1, "lines": mistakes, "hint": "put them right"})):
        said = typed(capsys, "stock", "import", str(file))
    assert (said.code, said.out) == (1, "")
    assert said.err.splitlines() == [
        "tank-gateway: 2 mistakes, nothing was taken in:",
        "tank-gateway: line 2, at: it is still to come",
        "tank-gateway: line 3, product: there is none",
        "  hint: put them right",
    ]
