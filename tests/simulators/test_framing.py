"""Frames of RTU, ASCII and Modbus TCP on the device's side: against the specification and against pymodbus."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerAscii, FramerRTU
from pymodbus.pdu import DecodePDU

from simulators.framing import FRAMINGS, STREAM_FRAMINGS, Message, StreamFraming, crc16, lrc8

RTU, ASCII, TCP = STREAM_FRAMINGS["rtu"], STREAM_FRAMINGS["ascii"], FRAMINGS["tcp"]

UNITS = st.integers(1, 247)
READS = st.builds(
    lambda function, start, count: bytes((function,)) + start.to_bytes(2, "big") + count.to_bytes(2, "big"),
    st.sampled_from((1, 2, 3, 4, 5, 6)),
    st.integers(0, 65535),
    st.integers(1, 125),
)
WRITES = st.builds(
    lambda start, words: b"\x10" + start.to_bytes(2, "big") + bytes((0, len(words) // 2, len(words))) + words,
    st.integers(0, 65535),
    st.integers(1, 20).flatmap(lambda count: st.binary(min_size=2 * count, max_size=2 * count)),
)
MESSAGES = st.builds(Message, st.just(b""), UNITS, READS | WRITES)


@pytest.mark.outside("MODBUS over Serial Line V1.02, section 6.2.2: the message 02 07 has the check sum 41 12")
def test_the_check_sum_of_the_specification() -> None:
    assert crc16(b"\x02\x07").to_bytes(2, "little") == b"\x41\x12"
    assert RTU.seal(Message(b"", 2, b"\x07")) == b"\x02\x07\x41\x12"


@pytest.mark.outside("pymodbus")
@given(UNITS, st.binary(min_size=1, max_size=253))
def test_frames_are_those_of_another_program(unit: int, pdu: bytes) -> None:
    rtu, ascii_ = FramerRTU(DecodePDU(True)), FramerAscii(DecodePDU(True))
    assert RTU.seal(Message(b"", unit, pdu)) == rtu.encode(pdu, unit, 0)
    assert ASCII.seal(Message(b"", unit, pdu)) == ascii_.encode(pdu, unit, 0)
    assert lrc8(bytes((unit,)) + pdu) == FramerAscii.compute_LRC(bytes((unit,)) + pdu)


@pytest.mark.parametrize("framing", STREAM_FRAMINGS.values(), ids=list(STREAM_FRAMINGS))
@given(messages=st.lists(MESSAGES, max_size=5), cuts=st.lists(st.integers(0, 200), max_size=6))
def test_requests_are_found_however_their_bytes_arrive(
    framing: StreamFraming, messages: list[Message], cuts: list[int]
) -> None:
    stream = b"".join(framing.seal(message) for message in messages)
    found: list[Message] = []
    rest = b""
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    for begin, end in itertools.pairwise(places):
        more, rest = framing.requests(rest + stream[begin:end])
        found += more
    assert (found, rest) == (messages, b"")


@given(st.binary(max_size=40).filter(lambda noise: b":" not in noise), MESSAGES)
def test_noise_before_an_ascii_frame_is_passed_over(noise: bytes, message: Message) -> None:
    assert ASCII.requests(noise + ASCII.seal(message)) == ([message], b"")


@given(st.integers(1, 7), MESSAGES, MESSAGES)
def test_what_is_left_of_a_frame_does_not_hide_the_next_one(cut: int, first: Message, second: Message) -> None:
    """The end of one that was cut off. Bytes that look like a longer request wait for a silence; they are forgotten."""
    found, rest = RTU.requests(RTU.seal(first)[cut:] + RTU.seal(second))
    assert found in ([second], []) or found[-1:] == [second]
    if not found:
        assert rest


@pytest.mark.parametrize("name", FRAMINGS)
@given(unit=UNITS, pdu=st.binary(min_size=4, max_size=250))
def test_a_damaged_frame_keeps_its_length_and_is_no_right_one(name: str, unit: int, pdu: bytes) -> None:
    framing = FRAMINGS[name]
    message = Message(b"\x12\x34" if name == "tcp" else b"", unit, pdu)
    frame = framing.seal(message)
    assert framing.open(frame) == message
    damaged = framing.damaged(frame)
    assert len(damaged) == len(frame)
    assert damaged != frame
    if framing.has_sum:
        # 0x5A over every byte of the data is found by both sums unless it cancels out, as an LRC of an even sum may.
        assert framing.open(framing.missummed(frame)) is None
        if name == "rtu":
            assert framing.open(damaged) is None
