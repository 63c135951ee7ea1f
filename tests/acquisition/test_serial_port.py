"""The serial port itself: its timing, its lock, and its coming and going, on pseudo terminals."""

import asyncio
import errno
import os
from pathlib import Path

import pytest
import serial
from structlog.testing import capture_logs

from gateway.acquisition.links.serial_port import character_s, silence_s
from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import FrameKind, Parity, SerialPath
from gateway.errors import NoConnectionError
from gateway.modbus.tables import Table
from tests.acquisition.wire_peer import Asked, Wire, on_a_pty

LONG = 30.0


@pytest.mark.outside(
    "MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters, fixed at 1.75 ms above 19200 baud"
)
@pytest.mark.parametrize(
    ("baud", "silence_ms"), [(1200, 32.083), (9600, 4.0104), (19_200, 2.0052), (38_400, 1.75), (115_200, 1.75)]
)
def test_silence_between_frames(baud: int, silence_ms: float) -> None:
    assert silence_s(SerialPath("/dev/ttyS0", baud)) * 1000 == pytest.approx(silence_ms, abs=5e-4)


@pytest.mark.outside("MODBUS over Serial Line V1.02, section 2.5.1: 11 bits a character, two stop bits without parity")
@pytest.mark.parametrize(
    ("parity", "stop_bits", "framing", "bits"),
    [
        (Parity.EVEN, 1, FrameKind.RTU, 11),
        (Parity.ODD, 1, FrameKind.RTU, 11),
        (Parity.NONE, 2, FrameKind.RTU, 11),
        (Parity.NONE, 1, FrameKind.RTU, 10),
        (Parity.EVEN, 1, FrameKind.ASCII, 10),
    ],
)
def test_bits_of_a_character(parity: Parity, stop_bits: int, framing: FrameKind, bits: int) -> None:
    assert character_s(SerialPath("/dev/ttyS0", 1000, parity, stop_bits, framing)) == pytest.approx(bits / 1000)


async def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    """The name comes back with another device behind it, as with a USB adapter."""
    path = tmp_path / "ttyUSB0"
    link = open_path(SerialPath(str(path), 19_200))
    with pytest.raises(NoConnectionError, match=r"there is no port .*ttyUSB0: is it plugged in"):
        await link.connect(LONG)
    for _ in range(3):
        async with on_a_pty(path) as (_, line):
            await link.connect(LONG)
            assert await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG) == (1007,)
            line.unplug()
            with pytest.raises(NoConnectionError, match="the port is gone"):
                await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG)
            assert not link.connected
        with pytest.raises(NoConnectionError, match="there is no port"):
            await link.connect(LONG)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOENT, "a service sees none at all unless its unit allows devices"),
        (errno.EACCES, "must be in its group, most often dialout"),
        (errno.EPERM, "is withheld from this service: its unit must allow this class of devices"),
        (errno.EBUSY, "another program holds"),
        (errno.ENXIO, "No such device or address"),
    ],
)
async def test_why_a_port_cannot_be_opened(code: int, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """EPERM, which no rights of the file explain, is what the device filter of a control group answers with."""

    def refuse(self: serial.Serial) -> None:
        raise serial.SerialException(code, os.strerror(code))

    monkeypatch.setattr(serial.Serial, "open", refuse)
    with pytest.raises(NoConnectionError, match=f"(?i)/dev/ttyUSB0.*{words}|{words} /dev/ttyUSB0"):
        await open_path(SerialPath("/dev/ttyUSB0", 19_200)).connect(LONG)


async def test_unplugged_while_a_read_waits(tmp_path: Path) -> None:
    path = tmp_path / "ttyUSB0"

    async def unplug(asked: Asked, wire: Wire) -> None:
        line.unplug()

    async with on_a_pty(path, unplug) as (_, line):
        link = open_path(SerialPath(str(path), 19_200))
        await link.connect(LONG)
        with pytest.raises(NoConnectionError, match="the port is gone"):
            await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG)
        await link.close()


async def test_unplugged_while_nothing_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "ttyUSB0"
    async with on_a_pty(path) as (_, line):
        link = open_path(SerialPath(str(path), 19_200))
        await link.connect(LONG)
        line.unplug()
        async with asyncio.timeout(LONG):
            while link.connected:  # noqa: ASYNC110 - the link tells nobody
                await asyncio.sleep(0.001)
        await link.close()


async def test_a_port_that_another_program_holds(tmp_path: Path) -> None:
    path = tmp_path / "ttyUSB0"
    async with on_a_pty(path):
        link = open_path(SerialPath(str(path), 19_200))
        with serial.Serial(str(path), exclusive=True):
            descriptors = len(os.listdir("/proc/self/fd"))
            with pytest.raises(NoConnectionError, match=r"another program holds .*ttyUSB0; two masters"):
                await link.connect(LONG)
            assert len(os.listdir("/proc/self/fd")) == descriptors
        await link.connect(LONG)
        with pytest.raises(serial.SerialException, match=r"exclusively lock|resource busy"):
            serial.Serial(str(path), exclusive=True)
        await link.close()
        serial.Serial(str(path), exclusive=True).close()


async def test_what_is_no_port(tmp_path: Path) -> None:
    plain = tmp_path / "notes.txt"
    plain.touch()
    with pytest.raises(NoConnectionError, match=r"notes\.txt"):
        await open_path(SerialPath(str(plain), 9600)).connect(LONG)


async def test_a_driver_without_rs485_is_said_once_and_used_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "ttyUSB0"
    async with on_a_pty(path):
        link = open_path(SerialPath(str(path), 9600, rs485=True))
        with capture_logs() as logs:
            for _ in range(2):
                await link.connect(LONG)
                assert await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG) == (1007,)
        assert [entry["event"] for entry in logs] == ["serial.rs485_refused"]
        await link.close()
