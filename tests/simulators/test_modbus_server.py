"""The read-only server on real sockets: order, exceptions, refusals, and what is not Modbus."""

import asyncio
import contextlib
import struct

import pytest
import uvloop
from pymodbus.client import AsyncModbusTcpClient

from simulators import load_scenario, serve
from simulators.encoding import Encoding
from simulators.instrument import Instrument, Signal
from simulators.modbus_server import Line
from tests.simulators.wire import PATIENCE_S, eventually, frame, read_request, wire_to

SCENARIO = load_scenario("printed_state")
FREE = dict.fromkeys(SCENARIO.lines, 0)


def numbers(table: str, first: int, values: list[float]) -> tuple[Signal, ...]:
    return tuple(
        Signal(f"r{address}", "innage", table, address, lambda value=value: value, Encoding("uint16"))  # type: ignore[misc]
        for address, value in enumerate(values, first)
    )


def bits(table: str, first: int, packed: bytes, count: int) -> tuple[Signal, ...]:
    return tuple(
        Signal(
            f"b{index}",
            "contact",
            table,
            first + index,
            lambda closed=packed[index // 8] >> index % 8 & 1: float(closed),  # type: ignore[misc]
        )
        for index in range(count)
    )


@pytest.mark.outside("MODBUS Application Protocol Specification V1.1b3, printed example frames of 6.1 to 6.4")
@pytest.mark.parametrize(
    ("signals", "request_hex", "reply_hex"),
    # From memory of the specification's examples.
    [
        (bits("coil", 0x13, bytes.fromhex("CD6B05"), 19), "01 0013 0013", "01 03 CD 6B 05"),
        (bits("discrete", 0xC4, bytes.fromhex("ACDB35"), 22), "02 00C4 0016", "02 03 AC DB 35"),
        (numbers("holding", 0x6B, [0x022B, 0, 0x64]), "03 006B 0003", "03 06 022B 0000 0064"),
        (numbers("input", 8, [10]), "04 0008 0001", "04 02 000A"),
    ],
)
async def test_example_frames_of_the_specification(
    signals: tuple[Signal, ...], request_hex: str, reply_hex: str
) -> None:
    line = Line("line", {17: Instrument("X", 17, signals)})
    await line.open("127.0.0.1", 0)
    try:
        async with wire_to(line.address) as wire:
            wire.send(frame(0x1501, 17, bytes.fromhex(request_hex)))
            assert await wire.frame() == frame(0x1501, 17, bytes.fromhex(reply_hex))
    finally:
        line.close()


async def test_pipelined_requests_are_answered_in_order_however_they_arrive() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["power"]) as wire:
        asked = [(number, 21 + number % 2) for number in range(100)]
        data = b"".join(read_request(number, unit, 3, 0, 4) for number, unit in asked)
        for start in range(0, len(data), 7):  # cut across every frame
            wire.send(data[start : start + 7])
            await wire.writer.drain()
        for number, unit in asked:
            reply = await wire.frame()
            assert struct.unpack(">H", reply[:2])[0] == number
            assert reply[6] == unit
            assert reply[7:9] == b"\x03\x08"
        assert running.requests == {3: 100}


@pytest.mark.parametrize("function", [1, 2, 3, 4])
@pytest.mark.parametrize("count", [0, 126, 2001, 65535])
async def test_bad_counts_get_exception_3(function: int, count: int) -> None:
    if function <= 2 and count == 126:
        count = 2001
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        assert await wire.ask(1, function, 0, count) == bytes((function | 0x80, 3))
        wire.send(frame(9, 1, bytes((function, 0, 0))))
        assert (await wire.frame())[7:] == bytes((function | 0x80, 3))


async def test_addresses_get_data_zeros_or_exception_2() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        async with wire_to(running.addresses["bus-a"]) as wire:
            assert await wire.ask(3, 4, 8, 4) == bytes.fromhex("04 08 0000 0000 0023 0000")
            assert await wire.ask(3, 4, 0, 2) == bytes.fromhex("04 04 0000 0000")
            assert await wire.ask(3, 4, 500, 2) == bytes.fromhex("04 04 0000 0000")
            assert await wire.ask(3, 4, 65535, 2) == bytes.fromhex("84 02")
            assert await wire.ask(3, 3, 10, 1) == bytes.fromhex("83 02"), "it has no holding registers"
        async with wire_to(running.addresses["yard-1"]) as wire:
            for start, count in [(0, 2), (1, 1), (5, 3), (9, 2), (0, 12)]:
                assert await wire.ask(5, 4, start, count) == bytes.fromhex("84 02")
            assert await wire.ask(5, 4, 10, 2) == bytes.fromhex("04 04 00F5 00F7")


async def test_device_that_refuses_gaps() -> None:
    instrument = Instrument("X", 1, numbers("holding", 4, [1, 2]) + numbers("holding", 8, [3]), gaps_refused=True)
    line = Line("line", {1: instrument})
    await line.open("127.0.0.1", 0)
    async with wire_to(line.address) as wire:
        assert await wire.ask(1, 3, 4, 2) == bytes.fromhex("03 04 0001 0002")
        assert await wire.ask(1, 3, 4, 3) == bytes.fromhex("83 02")
        assert await wire.ask(1, 3, 3, 1) == bytes.fromhex("83 02")
    line.close()


async def test_writes_are_refused_counted_and_change_nothing(caplog: pytest.LogCaptureFixture) -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        host, port = running.addresses["yard-1"]
        client = AsyncModbusTcpClient(host, port=port, timeout=5, retries=0, reconnect_delay=0)
        assert await client.connect()
        before = {tag: (tank.level_m, tank.mass_kg) for tag, tank in running.world.tanks.items()}
        image = (await client.read_holding_registers(100, count=20, device_id=1)).registers
        replies = [
            await client.write_coil(0, True, device_id=1),
            await client.write_register(100, 1, device_id=1),
            await client.write_coils(0, [True, True], device_id=1),
            await client.write_registers(100, [1, 2], device_id=1),
            await client.mask_write_register(address=100, and_mask=0, or_mask=1, device_id=1),
            await client.readwrite_registers(
                read_address=100, read_count=1, write_address=100, values=[9], device_id=1
            ),
        ]
        assert [reply.exception_code for reply in replies] == [1] * 6
        assert running.writes_refused == 6
        assert {code: running.requests[code] for code in (5, 6, 15, 16, 22, 23)} == dict.fromkeys(
            (5, 6, 15, 16, 22, 23), 1
        )
        assert (await client.read_holding_registers(100, count=20, device_id=1)).registers == image
        assert {tag: (tank.level_m, tank.mass_kg) for tag, tank in running.world.tanks.items()} == before
        client.close()
    assert sum("refused it" in record.message for record in caplog.records) == 6


@pytest.mark.parametrize("function", [0, 7, 8, 20, 24, 43, 100, 127, 131])
async def test_every_other_function_gets_exception_1(function: int) -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        wire.send(frame(1, 1, bytes((function, 0, 0))))
        assert (await wire.frame())[7:] == bytes((function | 0x80, 1))
        assert running.requests[function] == 1
        assert running.writes_refused == 0


async def test_unknown_unit_is_silence_or_exception_11_as_the_line_says() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        wire.send(read_request(1, 99, 3, 0, 1) + read_request(2, 1, 3, 0, 2))
        assert (await wire.frame())[:2] == b"\x00\x02", "nothing answered for the unknown unit"
    lines = {name: part.model_copy(update={"unknown_unit": "exception"}) for name, part in SCENARIO.lines.items()}
    telling = SCENARIO.model_copy(update={"lines": lines})
    async with serve(telling, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        assert await wire.ask(99, 3, 0, 1) == bytes.fromhex("83 0B")


@pytest.mark.parametrize("junk", [b"GET / HTTP/1.1\r\n\r\n", struct.pack(">HHHB", 1, 0, 1, 1), b"\0\1\0\0\xff\xff\1\3"])
async def test_what_is_not_modbus_ends_the_connection(junk: bytes) -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        wire.send(read_request(5, 1, 3, 0, 2) + junk)
        assert (await wire.frame())[:2] == b"\x00\x05", "what came before is still answered"
        assert await wire.rest() == b""


async def test_client_that_never_reads_does_not_fill_memory() -> None:
    sent = 80_000  # 20 MB of replies, more than the kernel takes for one connection
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["yard-1"]) as wire:
        line = running.lines["yard-1"]
        wire.send(read_request(1, 1, 3, 0, 125) * sent)
        await eventually(lambda: any(connection.paused for connection in line.connections))
        assert line.requests[3] < sent
        expected = sent * (9 + 250)
        async with asyncio.timeout(PATIENCE_S * 4):
            while expected:
                expected -= len(await wire.reader.read(1 << 20))
        assert line.requests[3] == sent


async def test_shutdown_is_clean_with_clients_connected() -> None:
    async with serve(SCENARIO, ports=FREE) as running:
        readers = []
        for address in running.addresses.values():
            for _ in range(5):
                reader, writer = await asyncio.open_connection(*address)
                writer.write(read_request(1, 200, 3, 0, 1))
                readers.append((reader, writer))
        async with wire_to(running.addresses["bus-a"]) as wire:
            running.set_fault("LT-101", "slow", delay_s=60.0)
            wire.send(read_request(1, 1, 3, 0, 2))
            await wire.writer.drain()
    tasks = {task.get_name() for task in asyncio.all_tasks()}
    assert not any("simulators" in name for name in tasks)
    for reader, writer in readers:
        async with asyncio.timeout(PATIENCE_S):
            with contextlib.suppress(ConnectionResetError):
                assert await reader.read() == b""
        writer.close()
    for address in running.addresses.values():
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(*address)


async def test_taken_port_is_replaced_by_a_free_one_and_told() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as first:
        taken = first.addresses["bus-a"][1]
        async with serve(SCENARIO, ports=FREE | {"bus-a": taken}, by_clock=False) as second:
            given = second.addresses["bus-a"][1]
            assert given != taken
            assert second.replaced == {"bus-a": (taken, given)}
        assert first.replaced == {}


def test_serves_on_the_faster_loop_too() -> None:
    async def exchange() -> None:
        async with serve(SCENARIO, ports=FREE) as running:
            async with wire_to(running.addresses["bus-a"]) as wire:
                assert await wire.ask(1, 3, 0, 2) == bytes.fromhex("03 04 0000 E3A8")
                running.set_fault("LT-101", "refused_connection")
                assert await wire.rest() == b""
            running.clear_fault("LT-101")
            await eventually(lambda: running.lines["bus-a"].listening)
            async with wire_to(running.addresses["bus-a"]) as wire:
                assert await wire.ask(1, 3, 0, 2) == bytes.fromhex("03 04 0000 E3A8")

    uvloop.run(exchange())


async def test_time_goes_by_the_clock() -> None:
    pumping = load_scenario("demo").model_copy(update={"tick": 0.01, "time_factor": 100.0})
    async with serve(pumping, ports=FREE) as running:
        await eventually(lambda: running.now_s >= 10.0)
        assert running.tank("TK-101").level_m < 9.412


async def test_a_site_whose_time_has_stopped_stops_answering(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with serve(SCENARIO.model_copy(update={"tick": 0.01}), ports=FREE) as running:

        def broken() -> None:
            raise ZeroDivisionError

        monkeypatch.setattr(running.world, "tick", broken)
        async with asyncio.timeout(PATIENCE_S):
            await running.failed.wait()
        assert isinstance(running.failure, ZeroDivisionError)
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(*running.addresses["bus-a"])
    assert "the simulated time has stopped" in caplog.text


@pytest.mark.parametrize("cancelled", [True, False])
async def test_a_site_whose_lines_nobody_keeps_stops_answering(
    cancelled: bool, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with serve(SCENARIO, ports=FREE) as running:
        if cancelled:
            (keeper,) = [task for task in asyncio.all_tasks() if task.get_name() == "simulators.keep_lines"]
            keeper.cancel()
        else:
            monkeypatch.setattr(running, "_refuses", lambda line: 1 // 0)
            running._refusing.set()
        async with asyncio.timeout(PATIENCE_S):
            await running.failed.wait()
        assert isinstance(running.failure, RuntimeError if cancelled else ZeroDivisionError)
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(*running.addresses["bus-a"])
    assert "nothing keeps the simulated lines any more" in caplog.text
