"""A scenario come alive: its tanks and instruments, and the course of its time, without any socket.

Time goes in ticks, and all that happens depends on the scenario and the number of ticks alone: the same scenario with
the same seed takes the same course, whoever asks what and when.
"""

import math
from collections.abc import Callable
from functools import partial

from simulators.encoding import Special
from simulators.errors import ScenarioError
from simulators.fault_options import make_fault
from simulators.faults import Fault
from simulators.instrument import Instrument, Signal
from simulators.noise import noise_phase, noise_ring
from simulators.scenario import Movement, Scenario
from simulators.scenario_check import check_scenario, expand_signals
from simulators.shapes import LyingCylinder, Shape, UprightCylinder
from simulators.signal_part import SignalPart
from simulators.tank import Ambient, Density, FloatingRoof, Tank
from simulators.tank_part import TankPart

__all__ = ["World", "build_tank"]


class World:
    """Tanks and instruments by their tags. Raises ScenarioError for a scenario that does not fit together."""

    def __init__(self, scenario: Scenario) -> None:
        mistakes = [f"{'.'.join(key)}: {message}" for key, message in check_scenario(scenario)]
        if mistakes:
            raise ScenarioError(*mistakes)
        self.scenario = scenario
        self.ticks = 0
        self.tanks = {tag: build_tank(tag, part) for tag, part in scenario.tanks.items()}
        self.instruments: dict[str, Instrument] = {}
        self.faults_changed: list[Callable[[], None]] = []
        """Called when an instrument's faults have changed."""
        self._step_s = scenario.tick * scenario.time_factor
        self._ring = noise_ring(scenario.seed)
        self._pumps = list(scenario.movements)
        self._by_hand: dict[str, Fault] = {}
        self._scheduled = [
            (entry.from_, math.inf if entry.until is None else entry.until, entry.instrument, fault)
            for entry in scenario.faults
            for fault in [make_fault(entry.fault, entry.options)]
        ]
        for tag in scenario.instruments:
            self._add_instrument(tag)
        self._noisy = [instrument for instrument in self.instruments.values() if instrument.noisy]
        for tag in {entry[2] for entry in self._scheduled}:
            self._apply_faults(tag)

    @property
    def now_s(self) -> float:
        """Scenario time."""
        return self.ticks * self._step_s

    def tick(self) -> None:
        """Let one tick pass."""
        begin, end = self.now_s, self.now_s + self._step_s
        moved: dict[str, list[tuple[float, float | None]]] = {}
        drawn: dict[str, float] = {}
        for pump in tuple(self._pumps):
            volume = self._pumped(pump, begin, end)
            if volume and pump.of == "water":
                drawn[pump.tank] = drawn.get(pump.tank, 0.0) + volume
            elif volume:
                moved.setdefault(pump.tank, []).append((volume, pump.temperature))
        self.ticks += 1
        for tag, tank in self.tanks.items():
            tank.advance(begin, self._step_s, tuple(moved.get(tag, ())), drawn.get(tag, 0.0))
        for instrument in self._noisy:
            instrument.changed(self.ticks)
        for tag in {entry[2] for entry in self._scheduled if begin < entry[0] <= end or begin < entry[1] <= end}:
            self._apply_faults(tag)

    def advance(self, duration_s: float) -> None:
        """Let scenario time pass, in whole ticks, at least `duration_s`."""
        for _ in range(math.ceil(duration_s / self._step_s - 1e-9)):
            self.tick()

    def set_fault(self, instrument: str, fault: Fault) -> None:
        """Give an instrument a fault, in place of one given before; those of the scenario come on top."""
        self._need(instrument)
        self._by_hand[instrument] = fault
        self._apply_faults(instrument)

    def clear_fault(self, instrument: str) -> None:
        """Free an instrument of every fault it has now, the scenario's too."""
        self._need(instrument)
        self._by_hand.pop(instrument, None)
        self._scheduled = [
            entry for entry in self._scheduled if entry[2] != instrument or not entry[0] <= self.now_s < entry[1]
        ]
        self._apply_faults(instrument)

    def _need(self, instrument: str) -> None:
        if instrument not in self.instruments:
            raise KeyError(f"there is no instrument {instrument!r}; there are: {', '.join(self.instruments)}")

    def _apply_faults(self, tag: str) -> None:
        faults = [entry[3] for entry in self._scheduled if entry[2] == tag and entry[0] <= self.now_s < entry[1]]
        if tag in self._by_hand:
            faults.append(self._by_hand[tag])
        self.instruments[tag].set_faults(tuple(faults))
        for changed in self.faults_changed:
            changed()

    def _pumped(self, pump: Movement, begin: float, end: float) -> float:
        stop = math.inf if pump.until is None else pump.until
        if begin >= stop:
            self._pumps.remove(pump)
            return 0.0
        duration = min(end, stop) - max(begin, pump.at)
        if duration <= 0:
            return 0.0
        if pump.until_level is not None:
            tank = self.tanks[pump.tank]
            reached = tank.water_m if pump.of == "water" else tank.level_m
            if reached >= pump.until_level if pump.flow > 0 else reached <= pump.until_level:
                self._pumps.remove(pump)
                return 0.0
        return pump.flow * duration

    def _add_instrument(self, tag: str) -> None:
        part = self.scenario.instruments[tag]
        signals = tuple(self._signal(tag, name, signal) for name, signal in expand_signals(self.scenario, tag))
        instrument = Instrument(
            tag,
            part.unit,
            signals,
            forbidden=tuple((entry.table, entry.first, entry.last) for entry in part.forbidden),
            gaps_refused=part.gaps == "exception",
            noise=self._ring,
        )
        self.instruments[tag] = instrument
        for tank in {signal.tank for signal in part.signals.values()}:
            self.tanks[tank].watchers.append(partial(self._out_of_date, instrument))

    def _out_of_date(self, instrument: Instrument) -> None:
        instrument.changed(self.ticks)

    def _signal(self, instrument: str, name: str, part: SignalPart) -> Signal:
        tank = self.tanks[part.tank]
        noise = part.in_own_unit("noise") if part.noise is not None else self.scenario.noise.of(part.quantity)
        return Signal(
            name,
            part.quantity,
            part.table,
            part.address,
            _source(tank, part),
            part.encoding(),
            part.bit,
            part.element or 0,
            tank.reference_height_m,
            part.in_own_unit("error"),
            part.in_own_unit("resolution"),
            noise,
            noise_phase(instrument, name),
        )


def _source(tank: Tank, part: SignalPart) -> Callable[[], float | Special]:
    match part.quantity:
        case "innage":
            return lambda: tank.level_m
        case "ullage":
            return lambda: tank.ullage_m
        case "water" if part.nothing is not None:
            return lambda: tank.water_m if tank.water_m > 0 else Special.NOTHING
        case "water":
            return lambda: tank.water_m
        case "temperature":
            height_m = tank.elements_m[(part.element or 1) - 1]
            return lambda: tank.temperature_at(height_m)
        case "bottom_pressure":
            return lambda: tank.bottom_pressure_pa(part.nozzle)
        case "vapour_pressure":
            return lambda: tank.vapour_pressure_pa
        case "ambient":
            return lambda: tank.outside_c
        case "flow":
            return lambda: tank.inflow_m3_s
        case "pump":
            return lambda: float(tank.inflow_m3_s != 0.0)
        case _:
            return lambda: 0.0


def build_tank(tag: str, part: TankPart) -> Tank:
    """The tank a part describes, in the state it starts in."""
    shape: Shape
    if part.shape.kind == "upright":
        shape = UprightCylinder(part.shape.diameter, part.shape.height, part.shape.heel)
    else:
        shape = LyingCylinder(part.shape.diameter, part.shape.length, part.shape.head_depth, part.shape.heel)
    roof, ambient = part.roof, part.ambient
    return Tank(
        tag,
        shape,
        reference_height_m=part.reference_height,
        density=Density(part.density.value, part.density.at, part.density.expansion, part.density.slope),
        level_m=part.level,
        water_m=part.water,
        elements_m=part.elements,
        temperatures_c=part.temperatures,
        liquid_c=part.liquid_temperature,
        vapour_c=part.vapour_temperature,
        vapour_pressure_pa=part.vapour_pressure.value,
        vapour_pressure_slope_pa_k=part.vapour_pressure.slope,
        roof=None if roof is None else FloatingRoof(roof.mass, roof.landed, roof.afloat),
        ambient=None
        if ambient is None
        else Ambient(ambient.mean, ambient.swing, ambient.time_constant, ambient.vapour_time_constant),
        heating_w=part.heating,
        heat_capacity_j_kg_k=part.heat_capacity,
    )
