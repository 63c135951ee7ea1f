"""RTU frames against the specification, a catalogue of check sums and a library; any bytes are judged, none crashes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from gateway.errors import BadFrameError, DeviceExceptionError
from gateway.modbus.framing import ReadRequest
from gateway.modbus.rtu_frame import RtuFraming, crc16
from gateway.modbus.tables import Table
from tests.acquisition.wire_peer import Asked, answer, rtu, values_of

RTU = RtuFraming()
READ_TWO = ReadRequest(17, Table.HOLDING_REGISTERS, 107, 3)
requests = st.builds(
    lambda unit, table, address, share: ReadRequest.checked(
        unit, table, address, 1 + int(share * (1999 if table.holds_bits else 124))
    ),
    st.integers(0, 255),
    st.sampled_from(Table),
    st.integers(0, 65535),
    st.floats(0, 1),
)


def asked(request: ReadRequest) -> Asked:
    return Asked(request.unit, request.table.read_function, request.address, request.quantity)


@pytest.mark.outside("MODBUS over Serial Line V1.02, appendix B: frame 02 07 has the sum 41 12 on the wire")
def test_check_sum_of_the_specifications_example() -> None:
    assert crc16(bytes([0x02, 0x07])).to_bytes(2, "little") == bytes([0x41, 0x12])


@pytest.mark.outside("catalogue of parametrised CRC algorithms, CRC-16/MODBUS: check value 4B37")
def test_check_sum_of_the_catalogues_string() -> None:
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.outside("pymodbus")
@given(st.binary(max_size=260))
def test_check_sum_is_the_librarys(data: bytes) -> None:
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.outside("MODBUS Application Protocol V1.1b3, section 6.3: registers 108 to 110, function 3")
def test_request_and_answer_of_the_specifications_example() -> None:
    assert RTU.request_frame(READ_TWO) == rtu(bytes.fromhex("11 03 006B 0003"))
    assert RTU.answer(rtu(bytes.fromhex("11 03 06 022B 0000 0064")), READ_TWO) == (555, 0, 100)


@given(requests, st.data())
def test_an_answer_is_read_however_it_is_cut(request: ReadRequest, data: st.DataObject) -> None:
    frame = answer(asked(request), [value & 0xFFFF for value in values_of(asked(request))])
    assert len(frame) == RTU.answer_size(request)
    cut = data.draw(st.integers(0, len(frame) - 1))
    assert RTU.answer(frame[:cut], request) is None
    assert RTU.answer(frame, request) == tuple(value & 0xFFFF for value in values_of(asked(request)))


@given(requests, st.data())
def test_no_damaged_answer_is_taken(request: ReadRequest, data: st.DataObject) -> None:
    """A CRC of 16 bits finds every burst of up to 16."""
    frame = bytearray(answer(asked(request), [0] * request.quantity))
    place = data.draw(st.integers(0, len(frame) - 2))
    damage = data.draw(st.binary(min_size=2, max_size=2).filter(any))
    frame[place] ^= damage[0]
    frame[place + 1] ^= damage[1]
    try:
        assert RTU.answer(bytes(frame), request) is None
    except BadFrameError:
        pass
    except DeviceExceptionError:
        pytest.fail("a damaged frame was taken for an exception reply")


@given(requests, st.binary(max_size=300))
def test_any_bytes_are_judged(request: ReadRequest, received: bytes) -> None:
    try:
        values = RTU.answer(received, request)
    except (BadFrameError, DeviceExceptionError):
        pass
    else:
        assert values is None or (
            len(values) == request.quantity and FramerRTU.check_CRC(received[:-2], int.from_bytes(received[-2:]))
        )
    assert RTU.explain(received, request)


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (rtu(bytes.fromhex("12 03 06 022B 0000 0064")), "unit 18 answered a request to unit 17"),
        (rtu(bytes.fromhex("11 04 06 022B 0000 0064")), "function 4 answered a request for function 3"),
        (rtu(bytes.fromhex("11 03 04 022B 0000")), "4 bytes of data where 6 were asked for"),
        (rtu(bytes.fromhex("11 84 02")), "function 132 answered a request for function 3"),
        (rtu(bytes.fromhex("11 03 06 022B 0000 0064"))[:-1] + b"\0", "wrong check sum"),
        (rtu(bytes.fromhex("11 03 06 022B 0000 0064")) * 2, "22 bytes came where an answer of 11 was awaited"),
    ],
)
def test_says_what_is_wrong(frame: bytes, message: str) -> None:
    with pytest.raises(BadFrameError, match=message):
        RTU.answer(frame, READ_TWO)


@pytest.mark.parametrize("code", [*range(1, 12), 255])
def test_exception_replies(code: int) -> None:
    with pytest.raises(DeviceExceptionError, match=f"exception {code} "):
        RTU.answer(rtu(bytes([17, 0x83, code])), READ_TWO)


@pytest.mark.parametrize(
    ("received", "words"),
    [
        (rtu(bytes.fromhex("05 03 0000 0002")), "a request to unit 5 was heard: another master is on the line"),
        (rtu(bytes.fromhex("12 03 06 022B 0000 0064")), "unit 18 answered a request to unit 17"),
        (rtu(bytes.fromhex("11 03 06 022B 0000 0064 00")), "a frame of 12 bytes came where 11 were awaited"),
        (b"\0\xff\0\xff\0", "5 bytes came that are no whole frame with a right check sum"),
    ],
)
def test_explains_what_came_instead(received: bytes, words: str) -> None:
    assert RTU.explain(received, READ_TWO) == words


@pytest.mark.parametrize(("table", "count"), [(Table.HOLDING_REGISTERS, 126), (Table.COILS, 2001), (Table.COILS, 0)])
def test_refuses_what_no_device_may_answer(table: Table, count: int) -> None:
    with pytest.raises(ValueError, match="cannot be read in one request"):
        ReadRequest.checked(1, table, 0, count)


@given(requests, st.binary(max_size=30))
def test_the_first_answer_in_any_bytes_is_found_to_whatever_request(request: ReadRequest, follows: bytes) -> None:
    frame = answer(asked(request), [value & 0xFFFF for value in values_of(asked(request))])
    for cut in range(len(frame)):
        assert RTU.first_answer(frame[:cut]) is None
    assert RTU.first_answer(frame + follows) == (frame[:-2], len(frame))
    assert RTU.beginning(frame + follows) == frame[:3]
    assert request.look == (frame[1], frame[2])
    refusal = rtu(bytes([request.unit, request.table.read_function | 0x80, 2]))
    assert RTU.first_answer(refusal + follows) == (refusal[:-2], 5)
    with pytest.raises(BadFrameError, match="wrong check sum"):
        RTU.first_answer(frame[:-1] + bytes([frame[-1] ^ 1]))


@pytest.mark.parametrize("message", ["05 03 0000 0002", "05 10 0000 0001", "05 83"])
def test_a_request_is_no_answer(message: str) -> None:
    frame = bytes.fromhex(message)
    if len(frame) > 2:
        with pytest.raises(BadFrameError):
            RTU.first_answer(frame)
    else:
        assert RTU.first_answer(frame) is None
