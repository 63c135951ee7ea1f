"""A line of instruments on a serial port: a real one of this machine, or one end of a pair that is made for it.

Of a pair the other end stands at a path, as the client's serial port; it carries bytes at once, so that the time they
would have taken is waited for here. Character formats and the silence of three and a half characters after the MODBUS
over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1, 2.5.1.1 and 2.5.2.
"""

import asyncio
import logging
import os
import termios
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import cast

import serial

from simulators.connection import Devices, StreamConnection
from simulators.errors import ScenarioError
from simulators.framing import STREAM_FRAMINGS
from simulators.instrument import Instrument
from simulators.scenario import SerialPart

__all__ = ["SerialLine"]

log = logging.getLogger("simulators.serial_line")

_PARITIES = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}
_SILENT_CHARACTERS = 3.5
_FIXED_SILENCE_ABOVE, _FIXED_SILENCE_S = 19_200, 0.00175
_READ_AT_ONCE = 4096


class SerialLine(Devices):
    """The instruments of a serial line. `lost` is called when its port is gone."""

    def __init__(
        self,
        name: str,
        instruments: dict[int, Instrument],
        part: SerialPart,
        framing: str,
        lost: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__(name, instruments)
        self.part = part
        self.framing = framing
        self._lost = lost
        self._descriptors: list[int] = []
        self._port: serial.Serial | None = None
        self._connection: StreamConnection | None = None

    @property
    def path(self) -> str:
        """Of the real port, or of the end of the pair that is the client's."""
        return cast(str, self.part.port or self.part.pair)

    @property
    def place(self) -> str:
        """Where and how it is reached, for people."""
        return f"{self.path}, {self.framing} at {self.part.baud} baud, parity {self.part.parity}"

    @property
    def listening(self) -> bool:
        """Whether it hears what is sent."""
        return self._connection is not None

    def open(self) -> None:
        """Raises ScenarioError where the port or the path cannot be had."""
        descriptor = self._open_port(self.part.port) if self.part.port else self._make_pair(Path(self.part.pair or ""))
        self._connection = StreamConnection(self, STREAM_FRAMINGS[self.framing], self._wire_time_s)
        self._connection.connection_made(_Port(descriptor))
        asyncio.get_running_loop().add_reader(descriptor, self._readable, descriptor)

    async def reopen(self) -> bool:
        """Open it again; False where it is not to be had for the moment."""
        if not self.listening:
            try:
                self.open()
            except ScenarioError:
                return False
        return True

    def close(self) -> None:
        """Let the port go, and take the path of a pair away."""
        if self._connection is None:
            return
        self._connection.connection_lost(None)
        self._connection = None
        loop = asyncio.get_running_loop()
        if self._port is not None:
            loop.remove_reader(self._port.fileno())
            with suppress(OSError):  # one that was unplugged
                self._port.close()
            self._port = None
            return
        loop.remove_reader(self._descriptors[0])
        link = Path(self.part.pair or "")
        if link.is_symlink() and os.readlink(link) == os.ttyname(self._descriptors[1]):
            link.unlink()
        for descriptor in self._descriptors:
            os.close(descriptor)
        self._descriptors = []

    def _open_port(self, path: str) -> int:
        part = self.part
        # A pseudo terminal, as a port reached by network often is, has eight bits and no parity, and refuses others.
        seven_bits = self.framing == "ascii" and not _is_pseudo_terminal(path)
        try:
            self._port = serial.Serial(
                path,
                baudrate=part.baud,
                bytesize=serial.SEVENBITS if seven_bits else serial.EIGHTBITS,
                parity=serial.PARITY_NONE if _is_pseudo_terminal(path) else _PARITIES[part.parity],
                stopbits=_stop_bits(part),
                exclusive=True,
            )
            os.set_blocking(self._port.fileno(), False)
        except (OSError, termios.error, ValueError) as exc:
            self._port = None
            why = getattr(exc, "strerror", None) or exc
            raise ScenarioError(
                f"line {self.name}: {path} cannot be opened ({why}); give a serial port that nothing else uses"
            ) from exc
        return self._port.fileno()

    def _make_pair(self, link: Path) -> int:
        if link.is_symlink() and not link.exists():
            link.unlink()  # left behind by one that was killed
        ours, clients = os.openpty()
        try:
            for descriptor in (ours, clients):
                tty.setraw(descriptor)
            os.set_blocking(ours, False)
            link.symlink_to(os.ttyname(clients))
        except OSError as exc:
            os.close(ours)
            os.close(clients)
            hint = "end what uses it, or remove it" if isinstance(exc, FileExistsError) else "give another path"
            raise ScenarioError(f"line {self.name}: {link} cannot be made ({exc.strerror}); {hint}") from exc
        # The client's end stays open here too: without anyone at it, reading from ours would fail.
        self._descriptors = [ours, clients]
        return ours

    def _wire_time_s(self, size: int) -> float:
        """The silence before an answer; on a pair also the time of all its bytes and those of the request."""
        part, data_bits = self.part, 7 if self.framing == "ascii" else 8
        character_s = (1 + data_bits + (part.parity != "none") + _stop_bits(part)) / part.baud
        silence_s = _FIXED_SILENCE_S if part.baud > _FIXED_SILENCE_ABOVE else _SILENT_CHARACTERS * character_s
        return silence_s + (0.0 if part.port else size * character_s)

    def _readable(self, descriptor: int) -> None:
        try:
            data = os.read(descriptor, _READ_AT_ONCE)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data and self._connection is not None:
            self._connection.data_received(data)
        elif not data:
            log.warning("line %s: %s is gone", self.name, self.path)
            self.close()
            self._lost()


def _stop_bits(part: SerialPart) -> int:
    """Section 2.5.1: a second stop bit where there is no parity bit."""
    return part.stop_bits if part.stop_bits is not None else 2 if part.parity == "none" else 1


def _is_pseudo_terminal(path: str) -> bool:
    """By its major number: the Linux kernel's list of allocated devices, UNIX98 PTY slaves."""
    try:
        return 136 <= os.major(os.stat(path).st_rdev) <= 143
    except OSError:
        return False


class _Port(asyncio.Transport):
    """What a connection needs of a transport. A serial port has no connection to end, and loses what nobody reads."""

    def __init__(self, descriptor: int) -> None:
        super().__init__()
        self._descriptor = descriptor

    def write(self, data: bytes | bytearray | memoryview) -> None:
        with suppress(OSError):
            os.write(self._descriptor, data)

    def close(self) -> None:
        with suppress(OSError, termios.error):
            termios.tcflush(self._descriptor, termios.TCIFLUSH)

    def abort(self) -> None:
        self.close()

    def pause_reading(self) -> None:
        """It goes on: what is not answered is not kept for ever."""

    def resume_reading(self) -> None:
        """It has never paused."""
