"""Bytes on a serial port of this machine, watched by the event loop: no thread.

Character format and silence after the MODBUS over Serial Line Specification and Implementation Guide V1.02, sections
2.5.1 (RTU: 8 data bits) and 2.5.2 (ASCII: 7), and 2.5.1.1 for the silence of three and a half characters. The limit of
one and a half characters within a frame is kept when sending, a request being handed over in one piece; it is not
asked of answers, because neither USB adapters nor the system deliver characters with their spacing: length and check
sum decide instead.
"""

import asyncio
import errno
import fcntl
import io
import os
import termios
from collections.abc import Callable
from contextlib import suppress

import serial
import structlog
from serial.rs485 import RS485Settings

from gateway.acquisition.plan import Parity, SerialPath
from gateway.errors import NoConnectionError
from gateway.modbus.framing import Framing, ReadRequest

__all__ = ["SerialChannel", "character_s", "silence_s"]

RS485_REFUSED = "serial.rs485_refused"

_FIXED_SILENCE_ABOVE = 19_200
_FIXED_SILENCE_S = 0.00175
_SILENT_CHARACTERS = 3.5
_PARITY_LETTERS = {Parity.EVEN: serial.PARITY_EVEN, Parity.ODD: serial.PARITY_ODD, Parity.NONE: serial.PARITY_NONE}
_READ_AT_ONCE = 4096
_PSEUDO_TERMINALS = range(136, 144)
"""Major device numbers: the Linux kernel's list of allocated devices, UNIX98 PTY slaves."""


def character_s(path: SerialPath) -> float:
    """How long one character is on the wire: start, data, parity and stop bits."""
    bits = 1 + path.data_bits + (path.parity is not Parity.NONE) + path.stop_bits
    return bits / path.baud


def silence_s(path: SerialPath) -> float:
    """The silence between two RTU frames: three and a half characters, 1.75 ms above 19200 baud."""
    return _FIXED_SILENCE_S if path.baud > _FIXED_SILENCE_ABOVE else _SILENT_CHARACTERS * character_s(path)


class SerialChannel:
    """A `Channel`. The port is held exclusively while it is open."""

    def __init__(self, path: SerialPath, framing: Framing) -> None:
        self._path = path
        self._framing = framing
        self._port: serial.Serial | None = None
        self._raw: io.FileIO | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._on_bytes: Callable[[bytes], None] = lambda data: None
        self._on_lost: Callable[[NoConnectionError], None] = lambda error: None
        self._rs485_refused = False

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        path = self._path
        has_format = not _is_pseudo_terminal(path.port)
        port = serial.Serial(
            baudrate=path.baud,
            bytesize=path.data_bits if has_format else serial.EIGHTBITS,
            parity=_PARITY_LETTERS[path.parity] if has_format else serial.PARITY_NONE,
            stopbits=path.stop_bits,
            exclusive=True,
        )
        port.port = path.port
        try:
            port.open()
            self._set_up(port)
        except (OSError, termios.error, ValueError) as exc:
            port.close()
            raise NoConnectionError(_plain_cause(path.port, exc)) from exc
        self._port = port
        self._raw = io.FileIO(port.fileno(), "r+", closefd=False)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(port.fileno(), self._readable)

    def transmit(self, request: ReadRequest) -> None:
        if self._raw is None:
            raise NoConnectionError("the port is not open")
        frame = self._framing.request_frame(request)
        try:
            taken = self._raw.write(self._framing.request_frame(request))
        except OSError as exc:
            raise NoConnectionError(f"the port is gone: {exc.strerror}") from exc
        if taken != len(frame):
            # It holds kilobytes, and nothing is sent before the last request was answered or given up.
            raise NoConnectionError("the port does not send what it is given")

    async def close(self) -> None:
        port, self._port = self._port, None
        self._raw = None
        if port is None:
            return
        if self._loop is not None:
            self._loop.remove_reader(port.fileno())
        with suppress(OSError):  # a port that was unplugged
            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        with suppress(OSError):
            port.close()

    def _set_up(self, port: serial.Serial) -> None:
        """What not every driver can do: none of it keeps the line from working."""
        with suppress(OSError):
            # For programs that do not look at the lock which pyserial takes.
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
        with suppress(OSError, ValueError, AttributeError):
            # USB adapters else hold back what they have received for up to 16 ms.
            port.set_low_latency_mode(True)
        if self._path.rs485:
            try:
                port.rs485_mode = RS485Settings()
            except (OSError, termios.error, ValueError) as exc:
                port.rs485_mode = None
                if not self._rs485_refused:
                    structlog.get_logger().warning(RS485_REFUSED, port=self._path.port, cause=str(exc))
                self._rs485_refused = True

    def _readable(self) -> None:
        if self._port is None:
            return
        try:
            data = os.read(self._port.fileno(), _READ_AT_ONCE)
        except BlockingIOError:
            return
        except OSError as exc:
            self._ended(f"the port is gone: {exc.strerror}")
            return
        if data:
            self._on_bytes(data)
        else:
            self._ended("the port is gone: it was unplugged or hung up")

    def _ended(self, cause: str) -> None:
        if self._loop is not None and self._port is not None:
            self._loop.remove_reader(self._port.fileno())
        self._on_lost(NoConnectionError(cause))


def _is_pseudo_terminal(port: str) -> bool:
    """Such a port has eight bits and no parity, and refuses others. A port reached by network is often given as one."""
    try:
        return os.major(os.stat(port).st_rdev) in _PSEUDO_TERMINALS
    except OSError:
        return False


def _plain_cause(port: str, exc: Exception) -> str:
    code = exc.errno if isinstance(exc, OSError) else exc.args[0] if exc.args else None
    if code in (errno.EWOULDBLOCK, errno.EBUSY):
        return f"another program holds {port}; two masters on one line garble each other"
    if code == errno.ENOENT:
        return f"there is no port {port}: is it plugged in? A service sees none at all unless its unit allows devices"
    if code == errno.EACCES:
        return f"no permission for {port}; the user of this program must be in its group, most often dialout"
    if code == errno.EPERM:
        # The device filter of the control group, whatever the rights of the file are.
        return f"{port} is withheld from this service: its unit must allow this class of devices (DeviceAllow=)"
    if isinstance(code, int) and code:
        return f"{port}: {os.strerror(code)}"
    return f"{port}: {exc}"
