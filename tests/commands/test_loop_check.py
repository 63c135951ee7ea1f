"""`loop-check` against simulated analog inputs: directly, through a running gateway, and with a loop that is off."""

import io
import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.commands.technician import loop_check
from tests.commands.panel import Panel, foreign_server
from tests.commands.typed import typed
from tests.support.wire import WireRecorder

Capture = pytest.CaptureFixture[str]

_BY = ("--by", "A. Smith", "--calibrator", "CAL-7")
_QUICK = ("--reads", "2", "--every", "0.01 s")


def _site(folder: Path, port: int) -> str:
    path = folder / "loops.yaml"
    path.write_text(
        f"""site: {{name: loops, time_zone: UTC}}
lines:
  io: {{address: 127.0.0.1:{port}}}
instruments:
  IO-1:
    line: io
    unit: 1
    period: 1 s
    signals:
      innage:
        table: holding_registers
        address: 0
        type: uint16
        unit: uA
        current_loop: {{low: 0 m, high: 8 m}}
      plain: {{table: holding_registers, address: 1, type: uint16, unit: mm}}
products:
  diesel:
    method: expansion_coefficient
    expansion: 0.000846 /degC
    reference_temperature: 15 degC
    reference_density: {{value: 838.0 kg/m3}}
tanks:
  T-1:
    product: diesel
    shape: {{kind: upright_cylinder, diameter: 6 m, height: 8 m}}
    reference_height: 8.350 m
    level: {{instrument: IO-1, signal: innage, measures: innage}}
    free_water: none
    limits: {{minimum: 0.3 m, maximum_working: 7.2 m, high_high: 7.4 m, critical_high: 7.6 m}}
""",
        "utf-8",
    )
    return str(path)


def test_one_point_without_a_terminal(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    # The simulated level of 3.055 m stands for 10.110 mA (4-20 mA = 0-8 m).
    words = ("loop-check", panel.site_file, "IO-BO5", "innage", *_BY, *_QUICK, "--folder", str(tmp_path))
    said = typed(capsys, *words, "--at", "10.11 mA", "--json")
    assert said.code == 0
    record = said.document
    assert (record["passed"], record["by"], record["calibrator"]) == (True, "A. Smith", "CAL-7")
    assert record["simulated"] is True
    (point,) = record["points"]
    assert [read["raw"] for read in point["reads"]] == [[10_110], [10_110]]
    assert point["mean_ma"] == pytest.approx(10.11)
    assert point["reads"][0]["value"] == pytest.approx(3.055)
    assert point["error"] == pytest.approx(0.0, abs=1e-9)
    (kept,) = tmp_path.glob("loop-check-IO-BO5-innage-*.json")
    assert json.loads(kept.read_text("utf-8")) == record
    text = kept.with_suffix(".txt").read_text("utf-8")
    assert "SIMULATED: no real loop" in text
    assert "PASSED: every read lies within the tolerance" in text
    assert "Not tried: 4 mA, 12 mA, 20 mA. What was found says nothing of the loop there." in text
    assert record["not_tried_ma"] == [4.0, 12.0, 20.0]
    assert "not for custody transfer" in text


def test_a_loop_that_is_off_fails(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    words = ("loop-check", panel.site_file, "IO-BO5", "innage", *_BY, *_QUICK, "--folder", str(tmp_path))
    said = typed(capsys, *words, "--at", "10 mA")
    assert said.code == 1
    assert "10 mA: 10.110 mA read, FAILED: off by +0.69% of the span, more than 0.50%" in said.out
    assert "FAILED: out of tolerance at 10 mA" in said.out
    assert said.out.startswith("Tell the control room first:")


def test_three_points_asked_for_on_a_terminal(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("\n\n\n"))
    with foreign_server([12_000]) as port:
        site = _site(tmp_path, wire_recorder(port).port)
        said = typed(capsys, "loop-check", site, "IO-1", "innage", "--by", "B", *_QUICK, "--folder", str(tmp_path))
    assert said.code == 1
    for current in ("4 mA", "12 mA", "20 mA"):
        assert f"Feed {current}, wait until it is steady, then press Enter: " in said.out
    assert "12 mA: 12.000 mA read, passed" in said.out
    assert "FAILED: the words stayed the same at every current: this is not the channel that is fed" in said.out


def test_pauses_in_place_of_a_terminal(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    with foreign_server([12_000]) as port:
        site = _site(tmp_path, wire_recorder(port).port)
        words = ("loop-check", site, "IO-1", "innage", "--by", "B", *_QUICK, "--folder", str(tmp_path))
        said = typed(capsys, *words, "--pause", "0.01 s")
    assert said.code == 1
    assert said.err.splitlines() == [f"feed {current} mA: reading in 0.01 s" for current in (4, 12, 20)]


def test_a_running_gateway_lends_its_words(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    words = ("loop-check", panel.site_file, "IO-BO5", "innage", *_BY, "--reads", "1", "--folder", str(tmp_path))
    with panel.gateway():
        said = typed(capsys, *words, "--at", "10.11 mA", "--json")
    assert said.code == 0
    assert said.document["words_from"] == f"IO-BO5 by the gateway at 127.0.0.1:{panel.web_port}"
    assert said.document["points"][0]["reads"][0]["raw"] == [10_110]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (
            ("IO-1", "plain", "--by", "B"),
            "signal 'plain' of IO-1 is not a current loop\n  hint: its current loops: innage",
        ),
        (("IO-1", "level", "--by", "B"), "instrument IO-1 has no signal 'level'\n  hint: its signals: innage, plain"),
        (
            ("IO-1", "innage", "--by", "B", "--at", "3 mA"),
            "--at: 3 mA is outside what a loop measures (NAMUR NE 43: 3.8 to 20.5 mA)\n  hint: give for example 12 mA",
        ),
        (
            ("IO-1", "innage", "--by", "B"),
            "there is no terminal to ask for the next current on\n"
            "  hint: give one --at, or --pause to change the current in",
        ),
        (("IO-1", "innage"), "the following arguments are required: --by\n  hint: tank-gateway loop-check --help"),
    ],
)
def test_wrong_use(capsys: Capture, tmp_path: Path, words: tuple[str, ...], expected: str) -> None:
    said = typed(capsys, "loop-check", _site(tmp_path, 502), *words)
    assert (said.code, said.out) == (2, "")
    assert said.err == f"tank-gateway: {expected}\n"


def test_a_folder_that_is_not_there_is_told_before_a_current_is_fed(
    capsys: Capture, panel: Panel, tmp_path: Path
) -> None:
    words = ("loop-check", panel.site_file, "IO-BO5", "innage", *_BY, *_QUICK, "--at", "10.11 mA", "--json")
    said = typed(capsys, *words, "--folder", str(tmp_path / "gone"))
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith(f"tank-gateway: --folder: '{tmp_path / 'gone'}' is not there, and the record goes there")


def test_a_record_that_cannot_be_kept_is_printed(
    capsys: Capture, panel: Panel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder was there when the check began. What was fed is not fed again for the sake of a file."""
    monkeypatch.setattr(loop_check, "check_folder", lambda folder: None)
    words = ("loop-check", panel.site_file, "IO-BO5", "innage", *_BY, *_QUICK, "--at", "10.11 mA", "--json")
    said = typed(capsys, *words, "--folder", str(tmp_path / "gone"))
    assert said.code == 1
    assert said.err.startswith(f"tank-gateway: the record {tmp_path / 'gone'}/loop-check-IO-BO5-innage-")
    assert said.err.endswith(".json cannot be written: no such file or directory\n")
    assert (said.document["instrument"], said.document["passed"]) == ("IO-BO5", True)
