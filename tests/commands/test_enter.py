"""`enter`: what is typed becomes a request, and an answer becomes lines; a gateway that is only its door answers."""

import json
import os
import shlex
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from gateway.actions.requests import ACTIONS, read_action
from gateway.command_line import main
from gateway.process.running import Running, claim
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]
WELL = {"code": 0, "lines": ["TK-1: done"], "notes": ["be careful"]}

TYPED: dict[str, tuple[str, dict[str, str]]] = {
    "dip": (
        "dip TK-101 9.412 m --water 35 mm --why gauge",
        {"tank": "TK-101", "level": "9.412 m", "water": "35 mm", "why": "gauge"},
    ),
    "temperature": (
        "temperature TK-101 -5 degC --expires 24 h --measured 2026-11-28T06:00Z",
        {"tank": "TK-101", "value": "-5 degC", "expires": "24 h", "entered": "2026-11-28T06:00Z"},
    ),
    "density": (
        "density TK-101 831.2 kg/m3 --at 24.5 degC --by hydrometer --made-for 20 degC --sampled T --expires 31 d",
        {
            "tank": "TK-101",
            "value": "831.2 kg/m3",
            "at": "24.5 degC",
            "by": "hydrometer",
            "made_for": "20 degC",
            "entered": "T",
            "expires": "31 d",
        },
    ),
    "sediment-water": (
        "sediment-water TK-1 0.3 % --expires 31 d",
        {"tank": "TK-1", "value": "0.3 %", "expires": "31 d"},
    ),
    "product-change": (
        "product-change TK-1 gasoline --at 2026-11-28T06:10Z --density 745 kg/m3 --density-at 15 degC --by hydrometer "
        "--made-for 15 degC --sampled 2026-11-28T05:00Z --expires 31 d --why refilled",
        {
            "tank": "TK-1",
            "product": "gasoline",
            "effective": "2026-11-28T06:10Z",
            "density": "745 kg/m3",
            "density_at": "15 degC",
            "density_by": "hydrometer",
            "made_for": "15 degC",
            "entered": "2026-11-28T05:00Z",
            "expires": "31 d",
            "why": "refilled",
        },
    ),
    "withdraw": (
        "withdraw TK-1 sediment-water --why wrong",
        {"tank": "TK-1", "quantity": "sediment_water", "why": "wrong"},
    ),
    "maintenance": (
        "maintenance LT-101 --for 4 h --why antenna",
        {"instrument": "LT-101", "duration": "4 h", "why": "antenna"},
    ),
    "end-maintenance": ("end-maintenance LT-101", {"instrument": "LT-101"}),
    "acknowledge": ("acknowledge TK-1 high_high", {"tank": "TK-1", "alarm": "high_high"}),
    "shelve": (
        "shelve TK-1 high_high --for 2 h --why x",
        {"tank": "TK-1", "alarm": "high_high", "duration": "2 h", "why": "x"},
    ),
    "unshelve": ("unshelve TK-1 high_high", {"tank": "TK-1", "alarm": "high_high"}),
    "out-of-service": (
        "out-of-service gateway line_lost.north --for 7 d --why x",
        {"tank": "gateway", "alarm": "line_lost.north", "duration": "7 d", "why": "x"},
    ),
    "in-service": ("in-service TK-1 high_high", {"tank": "TK-1", "alarm": "high_high"}),
}


class Doors:
    """Gateways that are only files and sockets of this process."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []

    @contextmanager
    def site(self, name: str, answer: Callable[[], bytes]) -> Iterator[Path]:
        with claim(Running(name, os.getpid(), None, {})) as held, socket.socket(socket.AF_UNIX) as listener:
            assert held.door is not None
            listener.bind(str(held.door))
            listener.listen()
            thread = threading.Thread(target=self._serve, args=(listener, answer), daemon=True)
            thread.start()
            yield held.door
            listener.shutdown(socket.SHUT_RDWR)
            thread.join()
            held.door.unlink()

    def _serve(self, listener: socket.socket, answer: Callable[[], bytes]) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with client:
                self.asked.append(json.loads(client.makefile().readline()))
                client.sendall(answer())


def _line(answer: Any) -> Callable[[], bytes]:
    return lambda: json.dumps(answer).encode() + b"\n"


def test_each_action_is_typed_here() -> None:
    assert TYPED.keys() == ACTIONS.keys()


@pytest.mark.parametrize("action", TYPED)
def test_what_is_typed_is_what_is_asked(capsys: Capture, action: str) -> None:
    words, expected = TYPED[action]
    doors = Doors()
    with doors.site("harbour", _line(WELL)):
        said = typed(capsys, "enter", *words.split())
    assert (said.code, said.out.splitlines()) == (0, ["TK-1: done", "note: be careful"])
    assert doors.asked == [{"action": action, **expected}]
    if action != "density":
        assert type(read_action(doors.asked[0])) is ACTIONS[action], "the gateway understands it"


@pytest.mark.parametrize("action", [*TYPED, "list"])
def test_each_action_has_help_with_an_example(capsys: Capture, action: str) -> None:
    with pytest.raises(SystemExit):
        main(["enter", action, "--help"])
    (example,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Example: ")]
    words = shlex.split(example.removeprefix("Example: tank-gateway "))
    doors = Doors()
    answer = {**WELL, "time": "2026-11-28T06:30:00Z", "entries": [], "alarms": []}
    with doors.site("harbour", _line(answer)):
        assert typed(capsys, *words).code == 0
    assert doors.asked[0]["action"] == action == words[1]
    if action != "list":
        read_action(doors.asked[0])


def test_a_refusal_has_its_code_its_lines_and_what_to_do(capsys: Capture) -> None:
    doors = Doors()
    for code in (1, 2):
        with doors.site("harbour", _line({"code": code, "lines": ["it is wrong"], "hint": "do it right"})):
            said = typed(capsys, "enter", "dip", "TK-1", "5 m")
        assert (said.code, said.out) == (code, "")
        assert said.err.splitlines() == ["tank-gateway: it is wrong", "  hint: do it right"]
    with doors.site("harbour", _line({"code": 2, "lines": ["it is wrong"], "hint": ""})):
        said = typed(capsys, "enter", "dip", "TK-1", "5 m", "--json")
    assert (said.code, said.document["lines"]) == (2, ["it is wrong"])


@pytest.mark.parametrize("answer", [b"", b"no JSON\n", b"[]\n", b"{}\n", b'{"code": 7, "lines": []}\n'])
def test_an_answer_that_is_none(capsys: Capture, answer: bytes) -> None:
    with Doors().site("harbour", lambda: answer):
        said = typed(capsys, "enter", "list")
    assert said.code == 1
    assert "is not one that this version understands" in said.err


def test_several_gateways_and_none(capsys: Capture) -> None:
    assert "no gateway runs on this machine" in typed(capsys, "enter", "list").err
    doors = Doors()
    with doors.site("harbour", _line(WELL)), doors.site("depot", _line(WELL)):
        said = typed(capsys, "enter", "end-maintenance", "LT-1")
        assert said.code == 2
        assert "say which by --site or --process: depot" in said.err
        assert typed(capsys, "enter", "end-maintenance", "LT-1", "--site", "depot").code == 0
        assert "as process 1 runs" in typed(capsys, "enter", "list", "--process", "1").err
        assert "no gateway of site 'dock'" in typed(capsys, "enter", "list", "--site", "dock").err
    with claim(Running("harbour", os.getpid(), None, {})):
        said = typed(capsys, "enter", "list")
        assert (said.code, "hears nobody" in said.err) == (1, True)


def _entry(about: str, quantity: str, block: dict[str, str], **more: Any) -> dict[str, Any]:
    entry = {"about": about, "quantity": quantity, "what": "entered", "block": block, "by": "anna", "why": ""}
    rest = {"at": "2026-11-28T06:00:00+00:00", "ends": "2026-11-29T06:00:00Z", "used": True, "other": "", "trouble": ""}
    rest["stands_in"] = quantity == "level"
    return {**entry, **rest, **more}


def test_the_handover_as_it_is_read(capsys: Capture) -> None:
    alarm = {
        "tank": "TK-1",
        "name": "high_high",
        "phase": "shelved",
        "since": "2026-11-28T05:00:00.000Z",
        "by": "bo",
        "until": "2026-11-28T07:00:00.000Z",
        "why": "gauge is checked",
    }
    answer = {
        "code": 0,
        "lines": [],
        "time": "2026-11-28T06:30:00Z",
        "entries": [
            _entry("TK-1", "density", {"value": "838.2 kg/m3"}, other="the site file gives 830 kg/m3", why="7"),
            _entry("TK-2", "level", {"value": "5 m", "entered": "2026-11-28T05:30Z"}, what="expired", ends=None),
            _entry("LT-1", "maintenance", {}, why="antenna"),
        ],
        "alarms": [alarm, {**alarm, "tank": None, "name": "line_lost.north", "phase": "unacknowledged", "by": None}],
    }
    with Doors().site("harbour", _line(answer)):
        said = typed(capsys, "enter", "list")
    assert said.code == 0
    assert [line.rstrip() for line in said.out.splitlines()] == [
        "harbour at 2026-11-28 06:30 UTC",
        "",
        "Entered",
        "tank  what           value        by    entered               until                 state    why",
        "TK-1  density        838.2 kg/m3  anna  2026-11-28 06:00 UTC  2026-11-29 06:00 UTC  used     7",
        "TK-2  level by hand  5 m          anna  2026-11-28 05:30 UTC                        expired",
        "",
        "In maintenance",
        "instrument  by    since                 until                 why",
        "LT-1        anna  2026-11-28 06:00 UTC  2026-11-29 06:00 UTC  antenna",
        "",
        "Alarms that are hidden",
        "tank  alarm      state    since                 by  until                 why",
        "TK-1  high_high  shelved  2026-11-28 05:00 UTC  bo  2026-11-28 07:00 UTC  gauge is checked",
        "",
        "Alarms that are open",
        "tank     alarm            state           since                 by  until                 why",
        "gateway  line_lost.north  unacknowledged  2026-11-28 05:00 UTC      2026-11-28 07:00 UTC  gauge is checked",
        "",
        "TK-1 density: the site file gives 830 kg/m3",
    ]


def test_a_handover_with_nothing_in_it(capsys: Capture) -> None:
    answer = {"code": 0, "lines": [], "time": "2026-11-28T06:30:00Z", "entries": [], "alarms": []}
    with Doors().site("harbour", _line(answer)):
        said = typed(capsys, "enter", "list")
    assert said.out.splitlines()[1] == (
        "nothing is entered, in maintenance or changed; no alarm and no transfer is open, and no day waits"
    )


def _transfer(number: int, phase: str, **more: Any) -> dict[str, Any]:
    sides = [{"tank": "TK-1"}, {"tank": "TK-2"}]
    told = {"number": number, "phase": phase, "kind": "tank_to_tank", "sides": sides, "product": "diesel"}
    return {**told, "partner": "", "since": "2026-11-28T05:00:00.000Z", "waits_for": "", **more}


def test_the_handover_has_what_moves_and_what_is_not_closed(capsys: Capture) -> None:
    answer = {
        "code": 0,
        "lines": [],
        "time": "2026-11-28T06:30:00Z",
        "entries": [],
        "alarms": [],
        "transfers": [
            _transfer(3, "settling", partner="MT Elva", waits_for="the roof of TK-2 is in its critical zone"),
            _transfer(4, "proposed"),
        ],
        "days": {
            "last": {"day": "2026-11-26", "revision": 1},
            "unclosed": [{"day": "2026-11-27", "ended": "2026-11-28T06:00:00.000Z"}],
        },
    }
    with Doors().site("harbour", _line(answer)):
        said = typed(capsys, "enter", "list")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    first = lines.index("Movements that nobody has said what they are")
    assert lines[first + 2] == "4 proposed tank to tank TK-1, TK-2 diesel 2026-11-28 05:00 UTC"
    second = lines.index("Transfers that are open")
    assert lines[second + 2].startswith("3 settling tank to tank TK-1, TK-2 diesel MT Elva 2026-11-28 05:00 UTC")
    assert lines[second + 2].endswith("the roof of TK-2 is in its critical zone")
    third = lines.index("Days that are not closed")
    assert lines[third + 2] == "2026-11-27 2026-11-28 06:00 UTC stock close 2026-11-27"


def test_the_handover_is_by_the_clock_of_the_site(capsys: Capture) -> None:
    """Rome is an hour ahead of UTC in November: a shift changes by the clock on its wall."""
    settling = _transfer(3, "settling", progress={"settled": "2026-11-28T05:45:00.000Z"})
    answer = {
        "code": 0,
        "lines": [],
        "time": "2026-11-28T05:30:00Z",
        "entries": [],
        "alarms": [],
        "transfers": [settling],
        "days": None,
        "time_zone": "Europe/Rome",
    }
    with Doors().site("harbour", _line(answer)):
        said = typed(capsys, "enter", "list")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert lines[0] == "harbour at 2026-11-28 06:30 CET (2026-11-28 05:30 UTC)"
    row = lines[lines.index("Transfers that are open") + 2]
    assert row.endswith("TK-1, TK-2 diesel 2026-11-28 06:00 CET settles until 2026-11-28 06:45 CET")
