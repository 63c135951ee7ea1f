"""Recorded traffic: split, kept, read again, and turned into what a device answers."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, WriteSingleRegisterRequest

from gateway.commissioning.capture import (
    Direction,
    Frame,
    MbapSplitter,
    exchanges,
    frame_line,
    head_line,
    is_read,
    parse_capture,
)
from gateway.errors import SettingsError

_NOON = datetime(2026, 3, 14, 12, 0, 0, 250_000, tzinfo=UTC)
_HEAD = head_line("192.0.2.10:502", _NOON) + "\n"
_READ = bytes.fromhex("000100000006010300000002")
_ANSWER = bytes.fromhex("000100000007010304" + "0000e3a8")

_frames = st.builds(
    Frame,
    st.datetimes(min_value=datetime(2000, 1, 1), max_value=datetime(2100, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    st.integers(1, 9),
    st.sampled_from(Direction),
    st.binary(min_size=1, max_size=260),
)


@given(st.lists(_frames, max_size=5))
def test_what_is_kept_is_read_again(frames: list[Frame]) -> None:
    assert parse_capture([_HEAD, *(frame_line(frame) + "\n" for frame in frames)], "x") == frames


@given(st.lists(st.binary(min_size=1, max_size=20), min_size=1, max_size=5), st.data())
def test_frames_come_out_whole_however_they_are_cut(bodies: list[bytes], data: st.DataObject) -> None:
    frames = [bytes([0, 7, 0, 0]) + (len(body) + 1).to_bytes(2) + b"\x01" + body for body in bodies]
    stream = b"".join(frames)
    splitter = MbapSplitter()
    got: list[bytes] = []
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        got += splitter.feed(stream[:size])
        stream = stream[size:]
    assert got == frames
    assert not splitter.broken


@given(st.binary(max_size=600))
def test_any_bytes_come_out_and_none_is_lost(stream: bytes) -> None:
    splitter = MbapSplitter()
    got = b"".join(splitter.feed(stream) + splitter.feed(b"\xff" * 300) + splitter.feed(b"\xff" * 300))
    assert (stream + b"\xff" * 600).startswith(got)
    assert splitter.broken
    assert got == stream + b"\xff" * 600


@pytest.mark.outside("pymodbus")
def test_only_reads_count_as_reads() -> None:
    framer = FramerSocket(DecodePDU(False))
    read = framer.buildFrame(ReadHoldingRegistersRequest(address=0, count=2, dev_id=1, transaction_id=1))
    written = framer.buildFrame(WriteSingleRegisterRequest(address=0, registers=[1], dev_id=1, transaction_id=1))
    assert read == _READ
    assert is_read(read)
    assert not is_read(written)
    assert is_read(bytes.fromhex("000100000005012b0e0100"))
    # Function 43 with another type (13, CANopen) may write: V1.1b3, section 6.19.
    assert not is_read(bytes.fromhex("000100000005012b0d0100"))


def _frame(direction: Direction, data: bytes, *, after_s: float = 0.0, connection: int = 1) -> Frame:
    return Frame(_NOON + timedelta(seconds=after_s), connection, direction, data)


def test_answers_belong_to_the_request_of_their_number() -> None:
    second = b"\0\2" + _READ[2:]
    recorded = exchanges(
        [
            _frame(Direction.REQUEST, _READ),
            _frame(Direction.REQUEST, second, after_s=0.1),
            _frame(Direction.REQUEST, b"\0\3" + _READ[2:], after_s=0.2),
            _frame(Direction.ANSWER, b"\0\2" + _ANSWER[2:-1] + b"\x09", after_s=0.3),
            _frame(Direction.ANSWER, _ANSWER, after_s=0.5),
            _frame(Direction.ANSWER, b"\0\3" + _ANSWER[2:], after_s=0.6, connection=2),
        ]
    )
    ((key, got),) = recorded.items()
    assert key == (1, _READ[7:])
    assert [one.answer for one in got] == [_ANSWER[7:], _ANSWER[7:-1] + b"\x09", None]
    assert [one.delay_s for one in got] == pytest.approx([0.5, 0.2, 0.0])


def test_a_last_line_that_was_cut_off_is_left_out() -> None:
    whole = frame_line(_frame(Direction.REQUEST, _READ))
    assert len(parse_capture([_HEAD, whole + "\n", whole[:40]], "x")) == 1


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([], "x: is empty; record one with `tank-gateway record`"),
        (["hello\n"], "x:1: is not a capture of this version; the first line names tank-gateway/capture/1"),
        ([_HEAD, "{}\n"], "x:2: '{}' is not a line of a capture: 'time' is missing"),
        (
            [_HEAD, '{"time":"2026-03-14T12:00:00Z","connection":1,"direction":"sideways","hex":""}\n'],
            'x:2: \'{"time":"2026-03-14T12:00:00Z","connection":1,"direction":"s\' is not a line of a capture: '
            "'sideways' is not a valid Direction",
        ),
    ],
)
def test_a_mistake_names_file_and_line(lines: list[str], expected: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_capture(lines, "x")
    assert caught.value.mistakes == (expected,)
