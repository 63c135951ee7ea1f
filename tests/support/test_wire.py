"""The wire recorder must pass bytes on unchanged, and must be able to fail."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from tests.support.wire import Request, WireLedger, WireRecorder, parse_requests

# MODBUS Application Protocol Specification V1.1b3, the example PDUs of sections 6.1 (read coils), 6.3 (read holding
# registers), 6.5 (write single coil), 6.6 (write single register) and 6.12 (write multiple registers).
READ_COILS = bytes.fromhex("01 0013 0013")
READ_HOLDING = bytes.fromhex("03 006B 0003")
WRITE_COIL = bytes.fromhex("05 00AC FF00")
WRITE_REGISTER = bytes.fromhex("06 0001 0003")
WRITE_REGISTERS = bytes.fromhex("10 0001 0002 04 000A 0102")
# Section 6.21 of the same: Read Device Identification, basic, object 0; and the other encapsulated transport, 43/13.
READ_IDENTIFICATION = bytes.fromhex("2B 0E 01 00")
CANOPEN_REQUEST = bytes.fromhex("2B 0D 00")


def framed(pdu: bytes, transaction: int = 1, unit: int = 17) -> bytes:
    return transaction.to_bytes(2) + bytes(2) + (len(pdu) + 1).to_bytes(2) + bytes([unit]) + pdu


@contextmanager
def echo_server() -> Iterator[int]:
    """Sends back what it gets, in capitals where those exist, until the client has ended."""

    def serve() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                while chunk := connection.recv(4096):
                    connection.sendall(chunk[::-1])

    listener = socket.create_server(("127.0.0.1", 0))
    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(timeout=10)


def exchange(port: int, request: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as client:
        client.sendall(request)
        answer = b""
        while len(answer) < len(request):
            chunk = client.recv(4096)
            if not chunk:
                break
            answer += chunk
        return answer


def test_bytes_pass_both_ways_and_reads_are_recorded(wire_recorder: Callable[[int], WireRecorder]) -> None:
    with echo_server() as port:
        recorder = wire_recorder(port)
        first, second = framed(READ_COILS, 1), framed(READ_HOLDING, 2)
        assert exchange(recorder.port, first) == first[::-1]
        assert exchange(recorder.port, second) == second[::-1]
        assert recorder.streams == [first, second]
        assert recorder.requests == [Request(1, 17, 1, READ_COILS[1:]), Request(2, 17, 3, READ_HOLDING[1:])]
        recorder.close()


@pytest.mark.parametrize("pdu", [WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS, CANOPEN_REQUEST], ids=lambda p: p.hex())
def test_anything_but_a_read_fails(pdu: bytes) -> None:
    ledger = WireLedger()
    with echo_server() as port:
        recorder = WireRecorder(port, ledger=ledger)
        exchange(recorder.port, framed(READ_HOLDING) + framed(pdu))
        with pytest.raises(AssertionError, match=f"function code {pdu[0]} to unit 17"):
            recorder.close()
    assert ledger.functions == {3: 1, pdu[0]: 1}
    assert len(ledger.violations) == 1


def test_a_write_cut_off_in_mid_frame_fails() -> None:
    ledger = WireLedger()
    with echo_server() as port:
        recorder = WireRecorder(port, ledger=ledger)
        exchange(recorder.port, framed(WRITE_REGISTER)[:8])
        with pytest.raises(AssertionError, match="function code 6"):
            recorder.close()


def test_bytes_that_are_no_frame_fail() -> None:
    ledger = WireLedger()
    with echo_server() as port:
        recorder = WireRecorder(port, ledger=ledger)
        exchange(recorder.port, b"GET / HTTP/1.1\r\n")
        with pytest.raises(AssertionError, match="no MBAP header"):
            recorder.close()


def test_device_identification_is_a_read() -> None:
    assert [request.reads_only for request in parse_requests(framed(READ_IDENTIFICATION))[0]] == [True]


def test_a_server_that_is_not_there_ends_the_connection(wire_recorder: Callable[[int], WireRecorder]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    recorder = wire_recorder(port)
    with socket.create_connection(("127.0.0.1", recorder.port), timeout=10) as client:
        assert client.recv(1) == b""
