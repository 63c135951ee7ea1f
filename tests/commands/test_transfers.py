"""`transfers`: what is typed becomes a request; what the gateway tells becomes lines with the ruler of each tank."""

import shlex
from collections.abc import Mapping
from typing import Any

import pytest

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.checking import checked_model
from gateway.command_line import main
from gateway.commands.operator.transfer_acts import ACTS, PROCEDURE
from tests.commands.test_enter import WELL, Doors, _line
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]

TYPED: Mapping[str, tuple[str, dict[str, str]]] = {
    "plan": (
        "plan receipt --into TK-11 --amount 1000 m3 --measure GSV --begins 2026-11-28T06:30+01:00 --partner Samphire "
        "--reference BL-2041 --owner Ostrava",
        {
            "kind": "receipt",
            "target": "TK-11",
            "amount": "1000 m3",
            "measure": "gsv",
            "begins": "2026-11-28T06:30+01:00",
            "partner": "Samphire",
            "reference": "BL-2041",
            "owner": "Ostrava",
        },
    ),
    "start": ("start 3", {"transfer": "3"}),
    "confirm": (
        "confirm 4 tank-to-tank --from TK-11 --into TK-12",
        {"transfer": "4", "kind": "tank_to_tank", "source": "TK-11", "target": "TK-12"},
    ),
    "change": ("change 3 --amount 850 t --measure mass", {"transfer": "3", "amount": "850 t", "measure": "mass"}),
    "pause": ("pause 3 --why rain", {"transfer": "3", "why": "rain"}),
    "resume": ("resume 3", {"transfer": "3"}),
    "finish": ("finish 3", {"transfer": "3"}),
    "close": ("close 3 --why sailed", {"transfer": "3", "why": "sailed"}),
    "cancel": ("cancel 3 --why test", {"transfer": "3", "why": "test"}),
    "reverse": (
        "reverse 12 --reference BL-2042 --kind dispatch --why wrong",
        {"ticket": "12", "reference": "BL-2042", "kind": "dispatch", "why": "wrong"},
    ),
}


def understood(request: Mapping[str, Any]) -> None:
    checked_model(ACCOUNT_ACTIONS[request["action"]], request)


def test_each_act_is_typed_here_and_nothing_that_a_transfer_may_be_asked_is_left_out() -> None:
    assert TYPED.keys() == ACTS.keys()
    asked = {act.action for act in ACTS.values()}
    assert asked == ACCOUNT_ACTIONS.keys() - {"amount", "import-amounts", "reverse-amount", "close-day"}


@pytest.mark.parametrize("word", TYPED)
def test_what_is_typed_is_what_is_asked(capsys: Capture, word: str) -> None:
    words, expected = TYPED[word]
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "transfers", *words.split())
    assert said.code == 0
    assert said.out.splitlines()[:2] == ["TK-1: done", "note: be careful"]
    assert ACTS[word].effect in said.out
    assert doors.asked == [{"action": ACTS[word].action, **expected}]
    understood(doors.asked[0])


def test_who_begins_to_move_something_reads_the_caution(capsys: Capture) -> None:
    with Doors().site("harbour", _line(WELL)):
        for word, (words, _) in TYPED.items():
            said = typed(capsys, "transfers", *words.split())
            assert (PROCEDURE in said.out) == (word in ("start", "resume"))


def test_one_that_nobody_has_planned_is_started_by_its_kind(capsys: Capture) -> None:
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        assert typed(capsys, "transfers", "start", "water-draw", "--from", "TK-11").code == 0
    assert doors.asked == [{"action": "start-transfer", "kind": "water_draw", "source": "TK-11"}]
    understood(doors.asked[0])


@pytest.mark.parametrize("word", ACTS)
def test_each_act_has_help_with_an_example_that_works(capsys: Capture, word: str) -> None:
    with pytest.raises(SystemExit):
        main(["transfers", word, "--help"])
    told = capsys.readouterr().out
    (example,) = [line for line in told.splitlines() if line.startswith("Example: ")]
    assert ACTS[word].effect.split(".")[0] in " ".join(told.split())
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        assert typed(capsys, *shlex.split(example.removeprefix("Example: tank-gateway "))).code == 0
    assert doors.asked[0]["action"] == ACTS[word].action
    understood(doors.asked[0])


@pytest.mark.parametrize(
    ("words", "said", "hint"),
    [
        ("start reciept --into TK-11", "'reciept' is no kind of transfer", "did you mean 'receipt'?"),
        ("plan move --from TK-11", "'move' is no kind of transfer", "known are circulation"),
        ("finish TK-11", "'TK-11' is no number of a transfer", "`tank-gateway transfers` lists them"),
        ("finish 0", "'0' is no number of a transfer", "`tank-gateway transfers` lists them"),
        ("confirm 4 dispach", "'dispach' is no kind of transfer", "did you mean 'dispatch'?"),
        ("change 3", "nothing to change was given", "--amount 1200 m3"),
        ("cancel 3", "--why", "tank-gateway transfers cancel --help"),
        ("reverse 12 --partner x", "--why", "tank-gateway transfers reverse --help"),
        ("stop 3", "invalid choice: 'stop'", "tank-gateway transfers --help"),
    ],
)
def test_what_is_typed_wrongly_is_named_with_what_would_be_right(
    capsys: Capture, words: str, said: str, hint: str
) -> None:
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        told = typed(capsys, "transfers", *words.split())
    assert (told.code, told.out, doors.asked) == (2, "", [])
    first, second = told.err.splitlines()
    assert said in first
    assert hint in second


def test_a_refusal_is_told_and_what_the_act_would_have_done_is_not(capsys: Capture) -> None:
    with Doors().site("harbour", _line({"code": 1, "lines": ["transfer 3 is closed"], "hint": "reverse its ticket"})):
        said = typed(capsys, "transfers", "finish", "3")
    assert (said.code, said.out) == (1, "")
    assert said.err.splitlines() == ["tank-gateway: transfer 3 is closed", "  hint: reverse its ticket"]
