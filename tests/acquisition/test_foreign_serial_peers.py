"""RTU and ASCII against servers made by others, the libraries libmodbus (C) and pymodbus, on socat's serial ports."""

import shutil
import subprocess
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import FrameKind, Parity, SerialPath, TcpPath
from gateway.errors import DeviceExceptionError
from gateway.modbus.tables import Table
from tests.support.libmodbus import compiled
from tests.support.serial_wire import SerialRecorder, parse_ascii_requests, parse_rtu_requests
from tests.support.wire import SESSION_LEDGER, WireRecorder

LONG = 30.0
HERE = Path(__file__).parent
REGISTERS = list(range(300, 400))
BITS = [index % 5 == 0 for index in range(64)]


class Ports(NamedTuple):
    """The two ends of a null-modem cable."""

    near: Path
    far: Path


@pytest.fixture
def ports(tmp_path: Path) -> Iterator[Ports]:
    if shutil.which("socat") is None:
        pytest.fail("these tests need: apt-get install socat")
    made = Ports(tmp_path / "near", tmp_path / "far")
    command = ["socat", "-d", "-d", f"pty,rawer,link={made.near}", f"pty,rawer,link={made.far}"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if "starting data transfer loop" in line:
                break
        try:
            yield made
        finally:
            process.terminate()


@pytest.fixture(scope="session")
def libmodbus_rtu_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled server."""
    return compiled(HERE / "libmodbus_rtu_server.c", tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture
def libmodbus_port(libmodbus_rtu_server: Path, ports: Ports) -> Iterator[Path]:
    command = [libmodbus_rtu_server, ports.far]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        with SerialRecorder(ports.near.with_name("recorded"), ports.near, ledger=SESSION_LEDGER) as recorder:
            yield recorder.path
        process.stdin.close()
        assert process.wait(10) == 0


@pytest.mark.outside("libmodbus")
async def test_reads_all_tables_of_a_libmodbus_server(libmodbus_port: Path) -> None:
    link = open_path(SerialPath(str(libmodbus_port), 19_200, Parity.NONE, 1))
    await link.connect(LONG)
    try:
        assert await link.read(1, Table.HOLDING_REGISTERS, 0, 125, LONG) == tuple(range(1000, 1125))
        assert await link.read(1, Table.INPUT_REGISTERS, 299, 1, LONG) == (2299,)
        assert await link.read(1, Table.COILS, 0, 2000, LONG) == tuple(int(i % 3 == 0) for i in range(2000))
        assert await link.read(1, Table.DISCRETE_INPUTS, 1, 9, LONG) == (0, 1, 0, 1, 0, 1, 0, 1, 0)
        with pytest.raises(DeviceExceptionError, match="exception 2 "):
            await link.read(1, Table.HOLDING_REGISTERS, 250, 60, LONG)
        assert await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG) == (1007,)
    finally:
        await link.close()


def devices() -> list[SimDevice]:
    bits = SimData(0, values=BITS, datatype=DataType.BITS)
    registers = SimData(0, values=REGISTERS, datatype=DataType.REGISTERS)
    return [SimDevice(unit, simdata=([bits], [bits], [registers], [registers])) for unit in (1, 2)]


FRAMERS = {FrameKind.RTU: FramerType.RTU, FrameKind.ASCII: FramerType.ASCII}
PARSERS = {FrameKind.RTU: parse_rtu_requests, FrameKind.ASCII: parse_ascii_requests}


@pytest.fixture(params=FRAMERS)
async def pymodbus_path(request: pytest.FixtureRequest, ports: Ports) -> AsyncIterator[SerialPath]:
    server = ModbusSerialServer(devices(), framer=FRAMERS[request.param], port=str(ports.far), baudrate=19_200)
    await server.serve_forever(background=True)
    parse = PARSERS[request.param]
    with SerialRecorder(ports.near.with_name("recorded"), ports.near, ledger=SESSION_LEDGER, parse=parse) as recorder:
        yield SerialPath(str(recorder.path), 19_200, framing=request.param)
    await server.shutdown()  # type: ignore[no-untyped-call]


@pytest.fixture(params=FRAMERS)
async def pymodbus_converter(request: pytest.FixtureRequest) -> AsyncIterator[TcpPath]:
    server = ModbusTcpServer(devices(), framer=FRAMERS[request.param], address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    listening: Any = server.transport  # each event loop has a class of its own
    port = listening.sockets[0].getsockname()[1]
    with WireRecorder(port, ledger=SESSION_LEDGER, parse=PARSERS[request.param]) as recorder:
        yield TcpPath("127.0.0.1", recorder.port, request.param)
    await server.shutdown()  # type: ignore[no-untyped-call]


async def check_pymodbus(path: SerialPath | TcpPath) -> None:
    link = open_path(path)
    await link.connect(LONG)
    try:
        assert await link.read(1, Table.HOLDING_REGISTERS, 0, 100, LONG) == tuple(REGISTERS)
        assert await link.read(2, Table.INPUT_REGISTERS, 10, 2, LONG) == (310, 311)
        assert await link.read(1, Table.COILS, 3, 20, LONG) == tuple(map(int, BITS[3:23]))
        assert await link.read(2, Table.DISCRETE_INPUTS, 0, 1, LONG) == (1,)
        with pytest.raises(DeviceExceptionError, match="exception 2 "):
            await link.read(1, Table.HOLDING_REGISTERS, 99, 2, LONG)
    finally:
        await link.close()


@pytest.mark.outside("pymodbus")
async def test_reads_all_tables_of_a_pymodbus_server_on_a_serial_port(pymodbus_path: SerialPath) -> None:
    await check_pymodbus(pymodbus_path)


@pytest.mark.outside("pymodbus")
async def test_reads_all_tables_of_a_pymodbus_server_through_tcp(pymodbus_converter: TcpPath) -> None:
    await check_pymodbus(pymodbus_converter)
