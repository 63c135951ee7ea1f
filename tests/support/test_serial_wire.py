"""The serial recorder must pass bytes on unchanged, must know a frame when it sees one, and must be able to fail."""

import os
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii
from pymodbus.framer.rtu import FramerRTU

from tests.support.serial_wire import SerialRecorder, parse_ascii_requests, parse_rtu_requests
from tests.support.wire import Parse, WireLedger
from tests.support.wire import Request as Seen

# MODBUS Application Protocol Specification V1.1b3, the example PDUs of sections 6.1 (read coils), 6.3 (read holding
# registers), 6.5, 6.6 and 6.12 (writes), 6.21 (Read Device Identification, and 43/13 beside it).
READ_COILS = bytes.fromhex("01 0013 0013")
READ_HOLDING = bytes.fromhex("03 006B 0003")
READ_IDENTIFICATION = bytes.fromhex("2B 0E 01 00")
WRITES = [
    bytes.fromhex(pdu)
    for pdu in ("05 00AC FF00", "06 0001 0003", "10 0001 0002 04 000A 0102", "2B 0D 00", "08 0000 A537")
]

Frame = Callable[[bytes], bytes]


def rtu(pdu: bytes) -> bytes:
    """A frame to unit 17, made by a library."""
    message = b"\x11" + pdu
    return message + FramerRTU.compute_CRC(message).to_bytes(2, "big")


def ascii_frame(pdu: bytes) -> bytes:
    return FramerAscii(None).encode(pdu, 17, 0)  # type: ignore[arg-type]


both = pytest.mark.parametrize(("frame", "parse"), [(rtu, parse_rtu_requests), (ascii_frame, parse_ascii_requests)])


@contextmanager
def device(folder: Path) -> Iterator[tuple[Path, int]]:
    """A serial port that goes to the test: its name, and the test's end."""
    here, there = os.openpty()
    tty.setraw(there)
    path = folder / "device"
    path.symlink_to(os.ttyname(there))
    try:
        yield path, here
    finally:
        os.close(here)
        os.close(there)


def send(recorder: SerialRecorder, data: bytes) -> int:
    port = os.open(recorder.path, os.O_RDWR | os.O_NOCTTY)
    os.write(port, data)
    return port


def receive(descriptor: int, size: int) -> bytes:
    found = b""
    while len(found) < size:
        found += os.read(descriptor, 4096)
    return found


@both
def test_bytes_pass_both_ways_and_reads_are_recorded(frame: Frame, parse: Parse, tmp_path: Path) -> None:
    ledger = WireLedger()
    sent = frame(READ_COILS) + frame(READ_IDENTIFICATION) + frame(READ_HOLDING)
    every_byte = bytes(range(256))
    with device(tmp_path) as (path, end):
        recorder = SerialRecorder(tmp_path / "near", path, ledger=ledger, parse=parse)
        port = send(recorder, sent)
        assert receive(end, len(sent)) == sent
        os.write(end, every_byte)
        assert receive(port, 256) == every_byte
        os.close(port)
        assert recorder.stream == sent
        assert recorder.requests == [
            Seen(0, 17, 1, READ_COILS[1:]),
            Seen(0, 17, 43, READ_IDENTIFICATION[1:]),
            Seen(0, 17, 3, READ_HOLDING[1:]),
        ]
        recorder.close()
        recorder.close()
    assert ledger == WireLedger({1: 1, 43: 1, 3: 1}, [])  # type: ignore[arg-type]


@both
@pytest.mark.parametrize("pdu", WRITES, ids=lambda pdu: pdu.hex())
@pytest.mark.parametrize("cut", [None, 6])
def test_anything_but_a_read_fails(frame: Frame, parse: Parse, pdu: bytes, cut: int | None, tmp_path: Path) -> None:
    ledger = WireLedger()
    sent = frame(READ_HOLDING) + frame(pdu)[:cut]
    with device(tmp_path) as (path, end):
        recorder = SerialRecorder(tmp_path / "near", path, ledger=ledger, parse=parse)
        os.close(send(recorder, sent))
        assert receive(end, len(sent)) == sent
        with pytest.raises(AssertionError, match=f"function code {pdu[0]} to unit 17"):
            recorder.close()
    assert ledger.functions == {3: 1, pdu[0]: 1}
    assert len(ledger.violations) == 1


@both
@pytest.mark.parametrize("place", range(8))
def test_bytes_that_are_no_frame_are_told(frame: Frame, parse: Parse, place: int) -> None:
    damaged = bytearray(frame(READ_HOLDING))
    damaged[place] ^= 1
    requests, fault = parse(bytes(damaged))
    assert fault is not None or not all(request.reads_only for request in requests)


@both
@given(st.data())
def test_requests_are_told_apart_and_any_bytes_are_judged(frame: Frame, parse: Parse, data: st.DataObject) -> None:
    reads = data.draw(
        st.lists(
            st.builds(lambda code, rest: bytes([code]) + rest, st.integers(1, 4), st.binary(min_size=4, max_size=4))
        )
    )
    requests, fault = parse(b"".join(map(frame, reads)))
    assert ([bytes([request.function]) + request.body for request in requests], fault) == (reads, None)
    parse(data.draw(st.binary(max_size=40)))
