"""Many equal tanks, and the description a bench makes its site file from."""

import struct

import pytest

from simulators import World, describe, fleet, serve
from tests.simulators.wire import wire_to


async def test_description_is_what_the_wire_holds() -> None:
    scenario = fleet(7, elements=16, instruments_per_line=3)
    assert list(scenario.lines) == ["line-1", "line-2", "line-3"]
    rows = describe(scenario)
    assert len(rows) == 7 * 17
    async with serve(fleet(7, 16, 3, alive=False), by_clock=False) as running:
        for row in rows:
            async with wire_to(running.addresses[row.line]) as wire:
                data = (await wire.ask(row.unit, 4, row.address, row.registers))[2:]
            tank = running.tank(row.tank)
            if row.signal == "innage":
                assert struct.unpack(">I", data)[0] == round(tank.level_m * 10000)
            else:
                assert row.height_m == tank.elements_m[row.element - 1]
                assert struct.unpack(">h", data)[0] == round(tank.temperature_at(row.height_m) * 10)


def test_eighteen_registers_a_tank() -> None:
    assert sum(row.registers for row in describe(fleet(1))) == 18


def test_a_living_fleet_changes_and_a_still_one_does_not() -> None:
    for alive in (True, False):
        world = World(fleet(3, alive=alive))
        instrument = world.instruments["X-0002"]
        before = instrument.read("input", 0, 18)
        world.advance(5.0)
        assert (instrument.read("input", 0, 18) != before) is alive


def test_same_seed_same_fleet() -> None:
    assert fleet(20, seed=4) == fleet(20, seed=4)
    assert fleet(20, seed=4) != fleet(20, seed=5)


def test_levels_without_elements() -> None:
    scenario = fleet(2, elements=0)
    assert [row.signal for row in describe(scenario)] == ["innage", "innage"]


@pytest.mark.parametrize("count", [0, 248])
def test_a_line_has_room_for_247(count: int) -> None:
    with pytest.raises(ValueError, match="room for 1 to 247"):
        fleet(10, instruments_per_line=count)
