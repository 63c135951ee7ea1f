"""Words that may be another request's answer: `registers` says so and matches no dip to them, records refuse them."""

from pathlib import Path
from typing import Any

import pytest

from gateway.acquisition.links.answer_doubts import Doubt
from gateway.acquisition.links.link import DOUBT_CODES, DoubtedWords
from gateway.commands.technician.device import Asker
from gateway.modbus.tables import Table
from gateway.payload import readings
from gateway.records import Reading
from tests.commands.panel import Panel
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]
_DOUBT = Doubt.UNPROVEN.value
_PEOPLE = ("--tape", "T-14", "--by", "A. Smith", "--witness", "B. Jones")


def _folder(tmp_path: Path) -> str:
    folder = tmp_path / "r"
    folder.mkdir()
    return str(folder)


@pytest.fixture
def in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every answer to a tool is the right one, of a line that has not proved to be in step."""
    asked = Asker.try_read

    async def doubting(self: Asker, unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        return DoubtedWords.of(await asked(self, unit, table, address, count), _DOUBT)

    monkeypatch.setattr(Asker, "try_read", doubting)


@pytest.fixture
def gateway_in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same of what a gateway lends."""
    made = readings._reading

    def doubting(reading: Reading, units: Any) -> dict[str, Any]:
        told = made(reading, units)
        return {**told, "quality": "Uncertain", "reason": {"code": str(_DOUBT.code), "text": f"LT: {_DOUBT.text}"}}

    monkeypatch.setattr(readings, "_reading", doubting)


def test_the_reasons_of_every_doubt_are_known_as_such() -> None:
    assert {doubt.value.code for doubt in Doubt} == DOUBT_CODES


@pytest.mark.usefixtures("in_doubt")
def test_registers_says_it_above_the_words_and_beside_each_signal(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "registers", panel.site_file, "LT-101")
    assert said.code == 0
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    where = lines.index("holding registers 0 to 1")
    assert lines[where + 1] == f"DOUBTED: {_DOUBT.text}"
    assert f"ullage holding registers 0 uint32 ABCD 5.828 m Uncertain {_DOUBT.text}" in lines


@pytest.mark.usefixtures("in_doubt")
def test_no_dip_is_matched_to_them(capsys: Capture, panel: Panel) -> None:
    words = ("registers", panel.site_file, "LT-101", "--dip", "9.412 m", "--reference-height", "15.24 m")
    said = typed(capsys, *words)
    assert said.code == 1
    assert "NOT MATCHED to the dip: these words are doubted" in said.out
    made = typed(capsys, *words, "--json")
    assert made.code == 1
    assert "dip_match" not in made.document
    assert [read["doubt"] for read in made.document["reads"]] == [_DOUBT.text] * 2
    assert {signal["quality"] for signal in made.document["signals"]} == {"Uncertain"}


@pytest.mark.usefixtures("in_doubt")
def test_watch_says_it_of_each_round(capsys: Capture, panel: Panel) -> None:
    said = typed(
        capsys, "registers", panel.addresses["yard-1"], "--count", "2", "--watch", "--times", "3", "--every", "100 ms"
    )
    assert said.out.count("DOUBTED: ") == 3


@pytest.mark.usefixtures("gateway_in_doubt")
def test_words_lent_by_a_gateway_keep_its_doubt(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    with panel.gateway():
        said = typed(capsys, "registers", panel.site_file, "LT-101", "--dip", "9.412 m")
        dips = ("--dip", "9.412 m", "--dip", "9.413 m", "--dip", "9.411 m", "--tolerance", "fine")
        record = typed(capsys, "dip-check", panel.site_file, "TK-101", *_PEOPLE, *dips, "--folder", _folder(tmp_path))
    assert said.code == 1
    assert said.out.count(f"DOUBTED: LT: {_DOUBT.text}") == 2
    assert "NOT MATCHED to the dip" in said.out
    assert record.code == 1
    assert f"{_DOUBT.text}; nothing is recorded" in record.err
    assert not list(tmp_path.glob("r/*"))


@pytest.mark.usefixtures("in_doubt")
def test_no_record_rests_on_them(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    dips = ("--dip", "9.412 m", "--dip", "9.413 m", "--dip", "9.411 m", "--tolerance", "fine")
    said = typed(capsys, "dip-check", panel.site_file, "TK-101", *_PEOPLE, *dips, "--folder", _folder(tmp_path))
    assert said.code == 1
    assert f"{_DOUBT.text}; nothing is recorded\n  hint: try again" in said.err
    assert not list(tmp_path.glob("r/*"))
