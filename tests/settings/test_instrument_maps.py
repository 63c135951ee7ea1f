"""Every map that comes with the program: its blocks are legal and known words become known values."""

import csv
from pathlib import Path
from typing import NamedTuple

import pytest

from gateway.acquisition.polling.blocks import plan_blocks
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.acquisition.signals.register_map import ValueType
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from gateway.resources import config_folder
from gateway.settings.lines.register_maps import BuiltMap, MapLibrary
from gateway.settings.reading.document import Document, Mistakes
from gateway.settings.reading.yaml_tree import parse_yaml

NAMES = sorted(file.stem for file in (config_folder() / "instruments").glob("*.yaml"))


class Row(NamedTuple):
    map: str
    signal: str
    table: Table
    address: int
    words: tuple[int, ...]
    value: str


def _rows() -> list[Row]:
    lines = (Path(__file__).parent / "instrument_maps.csv").read_text(encoding="utf-8").splitlines()
    read = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [
        Row(
            each["map"],
            each["signal"],
            Table(each["table"]),
            int(each["address"]),
            tuple(int(word, 16) for word in each["words"].split()),
            each["value"],
        )
        for each in read
    ]


ROWS = _rows()


def built(name: str) -> BuiltMap:
    root, _ = parse_yaml("site: {}\n", "f.yaml")
    mistakes = Mistakes(Document(root))
    found = MapLibrary(Document(root), mistakes).find(name, ("site",))
    assert mistakes.lines() == ()
    assert found is not None
    return found


def read(name: str, row: Row) -> Reading:
    """The signal of a device that has these words there, and zeros everywhere else."""
    for block in plan_blocks(built(name).map):
        last = block.address + block.count
        if block.table is row.table and block.address <= row.address and row.address + len(row.words) <= last:
            words = [0] * block.count
            words[row.address - block.address : row.address - block.address + len(row.words)] = row.words
            found = {each.signal: each for each in BlockReader("X", block).decode(tuple(words), 0, 0)}
            if row.signal in found:
                return found[row.signal]
    raise AssertionError(f"{name} does not read {row.table} {row.address} for {row.signal}")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.map} {row.signal} {row.value}")
def test_known_words_become_known_values(row: Row) -> None:
    reading = read(row.map, row)
    if row.value == "Bad":
        assert (reading.value, reading.quality) == (None, Quality.BAD)
    elif row.value == "nothing":
        assert (reading.value, reading.quality) == (None, Quality.GOOD)
        assert reading.reason is not None
        assert reading.reason.code == ReasonCode.NONE_DETECTED
    else:
        assert reading.quality is Quality.GOOD
        assert reading.value == pytest.approx(float(row.value), rel=1e-6, abs=1e-9)
    assert reading.raw == row.words


@pytest.mark.parametrize("name", NAMES)
def test_each_map_has_known_values_of_its_first_and_last_signal_of_each_kind(name: str) -> None:
    signals = built(name).map.signals
    known = {row.signal for row in ROWS if row.map == name and row.value not in ("Bad", "nothing")}
    stems: dict[str, list[str]] = {}
    for signal in signals:
        stems.setdefault(signal.name.rstrip("0123456789"), []).append(signal.name)
    for names in stems.values():
        assert {names[0], names[-1]} <= known
    for signal in signals:
        for text in (signal.sentinels and "Bad", signal.none_detected and "nothing"):
            stem = signal.name.rstrip("0123456789")
            assert not text or any(
                row.map == name and row.signal.startswith(stem) and row.value == text for row in ROWS
            )


@pytest.mark.parametrize("name", NAMES)
def test_each_map_is_read_in_legal_blocks_and_says_what_it_measures(name: str) -> None:
    """At most 125 registers or 2,000 bits a request (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4)."""
    found = built(name)
    assert found.map.name == name
    blocks = plan_blocks(found.map)
    assert sorted(signal.name for block in blocks for signal in block.signals) == sorted(found.dimensions)
    for block in blocks:
        assert 1 <= block.count <= (2000 if block.table.holds_bits else 125)
        assert 0 <= block.address <= 65536 - block.count
    for signal in found.map.signals:
        assert (found.dimensions[signal.name] is None) == (signal.type is ValueType.BOOL)


def test_the_kinds_of_instrument_that_a_tank_has_are_there() -> None:
    assert {
        "level_by_ullage_uint32",
        "level_by_innage_uint32",
        "profile_16_int16",
        "profile_16_float32",
        "resistance_multiplexer_16_uint16",
        "analog_inputs_8_microampere",
        "analog_inputs_8_counts",
        "pressure_float32",
        "water_probe_uint16",
        "contacts_16",
        "contacts_16_packed",
        "flow_float32",
    } <= set(NAMES)
