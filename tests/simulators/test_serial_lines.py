"""Lines that are not Modbus TCP: pairs of serial ports, real ports, converters; asked by pymodbus and byte by byte."""

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from simulators import Running, Scenario, ScenarioError, load_scenario, serve
from simulators.framing import STREAM_FRAMINGS, Message
from simulators.serial_line import SerialLine
from tests.simulators.wire import PATIENCE_S

SITE = """\
lines:
  bus: {line}
tanks:
  T1:
    shape: {{kind: upright, diameter: 18 m, height: 14.6 m}}
    reference_height: 15.24 m
    density: {{value: 838 kg/m3, at: 15 degC}}
    level: 9.412 m
    liquid_temperature: 15 degC
instruments:
  LT:
    line: bus
    unit: 7
    signals:
      innage: {{tank: T1, quantity: innage, table: holding, address: 0, type: uint32, step: 0.1 mm}}
"""
WORDS = [1, 28584]  # 94120 = 1 x 65536 + 28584
READ = Message(b"", 7, bytes.fromhex("03 0000 0002"))


def site(folder: Path, line: str) -> Scenario:
    file = folder / "site.yaml"
    file.write_text(SITE.format(line=line), encoding="utf-8")
    return load_scenario(file)


@asynccontextmanager
async def pair(folder: Path, framing: str) -> AsyncIterator[tuple[Running, Path]]:
    path = folder / "bus"
    line = f"{{serial: {{pair: {path}, baud: 115200}}, framing: {framing}}}"
    async with serve(site(folder, line), by_clock=False) as running:
        yield running, path


class Port:
    """The client's end of a pair, byte by byte."""

    def __init__(self, path: Path) -> None:
        self._descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._descriptor)

    def send(self, data: bytes) -> None:
        os.write(self._descriptor, data)

    async def heard(self, size: int) -> bytes:
        data = b""
        async with asyncio.timeout(PATIENCE_S):
            while len(data) < size:
                try:
                    data += os.read(self._descriptor, 4096)
                except BlockingIOError:
                    await asyncio.sleep(0.005)
        return data

    def close(self) -> None:
        os.close(self._descriptor)


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
async def test_another_program_reads_a_pair(framing: str, tmp_path: Path) -> None:
    async with pair(tmp_path, framing) as (running, path):
        assert running.serial_ports == {"bus": str(path)}
        assert running.addresses == {}
        client = AsyncModbusSerialClient(str(path), framer=FramerType(framing), baudrate=115200, timeout=PATIENCE_S)
        assert await client.connect()
        try:
            answer = await client.read_holding_registers(0, count=2, device_id=7)
            assert answer.registers == WORDS
            assert (await client.write_register(0, 1, device_id=7)).isError()
        finally:
            client.close()
        assert (running.requests, running.writes_refused) == ({3: 1, 6: 1}, 1)
    assert not path.is_symlink(), "the path is taken away at the end"


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
async def test_another_program_reads_through_a_converter(framing: str, tmp_path: Path) -> None:
    async with serve(site(tmp_path, f"{{port: 0, framing: {framing}}}"), by_clock=False) as running:
        host, port = running.addresses["bus"]
        client = AsyncModbusTcpClient(host, port=port, framer=FramerType(framing), timeout=PATIENCE_S)
        assert await client.connect()
        try:
            assert (await client.read_holding_registers(0, count=2, device_id=7)).registers == WORDS
        finally:
            client.close()


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
async def test_absent_units_and_broadcasts_are_met_with_silence(framing: str, tmp_path: Path) -> None:
    frames = STREAM_FRAMINGS[framing]
    async with pair(tmp_path, framing) as (_, path):
        port = Port(path)
        right = frames.seal(Message(b"", 7, bytes.fromhex("03 04 0001 6FA8")))
        for unit in (0, 8):
            port.send(frames.seal(READ._replace(unit=unit)))
        port.send(frames.seal(READ))
        assert await port.heard(len(right)) == right, "nothing stands before the answer of the unit that is there"
        port.close()


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
@pytest.mark.parametrize("how", ["bytes", "truncated", "count", "unit", "function", "checksum"])
async def test_frames_garbled_on_a_serial_line(framing: str, how: str, tmp_path: Path) -> None:
    frames = STREAM_FRAMINGS[framing]
    async with pair(tmp_path, framing) as (running, path):
        port = Port(path)
        port.send(frames.seal(READ))
        right = await port.heard(len(frames.seal(Message(b"", 7, bytes(6)))))
        running.set_fault("LT", "garbled", how=how)
        port.send(frames.seal(READ))
        shorter = {"truncated": 3, "count": 2 if framing == "rtu" else 4}.get(how, 0)
        wrong = await port.heard(len(right) - shorter)
        assert wrong != right
        opened = frames.open(wrong)
        assert (opened is not None) == (how in ("count", "unit", "function"))
        running.clear_fault("LT")
        port.send(frames.seal(READ))
        assert await port.heard(len(right)) == right
        port.close()


async def test_a_real_port_is_served(tmp_path: Path) -> None:
    """Another pseudo terminal stands for it: its far end is the wire to the client."""
    wire, port = os.openpty()
    tty.setraw(wire)
    path = os.ttyname(port)
    async with serve(site(tmp_path, f"{{serial: {{port: {path}, baud: 115200}}}}"), by_clock=False) as running:
        frames = STREAM_FRAMINGS["rtu"]
        os.set_blocking(wire, False)
        os.write(wire, frames.seal(READ))
        data = b""
        async with asyncio.timeout(PATIENCE_S):
            while len(data) < 9:
                try:
                    data += os.read(wire, 4096)
                except BlockingIOError:
                    await asyncio.sleep(0.005)
        assert frames.open(data) == Message(b"", 7, bytes.fromhex("03 04 0001 6FA8"))
        assert running.serial_ports == {"bus": path}
    os.close(wire)
    os.close(port)


async def test_a_path_that_is_taken_is_said_and_one_left_behind_is_not(tmp_path: Path) -> None:
    path = tmp_path / "bus"
    path.write_text("mine")
    with pytest.raises(ScenarioError, match=r"line bus: .*/bus cannot be made \(File exists\); end what uses it"):
        async with pair(tmp_path, "rtu"):
            pass
    assert path.read_text() == "mine"
    path.unlink()
    path.symlink_to("/dev/pts/no-such-terminal")
    async with pair(tmp_path, "rtu"):
        assert path.exists()


async def test_a_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    line = f"{{serial: {{port: {tmp_path}/none, baud: 9600}}}}"
    with pytest.raises(ScenarioError, match=r"line bus: .*/none cannot be opened .*; give a serial port"):
        async with serve(site(tmp_path, line), by_clock=False):
            pass


def test_a_pair_takes_as_long_as_a_wire(tmp_path: Path) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1: 11 bits a character, so 9600 baud are 1.1458 ms; 3.5 of them are silent."""
    part = site(tmp_path, f"{{serial: {{pair: {tmp_path}/bus, baud: 9600}}}}").lines["bus"].serial
    assert part is not None
    line = SerialLine("bus", {}, part, "rtu")
    assert line._wire_time_s(8 + 9) == pytest.approx((3.5 + 17) * 11 / 9600)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("{serial: {baud: 9600}}", "serial.pair: is missing, and 'port' too; give one of the two"),
        ("{serial: {pair: bus, baud: 9600}}", "serial.pair: 'bus' is no whole path; begin it with a slash"),
        ("{serial: {pair: /tmp/b, baud: 9601}}", "serial.baud: '9601' is no usual baud rate; give one of: 300, "),
        ("{serial: {pair: /tmp/b, baud: 9600}, framing: tcp}", "framing: 'tcp' is nothing for a serial line; give "),
        ("{serial: {pair: /tmp/b, baud: 9600}, port: 502}", "port: 502 stands beside 'serial'; leave one of the two"),
        (
            "{framing: rtu, unknown_unit: exception}",
            "unknown_unit: 'exception' is not to be had in frames of rtu; give ",
        ),
    ],
)
def test_mistakes_in_a_line(line: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(ScenarioError) as caught:
        site(tmp_path, line)
    assert str(caught.value).startswith(f"site.yaml:2: lines.bus.{message}")


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ("garbled, options: {how: length}", "options.how: 'length' is nothing in a frame of rtu; give one of: bytes, "),
        ("dropped_connection", "fault: 'dropped_connection': a serial port has no connection to end; give 'silence'"),
    ],
)
def test_faults_that_a_serial_line_cannot_have(fault: str, message: str, tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    text = SITE.format(line=f"{{serial: {{pair: {tmp_path}/bus, baud: 9600}}}}")
    file.write_text(f"{text}faults:\n  - {{instrument: LT, fault: {fault}}}\n", encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(file)
    assert f"faults[1].{message}" in str(caught.value)
