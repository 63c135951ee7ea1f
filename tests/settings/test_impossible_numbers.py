"""A float read in the wrong byte order is no number of its quantity: it is never Good as one.

The bytes are moved here from the definitions of the orders alone: C and D before A and B, B before A and D before C,
and all of them backwards. It shares nothing with the decoder.
"""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.blocks import plan_blocks
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.acquisition.signals.decode import Decoded, signal_decoder
from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.records import Quality, ReasonCode
from gateway.settings.lines.register_maps import MapLibrary
from gateway.settings.reading.document import Document, Mistakes
from gateway.settings.reading.yaml_tree import parse_yaml

# What a quantity can be at a tank, in SI: (nothing but zero is smaller, nothing is lower, nothing is higher, SI in 1).
PLAUSIBLE = {
    "m": (1e-6, -1e3, 1e3, 1.0),
    "mm": (1e-6, -1e3, 1e3, 0.001),
    "degC": (1e-6, -200.0, 600.0, 1.0),
    "kPa": (1e-3, -110e3, 100e6, 1000.0),
    "mbar": (1e-3, -110e3, 100e6, 100.0),
    "m3/h": (1e-9, -100.0, 100.0, 1 / 3600),
    "s": (1e-6, -1e300, 1e300, 1.0),
}
FORMATS = {"float32": ">f", "float64": ">d"}
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


def built(kind: str, order: str, unit: str, **keys: str) -> InstrumentMap:
    more = "".join(f", {key}: {value}" for key, value in keys.items())
    text = f"""maps:
  x:
    signals:
      s: {{table: input_registers, address: 0, type: {kind}, order: {order}, unit: {unit}{more}}}
"""
    root, _ = parse_yaml(text, "f.yaml")
    document = Document(root)
    mistakes = Mistakes(document)
    found = MapLibrary(document, mistakes).find("x", ("maps",))
    assert found is not None, mistakes.lines()
    return found.map


MAPS = {(kind, order, unit): built(kind, order, unit) for kind in FORMATS for order in ORDERS for unit in PLAUSIBLE}


def sent(number: float, kind: str, order: str) -> tuple[int, ...]:
    data = struct.pack(FORMATS[kind], number)
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order == "CDAB":
        pairs = pairs[::-1]
    elif order == "BADC":
        pairs = [pair[::-1] for pair in pairs]
    elif order == "DCBA":
        pairs = [pair[::-1] for pair in pairs[::-1]]
    return tuple(int.from_bytes(pair) for pair in pairs)


def read(found: InstrumentMap, words: tuple[int, ...]) -> Decoded:
    """By both ways of decoding, which must say the same."""
    (block,) = plan_blocks(found)
    (reading,) = BlockReader("X", block).decode(words, 0, 0)
    decoded = signal_decoder(found.signals[0])(words)
    why = decoded.reason
    # Who reads a block knows the instrument too.
    told = None if why is None else (why.code, f"X.{why.text}")
    because = None if reading.reason is None else (reading.reason.code, reading.reason.text)
    assert (reading.value, reading.quality, because) == (decoded.value, decoded.quality, told)
    return decoded


@given(
    kind=st.sampled_from(sorted(FORMATS)),
    unit=st.sampled_from(sorted(PLAUSIBLE)),
    steps=st.integers(-2000, 20_000),
    step=st.sampled_from([0.001, 0.01, 0.1, 0.5, 1.0]),
    sends=st.sampled_from(ORDERS),
    reads=st.sampled_from(ORDERS),
)
def test_a_value_read_in_any_order_is_good_only_where_its_quantity_can_be_so(
    kind: str, unit: str, steps: int, step: float, sends: str, reads: str
) -> None:
    decoded = read(MAPS[kind, reads, unit], sent(steps * step, kind, sends))
    least, lowest, highest, factor = PLAUSIBLE[unit]
    if decoded.quality is Quality.GOOD:
        assert decoded.value is not None
        assert decoded.value == 0.0 or abs(decoded.value) >= least * 0.999
        assert lowest <= decoded.value <= highest
    else:
        assert decoded.value is None
    if sends == reads and lowest < steps * step * factor < highest:
        assert decoded.quality is Quality.GOOD


@pytest.mark.parametrize("reads", ["CDAB", "BADC", "DCBA"])
def test_eight_metres_with_their_bytes_elsewhere_are_no_empty_tank(reads: str) -> None:
    """8.0 as IEEE 754 binary32 is 41000000h: moved about 00004100h, 00410000h and 00000041h, all of them subnormal,
    2.3e-41, 6.0e-39 and 9.1e-44."""
    decoded = read(MAPS["float32", reads, "m"], sent(8.0, "float32", "ABCD"))
    assert (decoded.value, decoded.quality) == (None, Quality.BAD)
    assert decoded.reason is not None
    assert decoded.reason.code is ReasonCode.IMPOSSIBLE_NUMBER
    assert decoded.reason.text.endswith("which is too little to be measured: see to the byte order")


@pytest.mark.parametrize("reads", ["CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("kind", sorted(FORMATS))
def test_fourteen_degrees_with_their_bytes_elsewhere_are_not_zero(kind: str, reads: str) -> None:
    """14.0 is 41600000h in binary32 and 402C000000000000h in binary64."""
    assert read(MAPS[kind, reads, "degC"], sent(14.0, kind, "ABCD")).quality is Quality.BAD


@pytest.mark.parametrize("number", [0.0, -0.0])
@pytest.mark.parametrize("unit", sorted(PLAUSIBLE))
def test_zero_is_zero_whatever_its_sign(unit: str, number: float) -> None:
    decoded = read(MAPS["float32", "ABCD", unit], sent(number, "float32", "ABCD"))
    assert (decoded.value, decoded.quality, str(decoded.value)) == (0.0, Quality.GOOD, "0.0")


def test_what_is_added_to_a_number_does_not_hide_that_it_is_none() -> None:
    """57.2 degF is 14 degC; 4264CCCDh with its words swapped is -1.2e8, and 57 degF, 42640000h, is 2.4e-41."""
    fahrenheit = built("float32", "CDAB", "degF")
    assert read(fahrenheit, sent(57.2, "float32", "ABCD")).quality is Quality.BAD
    decoded = read(fahrenheit, sent(57.0, "float32", "ABCD"))
    assert decoded.quality is Quality.BAD, "and not -17.8 degC"
    assert read(built("float32", "ABCD", "degF"), sent(0.0, "float32", "ABCD")).value == pytest.approx(-160 / 9)


def test_a_scale_is_part_of_what_is_measured() -> None:
    """Nanometres: 2,000 of them are 2 micrometres, 0.5 of them nothing."""
    scaled = built("float64", "ABCD", "m", scale="1e-9")
    assert read(scaled, sent(2000.0, "float64", "ABCD")).value == pytest.approx(2e-6)
    assert read(scaled, sent(0.5, "float64", "ABCD")).quality is Quality.BAD


def test_a_whole_number_is_never_too_little() -> None:
    """Its step is its resolution: one step is a measurement."""
    decoded = read(built("uint16", "ABCD", "m", scale="1e-9"), (1,))
    assert (decoded.value, decoded.quality) == (1e-9, Quality.GOOD)


@pytest.mark.parametrize(
    ("number", "swapped"),
    # u32 of 0.1 mm: 94,120 is 00016FA8h; with its words swapped 1,873,281,025, which is 187 km.
    [(94_120, (0x6FA8, 0x0001)), (58_280, (0xE3A8, 0x0000))],
)
def test_a_length_of_kilometres_is_none(number: int, swapped: tuple[int, int]) -> None:
    found = built("uint32", "ABCD", "mm", scale="0.1")
    assert read(found, (number >> 16, number & 0xFFFF)).value == pytest.approx(number / 10_000)
    decoded = read(found, swapped)
    assert decoded.quality is Quality.BAD
    assert decoded.reason is not None
    assert decoded.reason.code is ReasonCode.OUT_OF_RANGE
