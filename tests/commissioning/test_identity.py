"""Read Device Identification, against the example of the specification and against pymodbus."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse

from gateway.commissioning.identity import identity_request_frame, parse_identity
from gateway.errors import BadFrameError

# MODBUS Application Protocol V1.1b3, section 6.21, the example of a read of the basic objects in one answer; with an
# invented company in place of the specification's and the lengths to go with it.
_ANSWER = (
    bytes([0x2B, 0x0E, 0x01, 0x01, 0x00, 0x00, 0x03, 0, 5])
    + b"Acorn"
    + bytes([1, 4])
    + b"LT-7"
    + bytes([2, 4, *b"V2.1"])
)


def test_the_request_is_that_of_the_specification() -> None:
    assert identity_request_frame(7, 3) == bytes([0, 7, 0, 0, 0, 5, 3, 0x2B, 0x0E, 0x01, 0x00])


def test_an_answer_in_one_part() -> None:
    part = parse_identity(_ANSWER)
    assert part.objects == (("vendor", "Acorn"), ("product code", "LT-7"), ("revision", "V2.1"))
    assert part.next_object is None


def test_an_answer_in_parts_says_where_to_go_on() -> None:
    first = bytes([0x2B, 0x0E, 0x01, 0x01, 0xFF, 0x02, 0x01, 0, 5]) + b"Acorn"
    assert parse_identity(first).next_object == 2


@pytest.mark.outside("pymodbus")
def test_pymodbus_makes_the_same_frames() -> None:
    assert bytes([0x2B]) + ReadDeviceInformationRequest(1, 0).encode() == identity_request_frame(1, 1)[7:]
    made = ReadDeviceInformationResponse(read_code=1, information={0: "Acorn", 1: "LT-7", 2: "V2.1"})
    assert parse_identity(bytes([0x2B]) + made.encode()).objects == parse_identity(_ANSWER).objects


@pytest.mark.parametrize("cut", range(len(_ANSWER)))
def test_a_cut_answer_is_a_bad_frame(cut: int) -> None:
    with pytest.raises(BadFrameError):
        parse_identity(_ANSWER[:cut])


@given(st.binary(max_size=260))
def test_any_bytes_give_an_identity_or_a_bad_frame(data: bytes) -> None:
    try:
        part = parse_identity(data)
    except BadFrameError:
        return
    assert len(part.objects) == data[6]
