"""ASCII frames against the specification and a library; any bytes are judged, none crashes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii

from gateway.errors import BadFrameError, DeviceExceptionError
from gateway.modbus.ascii_frame import AsciiFraming, lrc8
from gateway.modbus.framing import ReadRequest
from gateway.modbus.tables import Table

ASCII = AsciiFraming()
READ_THREE = ReadRequest(17, Table.HOLDING_REGISTERS, 107, 3)
ANSWER = bytes.fromhex("11 03 06 022B 0000 0064")


def framed(message: bytes) -> bytes:
    """A frame as a library makes it."""
    return FramerAscii(None).encode(message[1:], message[0], 0)  # type: ignore[arg-type]


@pytest.mark.outside("pymodbus")
@given(st.binary(max_size=255))
def test_check_sum_is_the_librarys(data: bytes) -> None:
    assert lrc8(data) == FramerAscii.compute_LRC(data)


@pytest.mark.outside("MODBUS over Serial Line V1.02, section 2.5.2.2, and Application Protocol V1.1b3, section 6.3")
def test_request_and_answer_of_the_specifications_example() -> None:
    """The sum of 11 03 00 6B 00 03 is 82; 100 less 82 is 7E."""
    assert ASCII.request_frame(READ_THREE) == b":1103006B00037E\r\n"
    assert ASCII.answer(framed(ANSWER), READ_THREE) == (555, 0, 100)
    assert ASCII.answer(framed(ANSWER).lower(), READ_THREE) == (555, 0, 100)


def test_an_answer_is_read_however_it_is_cut() -> None:
    frame = framed(ANSWER)
    assert len(frame) == ASCII.answer_size(READ_THREE)
    assert [ASCII.answer(frame[:cut], READ_THREE) for cut in range(len(frame))] == [None] * len(frame)


@given(st.integers(0, 22), st.integers(1, 255))
def test_no_answer_with_one_damaged_character_is_taken(place: int, damage: int) -> None:
    frame = bytearray(framed(ANSWER))
    frame[place] ^= damage
    try:
        found = ASCII.answer(bytes(frame), READ_THREE)
    except BadFrameError:
        return
    # A letter may have become its lower case: the same frame.
    assert found is None or bytes(frame).upper() == framed(ANSWER).upper()


@given(st.one_of(st.binary(max_size=60), st.binary(max_size=60).map(lambda data: b":" + data.hex().encode() + b"\r\n")))
def test_any_bytes_are_judged(received: bytes) -> None:
    try:
        values = ASCII.answer(received, READ_THREE)
    except (BadFrameError, DeviceExceptionError):
        pass
    else:
        assert values is None or len(values) == 3
    assert ASCII.explain(received, READ_THREE)
    assert ASCII.beginning(received) == b"" or received.startswith(b":")


@pytest.mark.parametrize(
    ("received", "message"),
    [
        (framed(b"\x12" + ANSWER[1:]), "unit 18 answered a request to unit 17"),
        (framed(bytes.fromhex("11 03 04 022B 0000")), "4 bytes of data where 6 were asked for"),
        (b"1103", "byte 0x31 came where a colon begins"),
        (b":11x3", "other characters than hexadecimal digits"),
        (framed(ANSWER)[:-2] + b"\n\r", "no CR LF"),
        (framed(ANSWER)[:-3] + b"F\r\n", "wrong check sum"),
        (framed(ANSWER) * 2, "46 characters came where an answer of 23 was awaited"),
    ],
)
def test_says_what_is_wrong(received: bytes, message: str) -> None:
    with pytest.raises(BadFrameError, match=message):
        ASCII.answer(received, READ_THREE)


@pytest.mark.parametrize("code", range(1, 12))
def test_exception_replies(code: int) -> None:
    with pytest.raises(DeviceExceptionError, match=f"exception {code} "):
        ASCII.answer(framed(bytes([17, 0x83, code])), READ_THREE)


def test_explains_what_came_instead() -> None:
    assert ASCII.explain(framed(b"\x12" + ANSWER[1:]), READ_THREE) == "unit 18 answered a request to unit 17"
    assert "answers something else" in ASCII.explain(framed(ANSWER + b"\0"), READ_THREE)
    assert "no whole frame" in ASCII.explain(b":11zz\r\n", READ_THREE)


@given(st.binary(max_size=30))
def test_the_first_answer_in_any_bytes_is_found_to_whatever_request(follows: bytes) -> None:
    frame = framed(ANSWER)
    for cut in range(len(frame)):
        assert ASCII.first_answer(frame[:cut]) is None
    assert ASCII.first_answer(frame + follows) == (ANSWER, len(frame))
    assert ASCII.beginning(frame + follows) == ANSWER[:3]
    refusal = framed(b"\x11\x83\x02")
    assert ASCII.first_answer(refusal + follows) == (b"\x11\x83\x02", len(refusal))
    with pytest.raises(BadFrameError, match="wrong check sum"):
        ASCII.first_answer(frame[:-4] + b"00" + frame[-2:])
    with pytest.raises(BadFrameError, match="function 16"):
        ASCII.first_answer(framed(b"\x11\x10\x00\x01"))
