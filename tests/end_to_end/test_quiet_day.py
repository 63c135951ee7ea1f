"""The ten demo tanks at rest for a day: with the noise of their gauges, a sun that warms and a night that cools them,
nobody is called.

The registers are the simulators', decoded by the gateway's maps and watched by its pipeline; without sockets, so that a
day takes seconds and every run is the same.
"""

from collections.abc import Callable
from datetime import UTC, datetime

from gateway.acquisition.signals.decode import signal_decoder
from gateway.acquisition.signals.register_map import ValueType
from gateway.modbus.tables import Table
from gateway.pipeline import Pipeline
from gateway.records import Quality, Reading
from gateway.resources import config_path
from gateway.settings import dated_entries, load_site
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion
from simulators import World, load_scenario
from simulators.scenario import NoisePart
from simulators.tank import Ambient

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
STEP_S = 60
DAY_S = 86_400
NOISE = NoisePart(level=0.0005, water=0.0005, temperature=0.1, pressure=4.5)
"""Of each reading, in m, degC and Pa (0.5 mm of level): white, and as much as the search for losses was fixed for."""
NS = 1_000_000_000

TABLES = {
    Table.COILS: "coil",
    Table.DISCRETE_INPUTS: "discrete",
    Table.HOLDING_REGISTERS: "holding",
    Table.INPUT_REGISTERS: "input",
}
REGISTERS = {ValueType.INT32: 2, ValueType.UINT32: 2, ValueType.FLOAT32: 2}
REGISTERS |= {ValueType.INT64: 4, ValueType.UINT64: 4, ValueType.FLOAT64: 4}


class Day:
    """The clock, and what the gateway of the demo site tells."""

    def __init__(self) -> None:
        self.now_s = 0
        self.records: list[TankRecord] = []
        demo = load_scenario("demo")
        self.world = World(
            demo.model_copy(update={"movements": (), "faults": (), "tick": float(STEP_S), "noise": NOISE})
        )
        for tank in self.world.tanks.values():
            tank.ambient = Ambient(18.0, 6.0, 20 * 86_400.0, 4 * 3600.0)
        path = config_path("demo", "site.yaml")
        tags = list(self.world.instruments)
        wished = {**dict.fromkeys(dated_entries(path), f"{NOON:%Y-%m-%dT%H:%MZ}")}
        wished |= {f"instruments.{tag}.period": f"{STEP_S} s" for tag in tags}
        site = load_site(path, wished, now=NOON)
        self.signals = [
            (
                each.tag,
                signal.name,
                signal_decoder(signal),
                self._read(each.tag, signal.table, signal.address, signal.type),
            )
            for line in site.lines
            for each in line.instruments
            for signal in each.map.signals
        ]
        tanks = [(tank.plan, tank.binding, tank.period_s) for tank in site.tanks]
        watches = {tank.plan.tank: tank.watch for tank in site.tanks}
        self.pipeline = Pipeline(site.name, "b" * 32, tanks, self.records.append, self, watches=watches)

    def utc_ns(self) -> int:
        return (int(NOON.timestamp()) + self.now_s) * NS

    def monotonic_ns(self) -> int:
        return (1000 + self.now_s) * NS

    def passes(self) -> None:
        self.now_s += STEP_S
        self.world.advance(STEP_S)
        polls: dict[str, list[Reading]] = {}
        for tag, name, decode, read in self.signals:
            words = read()
            value, quality, reason = decode(words)
            reading = Reading(tag, name, value, quality, reason, self.utc_ns(), self.monotonic_ns(), words)
            polls.setdefault(tag, []).append(reading)
        for readings in polls.values():
            self.pipeline.take(readings)
        list(self.pipeline.overdue())

    def _read(self, tag: str, table: Table, address: int, kind: ValueType) -> Callable[[], tuple[int, ...]]:
        instrument = self.world.instruments[tag]
        is_bit = table in (Table.COILS, Table.DISCRETE_INPUTS)
        count = 1 if is_bit else REGISTERS.get(kind, 1)

        def read() -> tuple[int, ...]:
            data = instrument.read(TABLES[table], address, count)
            return (
                tuple(data) if is_bit else tuple(int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2))
            )

        return read


def test_a_quiet_day_of_the_ten_tanks_calls_nobody() -> None:
    day = Day()
    while day.now_s < DAY_S:
        day.passes()
    told = [(record.identity.tank, event.kind, event.subject) for record in day.records for event in record.events]
    assert told == []
    assert len(day.records) == 10 * DAY_S // STEP_S
    doubted = {record.identity.tank for record in day.records if record.inventory.quality is not Quality.GOOD}
    assert doubted == {"A-1"}, "whose temperature is by hand"
    moved = {record.state.motion for record in day.records if record.state is not None}
    assert moved == {Motion.UNKNOWN, Motion.AT_REST}
    levels = [value for record in day.records if (value := record.inventory.figures.level.value) is not None]
    assert len(set(levels)) > 300, "they do move by warmth and noise"
