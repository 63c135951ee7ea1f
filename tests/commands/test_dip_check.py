"""`dip-check`: directly, through a running gateway, and on a terminal; what it writes and what it refuses."""

import io
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway.commands.operator.running_gateway import fetch_json
from tests.commands.panel import Panel
from tests.commands.typed import Said, typed

Capture = pytest.CaptureFixture[str]

_PEOPLE = ("--tape", "T-14", "--by", "A. Smith", "--witness", "B. Jones")
_DIPS = ("--dip", "9.412 m", "--dip", "9.413 m", "--dip", "9.411 m")


def _check(capsys: Capture, panel: Panel, folder: Path, *words: str, tank: str = "TK-101") -> Said:
    return typed(capsys, "dip-check", panel.site_file, tank, *_PEOPLE, "--folder", str(folder), *words)


def test_a_gauge_that_agrees(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    said = _check(capsys, panel, tmp_path, *_DIPS, "--tolerance", "fine", "--json")
    assert (said.code, said.err) == (0, "")
    record = said.document
    # Ullage of 5.828 m below a reference height of 15.240 m, sent as 58,280 tenths of a millimetre.
    assert [gauge["raw"] for gauge in record["gauge"]] == [[0, 58280]] * 3, "read anew for each dip"
    times = [gauge["time"] for gauge in record["gauge"]]
    assert times == sorted(times)
    assert record["gauge"][0]["level"] == pytest.approx(9.412)
    assert record["mean_dip"] == pytest.approx(9.412)
    assert (record["verdict"], record["applied"], record["proposed_offset_change"]) == ("passed", False, None)
    assert (record["by"], record["witness"], record["tape"]) == ("A. Smith", "B. Jones", "T-14")
    assert record["simulated"] is True
    (kept,) = tmp_path.glob("dip-check-TK-101-*.json")
    assert json.loads(kept.read_text("utf-8")) == record
    text = kept.with_suffix(".txt").read_text("utf-8")
    assert "PASSED: the gauge reads" in text
    assert "dipped by A. Smith, witness B. Jones, tape T-14" in text
    assert "SIMULATED: no real gauge" in text


def test_a_gauge_that_is_off_gets_a_proposal_and_no_more(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    before = Path(panel.site_file).read_text("utf-8")
    dips = ("--dip", "9.350 m", "--dip", "9.350 m", "--dip", "9.350 m")
    said = _check(capsys, panel, tmp_path, *dips, "--tolerance", "inventory")
    assert said.code == 1
    assert said.out.startswith("Do not dip without a permit to work.")
    assert "FAILED: the gauge reads +62.0 mm against the dips, more than 25 mm" in said.out
    assert "Proposed, not applied: offset from 0 mm to -62.0 mm in the site file" in said.out
    assert Path(panel.site_file).read_text("utf-8") == before


@contextmanager
def _with_shell(panel: Panel) -> Iterator[None]:
    """TK-101 with a shell whose table holds at 45 degC: 30.3 degC above the 14.7 degC of its liquid."""
    text = Path(panel.site_file).read_text("utf-8")
    level = "    level: {instrument: LT-101, signal: ullage, measures: ullage}\n"
    assert text.count(level) == 1
    shell = "    shell: {metal: carbon steel, table_temperature: 45 degC, insulated: yes}\n"
    try:
        Path(panel.site_file).write_text(text.replace(level, level + shell), "utf-8")
        yield
    finally:
        Path(panel.site_file).write_text(text, "utf-8")


def test_a_gauge_from_above_is_judged_by_the_level_that_the_gateway_makes_of_it(
    capsys: Capture, panel: Panel, tmp_path: Path
) -> None:
    """15.240 m x 11.16e-6 /degC x -30.3 degC is -5.2 mm of reference height: three dips that were passed at 0.0 mm are
    5.2 mm off the level on the screen, and an offset that was proposed was as much off."""
    with _with_shell(panel):
        with panel.gateway() as daemon:
            said = _check(capsys, panel, tmp_path, *_DIPS, "--tolerance", "fine", "--json")
            shown = {each.inventory.tank: each.inventory.figures.level.value for each in daemon.snapshot().inventories}[
                "TK-101"
            ]
        by_hand = ("--shell-temperature", "14.7 degC", "--tolerance", "fine")
        told = _check(capsys, panel, _folder(tmp_path, "told"), *_DIPS, *by_hand).out
        by_ullage = _check(capsys, panel, _folder(tmp_path, "u"), *(("--ullage", "5.828 m") * 3), *by_hand).out
    record = said.document
    grown = 15.240 * (1.0 + 1.116e-5 * (14.7 - 45.0))
    assert record["reference_height"] == pytest.approx(grown, abs=1e-9)
    assert record["mean_gauge"] == pytest.approx(grown - 5.828, abs=1e-9)
    assert record["mean_gauge"] == pytest.approx(shown, abs=1e-9)
    assert (said.code, record["verdict"]) == (1, "failed")
    assert record["proposed_offset_change"] == pytest.approx(9.412 - (grown - 5.828), abs=1e-9)
    assert "reference height 15.2348 m with the shell at 14.7 degC: 15.2400 m at 45 degC, API MPMS 3.1B" in told
    assert "FAILED: the gauge reads -5.2 mm against the dips, more than 4 mm" in told
    assert "PASSED: the gauge reads +0.0 mm" in by_ullage, "what moves both moves neither"


def test_a_shell_whose_temperature_nobody_knows_is_asked_for(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    with _with_shell(panel):
        said = _check(capsys, panel, tmp_path, *_DIPS, "--tolerance", "fine")
    assert said.code == 2
    assert (
        "moves the reference point by 1.7 mm for each 10 degC (API MPMS 3.1B), and its temperature is not" in said.err
    )
    assert "give --shell-temperature '31 degC', or dip as the gauge measures" in said.err
    assert not list(tmp_path.glob("dip-check*"))


def test_a_folder_that_is_not_there_is_told_before_anybody_dips(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    """The verdict of three dips was lost with the record that could not be written."""
    said = _check(capsys, panel, tmp_path / "gone", *_DIPS, "--tolerance", "fine")
    assert (said.code, said.out) == (2, "")
    assert "gone' is not there, and the record goes there\n  hint: make it first, or name another" in said.err
    (tmp_path / "file").touch()
    said = _check(capsys, panel, tmp_path / "file", *_DIPS, "--tolerance", "fine")
    assert (said.code, "file' is no folder" in said.err) == (2, True)


def _folder(parent: Path, name: str) -> Path:
    (parent / name).mkdir()
    return parent / name


def test_dips_that_differ_are_no_measurement(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    dips = ("--dip", "9.405 m", "--dip", "9.412 m", "--dip", "9.412 m")
    said = _check(capsys, panel, tmp_path, *dips, "--tolerance", "fine")
    assert said.code == 1
    assert "INVALID: the dips differ by 7.0 mm, more than 3 mm: dip again" in said.out


def test_ullage_by_hand_in_feet_and_inches(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    # Reference height 49 ft 6 in; innage 31 ft 7-5/16 in leaves 17 ft 10-11/16 in.
    dips = ("--ullage", "17'10-11/16\"") * 3
    said = _check(capsys, panel, tmp_path, *dips, "--tolerance", "fine", "--json", tank="D-1")
    assert said.code == 0
    assert said.document["gauge"][0]["raw"] == [6069]
    assert said.document["difference"] == pytest.approx(0.0, abs=1e-9)


def test_dips_asked_for_on_a_terminal_read_the_gauge_each_time(
    capsys: Capture, panel: Panel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("9.412 m\n9412\n99 m\n9.412 m\n9.413 m\n"))
    said = _check(capsys, panel, tmp_path, "--tolerance", "fine")
    assert said.code == 0
    assert "dip: '9412' has no unit; a length is wanted, for example 9412 mm" in said.out
    assert "a dip of 99 m is not within tank TK-101; its reference height is 15.24 m" in said.out
    (kept,) = tmp_path.glob("dip-check-TK-101-*.json")
    assert len(json.loads(kept.read_text("utf-8"))["gauge"]) == 3


def test_a_running_gateway_lends_its_words(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    with panel.gateway():
        said = _check(capsys, panel, tmp_path, *_DIPS, "--tolerance", "fine", "--json")
        by_pressure = _check(
            capsys, panel, tmp_path, *(("--dip", "4.870 m") * 3), "--tolerance", "fine", "--json", tank="C-7"
        )
    assert said.code == 0
    assert said.document["gauge"][0]["words_from"] == f"LT-101 by the gateway at 127.0.0.1:{panel.web_port}"
    # 68.15 kPa in hundredths; the level of 4.870 m is that of the printed state.
    assert by_pressure.document["gauge"][0]["raw"] == [6815]
    assert by_pressure.document["gauge"][0]["level"] == pytest.approx(4.870, abs=0.001)
    assert by_pressure.document["gauge"][0]["quality"] == "Good", by_pressure.document


def test_a_sheet_that_nobody_keeps_up_to_date_is_no_gauge(
    capsys: Capture, panel: Panel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Polling goes on and the calculation hangs: the sheet is an hour old by the gateway's own clock."""

    def an_hour_later(address: str, path: str, schema: str, timeout_s: float) -> dict[str, Any]:
        document = fetch_json(address, path, schema, timeout_s)
        later = datetime.fromisoformat(document["time"]) + timedelta(hours=1)
        return {**document, "time": later.isoformat()}

    monkeypatch.setattr("gateway.commands.technician.gauge_source.fetch_json", an_hour_later)
    with panel.gateway():
        said = _check(capsys, panel, tmp_path, *(("--dip", "4.870 m") * 3), "--tolerance", "fine", tank="C-7")
    assert said.code == 1
    assert "keeps no sheet of C-7 up to date: its last sheet is of " in said.err
    assert not list(tmp_path.glob("dip-check-*"))


def test_a_level_from_a_pressure_needs_a_gateway(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    said = _check(capsys, panel, tmp_path, *(("--dip", "4.870 m") * 3), "--tolerance", "fine", tank="C-7")
    assert said.code == 1
    assert said.err == (
        "tank-gateway: the level of C-7 is calculated from a pressure, by a running gateway: "
        f"no gateway at 127.0.0.1:{panel.web_port}: connection refused\n"
        "  hint: start one with `tank-gateway run SITE`\n"
    )


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (_DIPS[:4], "2 dips were given\n  hint: give --dip (or --ullage) 3 times"),
        ((), "no dip was given, and there is no terminal to ask on\n  hint: give --dip (or --ullage) three times"),
        (
            ("--dip", "16 m") * 3,
            "a dip of 16 m is not within tank TK-101\n  hint: its reference height is 15.24 m",
        ),
        (
            (*_DIPS, "--witness", "a. smith"),
            "--witness: a. smith is the one who dips\n  hint: a witness is someone else",
        ),
    ],
)
def test_wrong_use(capsys: Capture, panel: Panel, tmp_path: Path, words: tuple[str, ...], expected: str) -> None:
    said = _check(capsys, panel, tmp_path, "--tolerance", "fine", *words)
    assert (said.code, said.out) == (2, "")
    assert said.err == f"tank-gateway: {expected}\n"
    assert not list(tmp_path.glob("dip-check-*"))


def test_whoever_dips_is_told_where_the_table_counts_from(
    capsys: Capture, panel: Panel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a tape on a plate 62 mm above the floor, from which the table counts, a sound gauge is 62 mm off."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    text = Path(panel.site_file).read_text("utf-8")
    shape = "    shape: {kind: upright_cylinder, diameter: 18.000 m, height: 14.600 m}\n"
    level = "    level: {instrument: LT-101, signal: ullage, measures: ullage}\n"
    assert text.count(level) == 1 <= text.count(shape)
    start = text.index("  TK-101:")
    table = (Path(panel.site_file).parent / "floor.csv", "floor.csv")
    rows = "# name: F\n# level: m\n# volume: m3\n# datum: tank floor\n# date: not stated\n"
    rows += "# reference temperature: not stated\n# liquid head: not included\n"
    rows += "# roof: not included\n# heel: none\nlevel,volume\n0,0\n14.6,3715.2\n"
    table[0].write_text(rows, "utf-8")
    changed = text[start:].replace(shape, f"    capacity_table: {table[1]}\n", 1)
    try:
        Path(panel.site_file).write_text(text[:start] + changed, "utf-8")
        said = _check(capsys, panel, tmp_path, *_DIPS, "--tolerance", "fine")
        monkeypatch.setattr(sys, "stdin", Terminal("9.412 m\n9.412 m\n9.412 m\n"))
        asked = _check(capsys, panel, _folder(tmp_path, "asked"), "--tolerance", "fine")
    finally:
        Path(panel.site_file).write_text(text, "utf-8")
    assert said.code == 0, said.err
    assert "dips and gauge above the zero of the capacity table: tank floor\n" in said.out
    assert "Dip 1 of 3, innage above the tank floor with its unit: " in asked.out
