"""A scenario served on this machine: over TCP, on serial ports, on pairs of them."""

import asyncio
import contextlib
import logging
from collections import Counter
from collections.abc import AsyncIterator, Mapping

from simulators.errors import ScenarioError
from simulators.fault_options import make_fault
from simulators.faults import Fault
from simulators.instrument import Instrument
from simulators.modbus_server import Line
from simulators.scenario import Scenario
from simulators.serial_line import SerialLine
from simulators.tank import Tank
from simulators.world import World

__all__ = ["Running", "serve"]

log = logging.getLogger("simulators.running")

_REOPEN_AFTER_S = 0.2


class Running:
    """A simulated site that is being served. Made by `serve`; every value in it is SIMULATED."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.world = World(scenario)
        self.lines: dict[str, Line | SerialLine] = {}
        self.replaced: dict[str, tuple[int, int]] = {}
        """Lines whose wanted port was taken: (wanted, given)."""
        self.failure: BaseException | None = None
        """Why it is served no more, where something went wrong."""
        self.failed = asyncio.Event()
        self._refusing = asyncio.Event()
        self._timer: asyncio.TimerHandle | None = None
        self._next_tick = 0.0
        for name, part in scenario.lines.items():
            instruments: dict[int, Instrument] = {
                self.world.instruments[tag].unit: self.world.instruments[tag]
                for tag, instrument in scenario.instruments.items()
                if instrument.line == name
            }
            if part.serial is None:
                self.lines[name] = Line(name, instruments, part.unknown_unit == "exception", part.frames)
            else:
                self.lines[name] = SerialLine(name, instruments, part.serial, part.frames, self._refusing.set)
        self.world.faults_changed.append(self._follow_refusals)

    @property
    def addresses(self) -> dict[str, tuple[str, int]]:
        """Line -> host and port, of those that are reached over TCP."""
        return {name: line.address for name, line in self.lines.items() if isinstance(line, Line)}

    @property
    def serial_ports(self) -> dict[str, str]:
        """Line -> real port, or the path of the client's end of a pair, of those that are serial."""
        return {name: line.path for name, line in self.lines.items() if isinstance(line, SerialLine)}

    @property
    def now_s(self) -> float:
        """Scenario time."""
        return self.world.now_s

    @property
    def requests(self) -> Counter[int]:
        """Requests received, by function code."""
        return sum((line.requests for line in self.lines.values()), Counter())

    @property
    def writes_refused(self) -> int:
        """Requests that would have changed a device; each got exception 1."""
        return sum(line.writes_refused for line in self.lines.values())

    def tank(self, tag: str) -> Tank:
        """The tank itself: its truth as attributes, and `set_level`, `set_water`, `set_temperatures`, `set_flow`."""
        if tag not in self.world.tanks:
            raise KeyError(f"there is no tank {tag!r}; there are: {', '.join(self.world.tanks)}")
        return self.world.tanks[tag]

    def set_fault(self, instrument: str, fault: Fault | str, **options: object) -> None:
        """Give an instrument a fault, as an object or by its name in scenario files with its options."""
        self.world.set_fault(instrument, make_fault(fault, options) if isinstance(fault, str) else fault)

    def clear_fault(self, instrument: str) -> None:
        """Free an instrument of every fault it has now."""
        self.world.clear_fault(instrument)

    def advance(self, duration_s: float) -> None:
        """Let scenario time pass at once, whatever the clock says."""
        self.world.advance(duration_s)

    async def open(self, host: str, ports: Mapping[str, int]) -> None:
        """Listen on every line."""
        for name, line in self.lines.items():
            if isinstance(line, SerialLine):
                line.open()
                continue
            wanted = ports.get(name, self.scenario.lines[name].port)
            if not await line.open(host, wanted):
                self.replaced[name] = (wanted, line.address[1])
                log.warning("line %s: port %d is taken, using %d", name, wanted, line.address[1])
        self._follow_refusals()

    def start_time(self) -> None:
        """Let the scenario's time go with the clock from now on."""
        self._next_tick = asyncio.get_running_loop().time() + self.scenario.tick
        self._schedule()

    def close(self) -> None:
        """Stop time, stop listening and end every connection, at once."""
        if self._timer is not None:
            self._timer.cancel()
        for line in self.lines.values():
            line.close()

    async def keep_lines(self) -> None:
        """Close lines that refuse connections and open them again afterwards, until cancelled."""
        missed: set[str] = set()
        while True:
            await self._refusing.wait()
            self._refusing.clear()
            for line in self.lines.values():
                if not self._refuses(line) and not line.listening and not await line.reopen():
                    if line.name not in missed:
                        log.warning("line %s: %s cannot be had for the moment", line.name, _place(line))
                    missed.add(line.name)
                    self._refusing.set()
                elif line.listening:
                    missed.discard(line.name)
            if self._refusing.is_set():
                await asyncio.sleep(_REOPEN_AFTER_S)

    def _follow_refusals(self) -> None:
        for line in self.lines.values():
            if self._refuses(line) and line.listening:
                line.close()
            elif not self._refuses(line) and not line.listening:
                self._refusing.set()

    @staticmethod
    def _refuses(line: Line | SerialLine) -> bool:
        return any(fault.refuses for instrument in line.instruments.values() for fault in instrument.faults)

    def _schedule(self) -> None:
        self._timer = asyncio.get_running_loop().call_at(self._next_tick, self._tick)

    def _tick(self) -> None:
        try:
            now = asyncio.get_running_loop().time()
            while self._next_tick <= now:
                self._next_tick += self.scenario.tick
                self.world.tick()
        except Exception as exc:
            # A site whose time stands still must not go on answering as if it lived.
            log.exception("the simulated time has stopped")
            self._fail(exc)
            return
        self._schedule()

    def lines_unkept(self, keeper: "asyncio.Task[None]") -> None:
        """`keep_lines` has ended though nobody told it to: a line that refuses would never be opened again."""
        failure = None if keeper.cancelled() else keeper.exception()
        log.error("nothing keeps the simulated lines any more", exc_info=failure)
        self._fail(failure or RuntimeError(f"{keeper.get_name()} ended, and nobody asked for it"))

    def _fail(self, failure: BaseException) -> None:
        self.failure = failure
        self.failed.set()
        self.close()


def _place(line: Line | SerialLine) -> str:
    return line.path if isinstance(line, SerialLine) else f"port {line.address[1]}"


@contextlib.asynccontextmanager
async def serve(
    scenario: Scenario, host: str = "127.0.0.1", ports: Mapping[str, int] | None = None, *, by_clock: bool = True
) -> AsyncIterator[Running]:
    """Serve a scenario until the block ends.

    `ports` go before the scenario's own; a taken one is replaced by a free one (`running.replaced`). With
    `by_clock=False` time passes by `running.advance` alone. Raises ScenarioError for a line that does not exist, and
    for a serial port that cannot be had.
    """
    ports = ports or {}
    for name in ports:
        if name not in scenario.lines:
            raise ScenarioError(f"port of {name}: there is no such line; give one of: {', '.join(scenario.lines)}")
        if scenario.lines[name].serial is not None:
            raise ScenarioError(f"port of {name}: it is a serial line, which has none; leave it out")
    running = Running(scenario)
    keeper = asyncio.create_task(running.keep_lines(), name="simulators.keep_lines")
    keeper.add_done_callback(running.lines_unkept)
    try:
        await running.open(host, ports)
        if by_clock:
            running.start_time()
        yield running
    finally:
        keeper.remove_done_callback(running.lines_unkept)
        keeper.cancel()
        running.close()
        await asyncio.wait([keeper], timeout=1.0)
