"""Every instrument of the ten demo tanks, read by pymodbus and decoded apart from the simulator's own encoder.

The table is written from the demo site's register worksheet and the state the ten tanks are described in, not from
the scenario file.
"""

import math
import struct
from typing import NamedTuple

import pytest
from pymodbus.client import AsyncModbusTcpClient

from simulators import Scenario, describe, load_scenario, serve


class Row(NamedTuple):
    line: str
    unit: int
    table: str
    address: int
    type: str
    order: str
    scale: float
    values: tuple[float, ...]
    """Engineering values at consecutive addresses, in the unit of the scale."""


SIXTEENTHS = 1.0
PRINTED = {
    "LT-101 ullage mm": Row("bus-a", 1, "holding", 0, "I", "ABCD", 0.1, (5828.0,)),
    "TT-101": Row("bus-a", 2, "input", 0, "h", "ABCD", 0.1, (14.1, 14.3, 14.8, 15.6, 19.2)),
    "WT-101 mm": Row("bus-a", 3, "input", 10, "H", "ABCD", 1.0, (35.0,)),
    "LT-3 innage, water": Row("bus-a", 11, "input", 0, "f", "ABCD", 1.0, (5.120, 0.018)),
    "TT-3": Row("bus-a", 12, "input", 0, "f", "ABCD", 1.0, (27.2, 27.9, 29.4, 34.1, 36.0)),
    "XT-204 innage, water": Row("yard-1", 1, "holding", 100, "f", "CDAB", 1.0, (8.236, 0.052)),
    "XT-204 t": Row("yard-1", 1, "holding", 110, "f", "CDAB", 1.0, (17.6, 17.9, 18.4, 19.0, 23.5)),
    "XT-B2 innage, bar": Row("yard-1", 4, "holding", 0, "f", "BADC", 1.0, (1.640, 5.4)),
    "XT-B2 t": Row("yard-1", 4, "holding", 10, "f", "BADC", 1.0, (23.8, 24.4, 27.5, 28.1)),
    "XT-C7 kPa": Row("yard-1", 5, "input", 0, "H", "ABCD", 0.01, (68.15,)),
    "XT-C7 t": Row("yard-1", 5, "input", 10, "h", "ABCD", 0.1, (24.5, 24.7)),
    "XT-P12 mm": Row("yard-2", 6, "holding", 0, "I", "DCBA", 1.0, (9310.0,)),
    "XT-P12 t": Row("yard-2", 6, "holding", 20, "h", "ABCD", 0.1, (53.1, 51.7, 50.9, 50.2, 49.4, 33.0)),
    "IO-BO5 uA": Row("yard-2", 7, "input", 0, "H", "ABCD", 1.0, (10110.0,)),
    "IO-BO5 t": Row("yard-2", 7, "input", 8, "h", "ABCD", 0.1, (38.6, 39.4, 29.0)),
    "XT-A1 kPa": Row("yard-2", 8, "input", 0, "d", "ABCD", 1.0, (5.176,)),
    "XT-A1 t": Row("yard-2", 8, "input", 4, "h", "BADC", 0.1, (35.0,)),
    "LT-F1 mm": Row("power", 21, "holding", 0, "q", "ABCD", 0.1, (11204.0,)),
    "TT-F1": Row("power", 22, "holding", 0, "f", "ABCD", 1.0, (64.8, 62.1, 58.0, 52.3, 47.0, 30.0)),
    # 31 ft 7-5/16 in and 1-1/2 in; 17 ft 10-7/16 in of ullage.
    "LT-D1A sixteenths": Row("power", 31, "input", 0, "H", "ABCD", SIXTEENTHS, (6069.0, 24.0)),
    "LT-D1B sixteenths": Row("power", 32, "input", 0, "H", "ABCD", SIXTEENTHS, ((17 * 12 + 10) * 16 + 7,)),
    "TT-D1 degF": Row("power", 33, "input", 0, "h", "ABCD", 0.1, (71.2, 71.8, 72.5, 73.6, 74.9, 88.0)),
}


def decode(row: Row, registers: list[int]) -> tuple[float, ...]:
    width = struct.calcsize(f">{row.type}") // 2
    values = []
    for start in range(0, len(registers), width):
        words = registers[start : start + width]
        if row.order in ("CDAB", "DCBA"):
            words = words[::-1]
        swapped = row.order in ("BADC", "DCBA")
        data = b"".join(word.to_bytes(2, "little" if swapped else "big") for word in words)
        values.append(struct.unpack(f">{row.type}", data)[0] * row.scale)
    return tuple(values)


async def read(client: AsyncModbusTcpClient, row: Row) -> tuple[float, ...]:
    count = len(row.values) * struct.calcsize(f">{row.type}") // 2
    ask = client.read_holding_registers if row.table == "holding" else client.read_input_registers
    reply = await ask(row.address, count=count, device_id=row.unit)
    assert not reply.isError(), reply
    return decode(row, list(reply.registers))


def half_a_count(row: Row, value: float) -> float:
    return abs(value) * 2e-7 if row.type == "f" else 1e-9


@pytest.mark.outside("pymodbus client as an independent Modbus peer")
@pytest.mark.parametrize("scenario_name", ["printed_state", "demo"])
async def test_peer_reads_every_instrument_as_described(scenario_name: str) -> None:
    scenario = load_scenario(scenario_name)
    if scenario_name == "demo":
        scenario = quiet(scenario)
    async with serve(scenario, ports=dict.fromkeys(scenario.lines, 0), by_clock=False) as running:
        for line, (host, port) in running.addresses.items():
            client = AsyncModbusTcpClient(host, port=port, timeout=5, retries=0, reconnect_delay=0)
            assert await client.connect()
            try:
                for name, row in PRINTED.items():
                    if row.line == line:
                        found = await read(client, row)
                        for value, wanted in zip(found, row.values, strict=True):
                            assert value == pytest.approx(wanted, abs=half_a_count(row, wanted)), name
            finally:
                client.close()


def quiet(scenario: Scenario) -> Scenario:
    """The demo as it begins, without its noise."""
    return scenario.model_copy(update={"noise": load_scenario("printed_state").noise})


def test_table_covers_every_instrument() -> None:
    described = {(row.line, row.unit) for row in describe(load_scenario("printed_state"))}
    assert {(row.line, row.unit) for row in PRINTED.values()} == described


async def test_contacts_and_gaps() -> None:
    scenario = load_scenario("printed_state")
    async with serve(scenario, ports=dict.fromkeys(scenario.lines, 0), by_clock=False) as running:
        host, port = running.addresses["yard-1"]
        client = AsyncModbusTcpClient(host, port=port, timeout=5, retries=0, reconnect_delay=0)
        assert await client.connect()
        reply = await client.read_holding_registers(104, count=6, device_id=1)
        assert reply.registers == [0] * 6
        running.set_fault("XT-204", "gauge_fault")
        reply = await client.read_holding_registers(104, count=6, device_id=1)
        assert reply.registers == [8, 0, 0, 0, 0, 0]
        reply = await client.read_input_registers(0, count=12, device_id=5)
        assert reply.exception_code == 2
        reply = await client.read_input_registers(1, count=1, device_id=5)
        assert reply.exception_code == 2
        client.close()
        host, port = running.addresses["bus-a"]
        client = AsyncModbusTcpClient(host, port=port, timeout=5, retries=0, reconnect_delay=0)
        assert await client.connect()
        assert (await client.read_discrete_inputs(0, count=1, device_id=1)).bits[0] is False
        running.set_fault("LT-101", "gauge_fault")
        assert (await client.read_discrete_inputs(0, count=1, device_id=1)).bits[0] is True
        client.close()


async def test_water_probe_without_water_says_nothing_there() -> None:
    scenario = load_scenario("printed_state")
    async with serve(scenario, ports=dict.fromkeys(scenario.lines, 0), by_clock=False) as running:
        running.tank("TK-101").set_water(0.0)
        running.tank("D-1").set_water(0.0)
        running.tank("J-3").set_water(0.0)
        instruments = running.world.instruments
        assert instruments["WT-101"].read("input", 10, 1) == b"\xff\xff"
        assert instruments["LT-D1A"].read("input", 1, 1) == b"\xff\xff"
        assert struct.unpack(">f", instruments["LT-3"].read("input", 2, 2))[0] == 0.0


async def test_changed_truth_shows_at_once() -> None:
    scenario = load_scenario("printed_state")
    async with serve(scenario, ports=dict.fromkeys(scenario.lines, 0), by_clock=False) as running:
        host, port = running.addresses["bus-a"]
        client = AsyncModbusTcpClient(host, port=port, timeout=5, retries=0, reconnect_delay=0)
        assert await client.connect()
        level, elements = PRINTED["LT-101 ullage mm"], PRINTED["TT-101"]
        assert await read(client, level) == pytest.approx((5828.0,))
        running.tank("TK-101").set_level(3.2)
        running.tank("TK-101").set_temperatures([10.0, 11.5, 20.0, 21.0, 22.0])
        assert await read(client, level) == pytest.approx((12040.0,))
        assert await read(client, elements) == pytest.approx((10.0, 11.5, 20.0, 21.0, 22.0))
        client.close()


def test_quantities_behind_the_readings() -> None:
    # Tank geometry by hand: pi D^2/4 h, and the heel below the datum.
    from simulators import World

    tanks = World(load_scenario("printed_state")).tanks
    assert tanks["TK-101"].observed_volume_m3 == pytest.approx(math.pi * 81 * 9.412)
    assert tanks["J-3"].water_volume_m3 == pytest.approx(math.pi * 36 * 0.018 + 4.2)
    assert tanks["B-2"].observed_volume_m3 == pytest.approx(75.19, abs=0.005)
    assert tanks["A-1"].mass_kg == pytest.approx(5330, abs=5)
