"""Whatever is typed wrongly: exit code 2, a sentence that names it, never a traceback and never a usage of ten lines.
What was typed rightly and cannot be done is 1."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.command_line import COMMANDS, main
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]
_BY = ("--by", "A. Smith")
_DIPPED = ("--tape", "T", *_BY, "--witness", "B", "--tolerance", "fine")
_NOBODY = "127.0.0.1:1"

# Each command with what it needs, FILE in the place of a file that it reads.
FILES: dict[str, tuple[str, ...]] = {
    "run": ("run", "FILE"),
    "check": ("check", "FILE"),
    "show": ("show", "--broker", "FILE"),
    "dip": ("dip", "FILE", "TK-1", "--level", "1 m"),
    "table check": ("table", "check", "FILE"),
    "table convert": ("table", "convert", "FILE", "--out", "NEW"),
    "table preview": ("table", "preview", "FILE", "FILE"),
    "registers": ("registers", "FILE", "LT-1"),
    "scan": ("scan", "FILE", "line"),
    "replay": ("replay", "FILE", "--for", "1 s"),
    "loop-check": ("loop-check", "FILE", "LT-1", "innage", *_BY),
    "dip-check": ("dip-check", "FILE", "TK-1", *_DIPPED, "--dip", "1 m"),
    "line-report": ("line-report", "FILE", "--for", "1 s"),
    "recalculate": ("recalculate", "demo", "TK-101", "--records", "FILE", "--out", "NEW"),
    "delivery map": ("delivery", "map", "FILE"),
    "ledger check": ("ledger", "check", "FILE"),
    "ledger export": ("ledger", "export", "FILE", "--out", "NEW"),
    "ledger verify": ("ledger", "verify", "FILE"),
    "ledger alarms": ("ledger", "alarms", "FILE"),
    "ledger audit": ("ledger", "audit", "FILE"),
    "ledger backup": ("ledger", "backup", "FILE", "--out", "NEW"),
    "ledger prune": ("ledger", "prune", "FILE", "--before", "2026-03-01", "--yes"),
    "report": ("report", "stock", "FILE"),
    "simulate": ("simulate", "FILE"),
    "stock import": ("stock", "import", "FILE"),
}
WRONG: tuple[tuple[str, ...], ...] = (
    ("show", "--address", "nowhere"),
    ("show", "--address", "127.0.0.1:99999"),
    ("show", "--address", _NOBODY, "--broker", "demo"),
    ("show", "--columns", "level,everything"),
    ("show", "--units", "furlongs"),
    ("line-report", "--address", "nowhere"),
    ("line-report", "--for", "5"),
    ("line-report", "demo", "--line", "nowhere"),
    ("registers", _NOBODY, "--unit", "256"),
    ("registers", _NOBODY, "--gateway", "nowhere"),
    ("registers", "demo", "LT-9"),
    ("scan", _NOBODY, "--units", "9-1"),
    ("scan", "demo", "nowhere"),
    ("record", "nowhere", "--file", "NEW"),
    ("dip", "demo", "TK-101"),
    ("dip", "demo", "TK-101", "--level", "9.4"),
    ("dip", "demo", "TK-9", "--level", "9.4 m"),
    ("dip", "demo", "TK-101", "--level", "9.4 m", "--at", "yesterday"),
    ("table", "polish"),
    ("table", "make", "--kind", "cube", "--step", "1 m", "--out", "NEW"),
    ("loop-check", "demo", "IO-BO5", "innage", *_BY, "--at", "12 m"),
    ("dip-check", "demo", "TK-101", *_DIPPED, "--dip", "9.4"),
    ("loop-check", "demo", "IO-BO5", "innage", *_BY, "--at", "12 mA", "--folder", "nowhere"),
    ("dip-check", "demo", "TK-101", *_DIPPED, *("--dip", "9.4 m") * 3, "--folder", "nowhere"),
    ("schema", "tank"),
    ("ledger", "polish", "demo"),
    ("ledger", "export", "demo", "--from", "yesterday", "--out", "NEW"),
    ("ledger", "export", "demo", "--from", "2026-03-02", "--until", "2026-03-01", "--out", "NEW"),
    ("ledger", "export", "demo", "--format", "xml"),
    ("ledger", "audit", "demo", "--from", "yesterday"),
    ("ledger", "alarms", "demo", "--from", "2026-03-02", "--until", "2026-03-01"),
    ("ledger", "prune", "demo"),
    ("ledger", "prune", "demo", "--also-needed"),
    ("alarms", "--address", "nowhere"),
    ("transfers", "--address", "nowhere"),
    ("transfers", "stop", "3"),
    ("transfers", "start"),
    ("transfers", "start", "reciept", "--into", "TK-101"),
    ("transfers", "finish", "TK-101"),
    ("transfers", "change", "3"),
    ("transfers", "cancel", "3"),
    ("transfers", "reverse", "12"),
    ("transfers", "--all", "finish", "3"),
    ("stock", "--address", "nowhere"),
    ("stock", "sell"),
    ("stock", "amount", "receipt", "boat", "diesel", "1 m3", "--measure", "gsv"),
    ("stock", "amount", "receipt", "ship", "diesel", "1 m3"),
    ("stock", "reverse", "12"),
    ("stock", "--day", "2026-03-01", "close"),
    ("report",),
    ("report", "reconcilation"),
    ("report", "ticket", "demo"),
    ("report", "stock", "demo", "--ticket", "3"),
    ("report", "stock", "demo", "--out", "x.doc"),
    ("report", "stock", "demo", "--format", "doc"),
    ("enter",),
    ("enter", "polish"),
    ("enter", "dip"),
    ("enter", "density", "TK-101"),
    ("enter", "withdraw", "TK-101", "level"),
    ("enter", "withdraw", "TK-101", "everything", "--why", "x"),
    ("enter", "maintenance", "LT-101", "--for", "4 h"),
    ("enter", "shelve", "TK-101", "high_high", "--why", "x"),
    ("simulate", "paint_works", "--port", "yard"),
    ("demo", "--units", "furlongs"),
)
CANNOT: tuple[tuple[str, ...], ...] = (
    ("show", "--address", _NOBODY),
    ("line-report", "--address", _NOBODY),
    ("registers", _NOBODY),
    ("scan", _NOBODY, "--units", "1"),
    ("loop-check", "demo", "IO-BO5", "innage", *_BY, "--at", "12 mA", "--folder", "FOLDER"),
    ("show", "--broker", "demo"),
    ("alarms", "--address", _NOBODY),
    ("transfers", "--address", _NOBODY),
    ("transfers", "finish", "3"),
    ("stock", "--address", _NOBODY),
    ("stock", "--day", "2026-03-01"),
    ("stock", "close"),
    ("report", "stock"),
    ("report", "overrides"),
    ("enter", "list"),
    ("enter", "dip", "TK-101", "9.412 m"),
)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path) -> Iterator[None]:
    """What a command writes by mistake must not lie in the repository."""
    before = Path.cwd()
    os.chdir(tmp_path)
    yield
    os.chdir(before)


def _filled(words: tuple[str, ...], tmp_path: Path, file: Path | None = None) -> list[str]:
    places = {"FILE": str(file), "NEW": str(tmp_path / "new"), "FOLDER": str(tmp_path)}
    return [places.get(word, word) for word in words]


def _told(said_out: str, said_err: str, longest: int = 5) -> str:
    everything = said_out + said_err
    assert "Traceback" not in everything
    assert everything.strip(), "nothing was said"
    assert len(everything.splitlines()) <= longest, everything
    return everything


def test_every_command_that_reads_a_file_is_tried() -> None:
    without_files = {"alarms", "demo", "enter", "people", "reload", "schema", "record", "table", "transfers"}
    assert {words[0] for words in FILES.values()} == (COMMANDS.keys() - without_files) | {"table"}


@pytest.mark.parametrize("words", FILES.values(), ids=FILES.keys())
@pytest.mark.parametrize("kind", ["missing", "folder", "rubbish", "empty", "nul"])
def test_a_file_that_is_none(capsys: Capture, tmp_path: Path, words: tuple[str, ...], kind: str) -> None:
    file = tmp_path / kind
    match kind:
        case "missing":
            pass
        case "folder":
            file.mkdir()
        case "rubbish":
            file.write_bytes(bytes(range(128, 256)) * 4)
        case "empty":
            file.write_bytes(b"")
        case _:
            file.write_bytes(b"\0" * 64)
    said = typed(capsys, *_filled(words, tmp_path, file))
    assert said.code == 2, said
    # A capacity table of nothing lacks each line of its head.
    assert kind in _told(said.out, said.err, longest=11), "it names the file"
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("words", WRONG, ids=" ".join)
def test_what_is_typed_wrongly(capsys: Capture, tmp_path: Path, words: tuple[str, ...]) -> None:
    said = typed(capsys, *_filled(words, tmp_path))
    assert said.code == 2, said
    _told(said.out, said.err)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("words", CANNOT, ids=" ".join)
def test_what_cannot_be_done(capsys: Capture, tmp_path: Path, words: tuple[str, ...]) -> None:
    said = typed(capsys, *_filled(words, tmp_path))
    assert said.code == 1, said
    assert "Traceback" not in said.err
    assert said.err.startswith("tank-gateway: ")


@pytest.mark.parametrize("command", COMMANDS)
def test_an_option_that_is_not_there(capsys: Capture, command: str) -> None:
    said = typed(capsys, command, "demo", "--furlongs")
    assert said.code == 2
    _told(said.out, said.err)


def test_the_hint_is_the_help_of_the_command_that_was_typed(capsys: Capture) -> None:
    said = typed(capsys, "show", "--colour")
    assert said.err == "tank-gateway: not understood: --colour\n  hint: tank-gateway show --help\n"


def test_http_before_an_address_is_no_mistake(capsys: Capture) -> None:
    """As it is copied from a browser."""
    said = typed(capsys, "show", "--address", f"http://{_NOBODY}/")
    assert said.code == 1
    assert f"no gateway at {_NOBODY}: " in said.err


@pytest.mark.parametrize("command", [command for command in COMMANDS if command not in ("demo", "table")])
def test_each_help_has_an_example_to_copy(capsys: Capture, command: str) -> None:
    with pytest.raises(SystemExit):
        main([command, "--help"])
    out = capsys.readouterr().out
    assert f"tank-gateway {command} " in out.partition("Example")[2] or f"tank-gateway {command}\n" in out
