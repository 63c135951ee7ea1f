"""The link and the decoder against Modbus made by others: the general-purpose libraries libmodbus (C) and pymodbus."""

import asyncio
import subprocess
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.acquisition.links.connection_pool import ConnectionPool
from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.acquisition.links.transports import open_link
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.signals.decode import signal_decoder
from gateway.acquisition.signals.register_map import ByteOrder, Signal, ValueType
from gateway.errors import DeviceExceptionError
from gateway.modbus.tables import Table
from tests.acquisition.peer import peer
from tests.support.libmodbus import compiled

LONG = 30.0
HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def libmodbus_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled server."""
    return compiled(HERE / "libmodbus_server.c", tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture
def libmodbus_port(libmodbus_server: Path) -> Iterator[int]:
    with subprocess.Popen([libmodbus_server], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        yield int(process.stdout.readline())
        process.stdin.close()
        assert process.wait(10) == 0


@pytest.mark.outside("libmodbus")
async def test_reads_all_tables_of_a_libmodbus_server(libmodbus_port: int) -> None:
    link = ModbusTcpLink("127.0.0.1", libmodbus_port)
    await link.connect(LONG)
    try:
        assert await link.read(1, Table.HOLDING_REGISTERS, 0, 125, LONG) == tuple(range(1000, 1125))
        assert await link.read(1, Table.INPUT_REGISTERS, 299, 1, LONG) == (2299,)
        assert await link.read(1, Table.COILS, 0, 2000, LONG) == tuple(int(i % 3 == 0) for i in range(2000))
        assert await link.read(255, Table.DISCRETE_INPUTS, 1, 9, LONG) == (0, 1, 0, 1, 0, 1, 0, 1, 0)
        with pytest.raises(DeviceExceptionError, match="exception 2 "):
            await link.read(1, Table.HOLDING_REGISTERS, 250, 60, LONG)
        assert await link.read(1, Table.HOLDING_REGISTERS, 7, 1, LONG) == (1007,)
    finally:
        await link.close()


@pytest.mark.outside("libmodbus")
async def test_an_answer_that_came_while_this_process_was_held_up_is_not_too_late(libmodbus_port: int) -> None:
    link = ModbusTcpLink("127.0.0.1", libmodbus_port)
    await link.connect(LONG)
    try:
        reading = asyncio.create_task(link.read(1, Table.HOLDING_REGISTERS, 0, 2, 0.1))
        for _ in range(3):
            await asyncio.sleep(0)  # until it has been sent
        time.sleep(0.5)  # noqa: ASYNC251 - holds up the event loop, as a busy machine does
        assert await reading == (1000, 1001)
    finally:
        await link.close()


@pytest.mark.outside("libmodbus")
async def test_reads_over_several_connections_to_a_libmodbus_server(libmodbus_port: int) -> None:
    link = open_link(LinePlan("yard", "127.0.0.1", libmodbus_port, (), connections=4))
    assert isinstance(link, ConnectionPool)
    await link.connect(LONG)
    try:
        async with asyncio.timeout(LONG):
            while link.open_connections < 4:
                await link.read(1, Table.HOLDING_REGISTERS, 0, 1, LONG)
        found = await asyncio.gather(
            *(link.read(1, Table.HOLDING_REGISTERS, address, 2, LONG) for address in range(200))
        )
        assert found == [(1000 + address, 1001 + address) for address in range(200)]
    finally:
        await link.close()


REGISTERS = list(range(300, 400))
LONG_WAYS = [index % 5 == 0 for index in range(64)]


@pytest.fixture
async def pymodbus_port() -> AsyncIterator[int]:
    bits = SimData(0, values=LONG_WAYS, datatype=DataType.BITS)
    registers = SimData(0, values=REGISTERS, datatype=DataType.REGISTERS)
    server = ModbusTcpServer(
        [SimDevice(unit, simdata=([bits], [bits], [registers], [registers])) for unit in (1, 2)],
        address=("127.0.0.1", 0),
    )
    await server.serve_forever(background=True)
    assert isinstance(server.transport, asyncio.Server)
    yield server.transport.sockets[0].getsockname()[1]
    await server.shutdown()  # type: ignore[no-untyped-call]


@pytest.mark.outside("pymodbus")
async def test_reads_all_tables_of_a_pymodbus_server(pymodbus_port: int) -> None:
    link = ModbusTcpLink("127.0.0.1", pymodbus_port)
    await link.connect(LONG)
    try:
        assert await link.read(1, Table.HOLDING_REGISTERS, 0, 100, LONG) == tuple(REGISTERS)
        assert await link.read(2, Table.INPUT_REGISTERS, 10, 2, LONG) == (310, 311)
        assert await link.read(1, Table.COILS, 3, 20, LONG) == tuple(map(int, LONG_WAYS[3:23]))
        assert await link.read(2, Table.DISCRETE_INPUTS, 0, 1, LONG) == (1,)
        with pytest.raises(DeviceExceptionError, match="exception 2 "):
            await link.read(1, Table.HOLDING_REGISTERS, 99, 2, LONG)
    finally:
        await link.close()


@pytest.mark.outside("pymodbus")
async def test_a_pymodbus_client_reads_the_same_from_the_tests_own_peer() -> None:
    """So the peer that plays all the faults does speak Modbus when it means to."""
    async with peer() as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        client = AsyncModbusTcpClient("127.0.0.1", port=server.port)
        await link.connect(LONG)
        assert await client.connect()
        try:
            registers = await client.read_input_registers(5, count=7, device_id=3)
            assert await link.read(3, Table.INPUT_REGISTERS, 5, 7, LONG) == tuple(registers.registers)
            coils = await client.read_coils(5, count=16, device_id=3)
            assert await link.read(3, Table.COILS, 5, 16, LONG) == tuple(map(int, coils.bits))
        finally:
            client.close()
            await link.close()


PYMODBUS_TYPES = {
    ValueType.INT16: ModbusClientMixin.DATATYPE.INT16,
    ValueType.UINT16: ModbusClientMixin.DATATYPE.UINT16,
    ValueType.INT32: ModbusClientMixin.DATATYPE.INT32,
    ValueType.UINT32: ModbusClientMixin.DATATYPE.UINT32,
    ValueType.INT64: ModbusClientMixin.DATATYPE.INT64,
    ValueType.UINT64: ModbusClientMixin.DATATYPE.UINT64,
    ValueType.FLOAT32: ModbusClientMixin.DATATYPE.FLOAT32,
    ValueType.FLOAT64: ModbusClientMixin.DATATYPE.FLOAT64,
}


@pytest.mark.outside("pymodbus")
@pytest.mark.parametrize("kind", PYMODBUS_TYPES)
@pytest.mark.parametrize(("order", "word_order"), [(ByteOrder.ABCD, "big"), (ByteOrder.CDAB, "little")])
def test_registers_encoded_by_pymodbus_decode_to_the_same_number(
    kind: ValueType, order: ByteOrder, word_order: str
) -> None:
    signed = kind.value.startswith(("int", "float"))
    for number in (0, 1, 100, 30110, *((-1, -30110) if signed else ())):
        sent = ModbusClientMixin.convert_to_registers(
            float(number) if kind.value.startswith("float") else number,
            PYMODBUS_TYPES[kind],
            word_order=word_order,  # type: ignore[arg-type]
        )
        decode = signal_decoder(Signal("level", Table.HOLDING_REGISTERS, 0, kind, order))
        assert decode(tuple(sent)).value == number
