"""A site's own maps, based on others: what is inherited, changed, left out, moved and repeated."""

from pathlib import Path

import jsonschema
import pytest

from gateway.acquisition.signals.register_map import ByteOrder, InstrumentMap, Signal
from gateway.errors import SettingsError
from gateway.modbus.tables import Table
from gateway.settings import site_schema
from gateway.settings.reading.document import read_document
from tests.settings.yard import PARTS, load

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"


def maps(folder: Path, text: str) -> dict[str, InstrumentMap]:
    """The maps of a site file, by name: an instrument uses each."""
    names = [line.split(":")[0].strip() for line in text.splitlines() if line.startswith("  ") and line[2] != " "]
    site = f"{HEAD}maps:\n{text}\ninstruments:\n"
    for number, name in enumerate(names):
        site += f"  X-{number}: {{line: north, unit: {10 + number}, map: {name}, period: 2 s}}\n"
    settings = load(folder, site)
    jsonschema.Draft202012Validator(site_schema()).validate(read_document(folder / "site.yaml", {})[0].data(()))
    return {each.map.name: each.map for line in settings.lines for each in line.instruments}


def signals(found: InstrumentMap) -> dict[str, Signal]:
    return {signal.name: signal for signal in found.signals}


def test_what_is_not_given_is_inherited_and_what_is_given_is_changed(tmp_path: Path) -> None:
    text = "  mine: {based_on: level_by_ullage_uint32, largest_block: 10, signals: {ullage: {order: DCBA, scale: 1}}}"
    mine = maps(tmp_path, text)["mine"]
    ullage = signals(mine)["ullage"]
    assert (ullage.table, ullage.address, ullage.order, ullage.scale) == (
        Table.HOLDING_REGISTERS,
        0,
        ByteOrder.DCBA,
        1.0,
    )
    assert ullage.sentinels == (0xFFFFFFFF,)
    assert (mine.fault_signals, mine.largest_block) == (("fault",), 10)


def test_a_map_may_be_based_on_one_that_is_based_on_another_whatever_their_order(tmp_path: Path) -> None:
    text = """
  third: {based_on: second, signals: {t1: none}}
  second: {based_on: first, shift: 10, signals: {innage: {scale: 0.01}}}
  first:
    signals:
      innage: {table: input_registers, address: 0, type: int32, unit: m, minimum: 0 m}
      t1: {table: input_registers, address: 2, type: int16, unit: degC}
"""
    found = maps(tmp_path, text)
    assert [signal.address for signal in found["first"].signals] == [0, 2]
    assert [signal.address for signal in found["second"].signals] == [10, 12]
    assert [(signal.name, signal.address, signal.scale) for signal in found["third"].signals] == [("innage", 10, 0.01)]
    assert signals(found["third"])["innage"].minimum == 0.0


def test_a_shift_moves_what_is_inherited_and_not_what_is_given(tmp_path: Path) -> None:
    text = """
  base:
    forbidden: [{table: input_registers, first: 0x10, last: 0x1F}]
    signals: {innage: {table: input_registers, address: 4, type: float32, unit: m}}
  mine:
    based_on: base
    shift: -4
    signals: {t1: {table: input_registers, address: 100, type: int16, unit: degC}}
  moved: {based_on: base, shift: 100, signals: {innage: {address: 0x20}}}
"""
    found = maps(tmp_path, text)
    assert [signal.address for signal in found["mine"].signals] == [0, 100]
    assert found["mine"].forbidden == ((Table.INPUT_REGISTERS, 12, 27),)
    assert [signal.address for signal in found["moved"].signals] == [32]
    assert found["base"].forbidden == ((Table.INPUT_REGISTERS, 16, 31),), "the base itself stays"


def test_a_site_may_change_a_map_under_its_own_name(tmp_path: Path) -> None:
    mine = maps(tmp_path, "  profile_5_int16: {based_on: profile_5_int16, signals: {t: {order: BADC}}}")
    assert {signal.order for signal in mine["profile_5_int16"].signals} == {ByteOrder.BADC}
    assert len(mine["profile_5_int16"].signals) == 5


def test_the_number_of_elements_may_be_changed_and_one_of_them_alone(tmp_path: Path) -> None:
    text = "  mine: {based_on: profile_16_float32, signals: {t7: {minimum: 0 degC}, t3: none, t: {repeat: 10}}}"
    found = signals(maps(tmp_path, text)["mine"])
    assert sorted(found) == sorted(f"t{number}" for number in range(1, 11) if number != 3)
    assert {name: signal.address for name, signal in found.items()} == {name: 2 * (int(name[1:]) - 1) for name in found}
    assert found["t7"].minimum == 0.0
    assert found["t8"].minimum == -60.0


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_the_number_of_elements_may_be_changed_within_one_file_too(tmp_path: Path, order: tuple[int, ...]) -> None:
    """Whatever stands above what, and though the base itself is used: it keeps its own number."""
    texts = [
        "  base: {signals: {t: {table: input_registers, address: 4, type: float32, unit: degC, repeat: 3}}}",
        "  more: {based_on: base, signals: {t: {repeat: 5}, t2: none, t4: {maximum: 90 degC}}}",
        "  wide: {based_on: base, shift: 100, signals: {t: {spacing: 10}}}",
    ]
    found = maps(tmp_path, "\n".join(texts[index] for index in order))
    places = {name: {signal.name: signal.address for signal in each.signals} for name, each in found.items()}
    assert places["base"] == {"t1": 4, "t2": 6, "t3": 8}
    assert places["more"] == {"t1": 4, "t3": 8, "t4": 10, "t5": 12}
    assert places["wide"] == {"t1": 104, "t2": 114, "t3": 124}
    assert signals(found["more"])["t4"].maximum == 90.0


def test_maps_that_come_with_the_program_stay_as_they_are_for_the_next(tmp_path: Path) -> None:
    """An instrument that uses a map unrolls it; another map may be based on the same one before or after."""
    mine = "  mine: {based_on: profile_16_int16, signals: {t: {repeat: 4}}}"
    found = maps(tmp_path, f"{mine}\n  profile_16_int16: {{based_on: profile_16_int16}}")
    assert (len(found["mine"].signals), len(found["profile_16_int16"].signals)) == (4, 16)


def test_an_input_gets_its_span(tmp_path: Path) -> None:
    text = """
  mine:
    based_on: analog_inputs_8_microampere
    signals: {i2: {current_loop: {low: 0 m, high: 12 m}}, i3: {current_loop: {low: 0 bar, high: 10 bar}}}
  wider: {based_on: mine, signals: {i2: {current_loop: {high: 16 m}}}}
"""
    found = maps(tmp_path, text)
    loops = {name: each.loop for name, each in signals(found["mine"]).items() if each.loop is not None}
    assert {name: (loop.low, loop.high) for name, loop in loops.items()} == {"i2": (0.0, 12.0), "i3": (0.0, 1e6)}
    wider = signals(found["wider"])["i2"].loop
    assert wider is not None
    assert (wider.low, wider.high) == (0.0, 16.0), "the other end is inherited"


@pytest.mark.parametrize(
    ("keys", "places"),
    [
        ("table: input_registers, address: 8, type: int16, unit: degC, repeat: 3", [(8, None), (9, None), (10, None)]),
        ("table: input_registers, address: 8, type: float32, unit: degC, repeat: 2", [(8, None), (10, None)]),
        ("table: input_registers, address: 8, type: int64, unit: mm, repeat: 2", [(8, None), (12, None)]),
        (
            "table: input_registers, address: 8, type: int16, unit: degC, repeat: 2, spacing: 20",
            [(8, None), (28, None)],
        ),
        ("table: coils, address: 8, type: bool, repeat: 2", [(8, None), (9, None)]),
        ("table: input_registers, address: 8, type: bool, bit: 3, repeat: 2", [(8, 3), (8, 4)]),
        ("table: input_registers, address: 8, type: bool, bit: 3, repeat: 2, spacing: 1", [(8, 3), (9, 3)]),
        ("table: input_registers, address: 8, type: uint16, bit: 0, bits: 4, unit: '%', repeat: 2", [(8, 0), (8, 4)]),
    ],
)
def test_repeated_signals_stand_one_behind_another(
    tmp_path: Path, keys: str, places: list[tuple[int, int | None]]
) -> None:
    found = maps(tmp_path, f"  mine: {{signals: {{x: {{{keys}}}}}}}")["mine"].signals
    assert [(signal.address, signal.bit) for signal in found] == places
    assert [signal.name for signal in found] == [f"x{number + 1}" for number in range(len(places))]


def test_signals_of_an_instrument_may_be_repeated_too(tmp_path: Path) -> None:
    text = f"""{HEAD}instruments:
  X-1:
    line: north
    unit: 9
    period: 2 s
    signals: {{t: {{table: input_registers, address: 0, type: int16, unit: degC, repeat: 3}}}}
"""
    (line,) = load(tmp_path, text).lines
    (plan,) = [each for each in line.instruments if each.tag == "X-1"]
    assert [signal.name for signal in plan.map.signals] == ["t1", "t2", "t3"]


def test_a_mistake_in_an_inherited_key_is_reported_where_that_key_stands(tmp_path: Path) -> None:
    """Here the tank is too big for the block: the size is this map's, the signal the base's."""
    text = f"{HEAD}maps:\n  mine:\n    based_on: level_int64\n    largest_block: 2\ninstruments:\n"
    text += "  X-1: {line: north, unit: 9, map: mine, period: 2 s}\n"
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    assert caught.value.mistakes == (
        f"{tmp_path}/site.yaml:6: maps.mine.largest_block: 2 is not a block size for this map; give 4 to 125",
    )
    text = text.replace("largest_block: 2", "signals: {innage: {type: uint32}}")
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    (mistake,) = caught.value.mistakes
    assert "config/instruments/level_int64.yaml:10: maps.mine.signals.innage.sentinels: -9223372036854775808" in mistake


def test_an_input_without_a_span_says_what_it_lacks(tmp_path: Path) -> None:
    text = f"""include_from: {PARTS}
include: [{PARTS}/site.yaml, {PARTS}/instruments.yaml, {PARTS}/products.yaml]
instruments:
  X-1: {{line: north, unit: 9, map: analog_inputs_8_microampere, period: 2 s}}
tanks:
  TK-1:
    product: diesel
    shape: {{kind: upright_cylinder, diameter: 8 m, height: 8 m}}
    reference_height: 9 m
    level: {{instrument: X-1, signal: i1, measures: innage}}
    free_water: none
"""
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    assert caught.value.mistakes == (
        f"{tmp_path}/site.yaml:10: tanks.TK-1.level.signal: X-1.i1 is a current; a length is wanted here: give its "
        "signal current_loop, what 4 mA and 20 mA mean",
    )
