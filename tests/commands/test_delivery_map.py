"""`delivery map`: the document that whoever connects a control system gets, and what a figure is called everywhere."""

import csv
from io import StringIO
from pathlib import Path

import pytest

from gateway.delivery.figure_names import PLACES
from gateway.delivery.postgresql.rows import EVENT_COLUMNS, RECORD_COLUMNS
from gateway.delivery.registers.layout import BLOCK_FIELDS
from gateway.figures import FIGURE_DEFINITIONS
from tests.commands.typed import typed
from tests.settings.yard import PARTS
from tests.support.register_map import RegisterMap

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
NAMES = Path(__file__).parents[2] / "deploy" / "names.md"

Capture = pytest.CaptureFixture[str]


def site(folder: Path, registers: str) -> str:
    file = folder / "site.yaml"
    file.write_text(f"{HEAD}delivery:\n  registers: {registers}\n")
    return str(file)


def test_the_map_of_a_site(tmp_path: Path, capsys: Capture) -> None:
    file = site(tmp_path, "{blocks: {TK-1: 7}, order: CDAB}")
    said = typed(capsys, "delivery", "map", file)
    assert said.code == 0
    assert "| TK-1 | 7 | 2240 | 2241 |" in said.out
    out = tmp_path / "map.csv"
    assert typed(capsys, "delivery", "map", file, "--format", "csv", "--out", str(out)).code == 0
    found = RegisterMap(out.read_bytes().decode())
    assert (found.entry("TK-1", "level.float").address, found.entry("TK-1", "level.float").order) == (2253, "CDAB")
    assert [entry.key for entry in found.of("TK-1")] == [field.key for field in BLOCK_FIELDS]
    again = typed(capsys, "delivery", "map", file, "--out", str(out))
    assert again.code == 2
    assert "the map of another day is not overwritten" in again.err


def test_which_of_several_servers_is_asked_for(tmp_path: Path, capsys: Capture) -> None:
    file = site(tmp_path, '[{name: a, blocks: {TK-1: 1}}, {name: b, address: "127.0.0.1:5503", blocks: {TK-1: 2}}]')
    said = typed(capsys, "delivery", "map", file)
    assert said.code == 2
    assert "choose one by --server: a, b" in said.err
    assert "| TK-1 | 2 | 640 | 641 |" in typed(capsys, "delivery", "map", file, "--server", "b").out
    assert "there is no server of registers 'c'" in typed(capsys, "delivery", "map", file, "--server", "c").err
    (tmp_path / "none").mkdir()
    none = tmp_path / "none" / "site.yaml"
    none.write_text(HEAD)
    said = typed(capsys, "delivery", "map", str(none))
    assert said.code == 2
    assert "serves no registers" in said.err
    assert typed(capsys, "delivery", "map", str(none), "--of", "names").code == 0


def test_the_names_in_the_guide_are_those_of_the_command(capsys: Capture) -> None:
    """Made by: tank-gateway delivery map demo --of names > deploy/names.md"""
    assert typed(capsys, "delivery", "map", "demo", "--of", "names").out == NAMES.read_text("utf-8")


def test_each_name_is_one_that_is_there(capsys: Capture) -> None:
    text = typed(capsys, "delivery", "map", "demo", "--of", "names", "--format", "csv").out
    rows = list(csv.DictReader(StringIO(text)))
    assert tuple(rows[0])[3:] == PLACES
    assert all(rows[0][place] for place in PLACES), "how good a figure is, told of each"
    keys = {field.key for field in BLOCK_FIELDS}
    by_key = {row["key"]: row for row in rows[1:]}
    assert set(by_key) >= {definition.name for definition in FIGURE_DEFINITIONS}
    for definition in FIGURE_DEFINITIONS:
        row = by_key[definition.name]
        assert row["JSON"] == f"figures.{definition.name}"
        assert row["Prometheus"] == definition.metric
    for row in rows[1:]:
        name = row["registers"]
        assert not name or name in keys or f"{name}.float" in keys or any(key.startswith(name[:-1]) for key in keys)
        column = row["SQL"].partition(" ")[0]
        if column.startswith("records."):
            assert column.removeprefix("records.") in RECORD_COLUMNS
        elif column.startswith("events."):
            assert column.removeprefix("events.") in EVENT_COLUMNS
