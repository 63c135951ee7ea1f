"""A recorder on a serial line between the gateway and a device: the proof, from the bytes, that nothing writes.

Shares no code with the gateway or the simulators: it has its own reading of RTU and ASCII frames (MODBUS over Serial
Line Specification and Implementation Guide V1.02, sections 2.5.1, 2.5.2 and 6.2).
"""

import os
import select
import threading
import tty
from collections import Counter
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.support.wire import (
    DEVICE_IDENTIFICATION,
    ENCAPSULATED_TRANSPORT,
    READ_FUNCTIONS,
    Parse,
    Request,
    WireLedger,
    violations_of,
)

__all__ = ["SerialRecorder", "parse_ascii_requests", "parse_rtu_requests"]

READ_LENGTH = 8
IDENTIFICATION_LENGTH = 7


def check_sum(data: bytes) -> int:
    """Section 6.2.2: bit by bit, as the specification describes it. 0 over a frame with its own, low byte first."""
    remainder = 0xFFFF
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            carry = remainder & 1
            remainder >>= 1
            if carry:
                remainder ^= 0xA001
    return remainder


def parse_rtu_requests(stream: bytes) -> tuple[list[Request], str | None]:
    """Split all that a client sent into RTU requests, and say what is wrong with the bytes, if any.

    The length of a request follows from its function; after one that is not known the rest cannot be told apart, and
    the request counts with all of it. One cut off by the end counts when its function went out.
    """
    requests: list[Request] = []
    position = 0
    while position + 1 < len(stream):
        unit, function = stream[position : position + 2]
        length = _length(function, stream[position + 2 : position + 3])
        if length is None:
            return [*requests, Request(0, unit, function, stream[position + 2 :])], None
        frame = stream[position : position + length]
        if len(frame) == length and check_sum(frame) != 0:
            return requests, f"byte {position}: {frame.hex(' ')} is no RTU frame"
        requests.append(Request(0, unit, function, frame[2:-2] if len(frame) == length else frame[2:]))
        position += length
    return requests, None


def _length(function: int, begins: bytes) -> int | None:
    if function in READ_FUNCTIONS:
        return READ_LENGTH
    if function == ENCAPSULATED_TRANSPORT and begins in (b"", bytes([DEVICE_IDENTIFICATION])):
        return IDENTIFICATION_LENGTH
    return None


def parse_ascii_requests(stream: bytes) -> tuple[list[Request], str | None]:
    """The same for ASCII frames, each from its colon to CR LF."""
    requests: list[Request] = []
    position = 0
    while position < len(stream):
        end = stream.find(b"\r\n", position)
        line = stream[position : end if end >= 0 else len(stream)]
        digits = line[1:] if end >= 0 else line[1 : 1 + (len(line) - 1) // 2 * 2]
        if line[:1] != b":" or digits != digits.upper() or digits.translate(None, b"0123456789ABCDEF"):
            return requests, f"byte {position}: {line!r} is no ASCII frame"
        if end < 0:
            message = bytes.fromhex(digits.decode())
            if len(message) > 1:
                requests.append(Request(0, message[0], message[1], message[2:]))
            break
        message = bytes.fromhex(digits.decode()) if len(digits) % 2 == 0 else b""
        if len(message) < 3 or sum(message) % 256 != 0:
            return requests, f"byte {position}: {line!r} is no ASCII frame"
        requests.append(Request(0, message[0], message[1], message[2:-1]))
        position = end + 2
    return requests, None


class SerialRecorder:
    """A pseudo terminal called `path` that passes every byte on to the serial port `device` and keeps the client's.

    Runs on a thread of its own. `close()` (or leaving the `with`) enters what was seen into the ledger and raises
    AssertionError for any request that is not a read.
    """

    def __init__(self, path: Path, device: Path, *, ledger: WireLedger, parse: Parse = parse_rtu_requests) -> None:
        self.path = path
        self._name = device.name
        self._ledger = ledger
        self._parse = parse
        self._stream = bytearray()
        self._client, self._port = os.openpty()
        self._device = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        for terminal in (self._port, self._device):
            tty.setraw(terminal)
        path.symlink_to(os.ttyname(self._port))
        self._stop, self._stopping = os.pipe()
        self._thread = threading.Thread(target=self._pass_on, name=f"serial-{device.name}", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    @property
    def stream(self) -> bytes:
        """What the client has sent."""
        return bytes(self._stream)

    @property
    def requests(self) -> list[Request]:
        return self._parse(self.stream)[0]

    def close(self) -> None:
        """Take the port away, then judge. Raises AssertionError if anything but a read was sent."""
        if self._stopping < 0:
            return
        os.close(self._stopping)
        self._stopping = -1
        self._thread.join(timeout=10)
        for descriptor in (self._client, self._port, self._device, self._stop):
            os.close(descriptor)
        self.path.unlink()
        requests, fault = self._parse(self.stream)
        violations = violations_of(f"serial port {self._name}", requests, fault)
        self._ledger.add(Counter(request.function for request in requests), violations)
        assert not violations, "; ".join(violations)

    def _pass_on(self) -> None:
        """Until told to stop, or until the device's end is gone."""
        with suppress(OSError):
            while True:
                ready, _, _ = select.select([self._client, self._device, self._stop], [], [])
                if self._client in ready:
                    chunk = os.read(self._client, 4096)
                    self._stream += chunk
                    os.write(self._device, chunk)
                if self._device in ready:
                    os.write(self._client, os.read(self._device, 4096))
                if self._stop in ready:
                    return
