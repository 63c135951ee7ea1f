"""Records like those of real sites, in time: noisy, stratified, stale and stepped, of random sites and of the sites
that come with the program. Every sheet is calculated and watched by the pipeline; only what the instruments say is
made up.
"""

import math
import random
import struct
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from gateway.binding import Source
from gateway.calculation.plan import GaugeKind, GaugePlan, HeadPlan
from gateway.kept_memory import Kept, KeptWatch
from gateway.ledger.selection import Selection
from gateway.pipeline import Pipeline
from gateway.records import Quality, Reading, Reason, ReasonCode
from gateway.settings import load_site
from gateway.settings.tanks.plans import TankSetup
from gateway.tank_record import TankRecord
from tests.settings.test_demo_site import NOW
from tests.site_fuzz.through_gateway import load, readings_of, taken

__all__ = ["BEGIN_NS", "EVERY_S", "SimulatedTank", "of_random_sites", "of_site_file", "random_tanks"]

EVERY_S = 10.0
_BOOT = "0123456789abcdef" * 2
_S = 1_000_000_000
BEGIN_NS = int(NOW.timestamp()) * _S
_STALE, _STEPPED, _MOVING, _ROUGH = 0.1, 0.3, 0.4, 0.1
"""Of the tanks: one instrument falls silent; the level is read in steps of 1 mm; the level moves; waves or an agitator
move what the level gauge sees."""
_NOISE_M, _ROUGH_M = 0.0003, 0.002
_FILL_M_S = 0.0003
"""About a metre an hour."""
_PA_M = 8500.0
"""Of the pressure that moves with the level where there is no gauge."""
_MOVES_S, _RESTS_S = (600.0, 2400.0), (600.0, 3600.0)
_SILENT_S, _HEARD_S = (120.0, 900.0), (900.0, 3600.0)
_LOW, _HIGH = 0.25, 0.75
"""Of the reference height: below the first a tank is filled next, above the second it is emptied."""
Key = tuple[str, str]


class SimulatedTank:
    """One tank and what its instruments say, ten seconds after ten seconds."""

    def __init__(
        self,
        setup: TankSetup,
        values: dict[Key, float],
        source: random.Random,
        deliver: Callable[[TankRecord], None] | None = None,
    ) -> None:
        """`deliver` gets every sheet; without it those that are history are gathered in `records`."""
        self._values = values
        self._random = source
        self.records: list[TankRecord] = []
        self.deliver = self._take if deliver is None else deliver
        self._now_ns = BEGIN_NS + round(source.random() * EVERY_S * _S)
        self.tag = setup.plan.tank
        binding = setup.binding
        # As often as the sources say that they are read, or more often: one that is late is another record.
        patience = [each.overdue_after_s for each in binding.sources if math.isfinite(each.overdue_after_s)]
        self._poll_s = min(EVERY_S, *[each / 3.0 for each in patience]) if patience else EVERY_S
        self._selection = Selection(EVERY_S)
        tanks, watches = [(setup.plan, binding, self._poll_s)], {setup.plan.tank: setup.watch}
        self._pipeline = Pipeline("north", _BOOT, tanks, self._hand_on, self, watches=watches)
        lengths = (binding.level, binding.second_level, binding.water)
        self._lengths = {each.key for each in lengths if each is not None}
        self._pressures = {each.key for each in (binding.bottom_pressure, binding.vapour_pressure) if each is not None}
        self._flows = {each.key for each in binding.flows}
        moving = binding.level or binding.bottom_pressure
        self._moving = None if moving is None or moving.key not in values else moving.key
        self._is_pressure = moving is not None and moving is not binding.level
        self._height = setup.plan.reference_height_m * (_PA_M if self._is_pressure else 1.0)
        self._moves = source.random() < _MOVING
        self._drift = source.choice((-1.0, 1.0)) * self._fill() if self._moves else 0.0
        self._noise_m = _ROUGH_M if source.random() < _ROUGH else _NOISE_M
        self._step_m = 0.001 if source.random() < _STEPPED else 0.0001
        self._is_float32 = source.random() < 0.5
        instruments = sorted({key[0] for key in values})
        self._silent = source.choice(instruments) if source.random() < _STALE else None
        self._is_silent = False
        self._turns_ns = self._ends_ns = self._now_ns
        """Until when it moves or rests, and until when its instrument is silent or heard."""

    def utc_ns(self) -> int:
        return self._now_ns

    def monotonic_ns(self) -> int:
        return self._now_ns - BEGIN_NS + 1000 * _S

    def _hand_on(self, record: TankRecord) -> None:
        self.deliver(record)

    def _take(self, record: TankRecord) -> None:
        if self._selection.takes(record)[0]:
            self.records.append(record)

    def go_on(self, sheets: int) -> list[TankRecord]:
        """Moving all the time or never; what falls silent does so in the middle of it."""
        while len(self.records) < sheets:
            self._is_silent = len(self.records) >= sheets // 2
            self._poll()
        return self.records

    def go_until(self, utc_ns: int) -> None:
        """The same for hours: what moves rests now and then, and what is silent is heard again."""
        while self._now_ns < utc_ns:
            self._live()
            self._poll()

    def _live(self) -> None:
        source = self._random
        if self._moves and self._now_ns >= self._turns_ns:
            is_moving = self._drift == 0.0
            self._turns_ns += round(source.uniform(*(_MOVES_S if is_moving else _RESTS_S)) * _S)
            self._drift = self._way() * self._fill() if is_moving else 0.0
        if self._silent is not None and self._now_ns >= self._ends_ns:
            self._is_silent = not self._is_silent
            self._ends_ns += round(source.uniform(*(_SILENT_S if self._is_silent else _HEARD_S)) * _S)

    def _fill(self) -> float:
        return _FILL_M_S * self._poll_s * (_PA_M if self._is_pressure else 1.0)

    def _way(self) -> float:
        part = 0.5 if self._moving is None else self._values[self._moving] / self._height
        return 1.0 if part < _LOW else -1.0 if part > _HIGH else self._random.choice((-1.0, 1.0))

    def _poll(self) -> None:
        self._now_ns += round((self._poll_s + self._random.uniform(-0.02, 0.02)) * _S)
        by_instrument: dict[str, list[Reading]] = {}
        for key in self._values:
            by_instrument.setdefault(key[0], []).append(self._reading(key))
        for instrument, readings in by_instrument.items():
            if instrument != self._silent or not self._is_silent:
                self._pipeline.take(readings)
        for _ in self._pipeline.overdue():
            pass

    def memory(self) -> Kept:
        """What is kept of it each minute."""
        return self._pipeline.memories(whole=False)

    def watch_memory(self) -> KeptWatch | None:
        """What is kept of it with each event."""
        return self._pipeline.watch_memory(self.tag)

    def _reading(self, key: Key) -> Reading:
        source = self._random
        at = self._now_ns - round(source.uniform(0.0, 0.2) * _S)
        if source.random() < 0.0003:
            reason = Reason(ReasonCode.NO_ANSWER, "it did not answer")
            return Reading(*key, None, Quality.BAD, reason, at, at - self._now_ns + self.monotonic_ns(), ())
        value = self._values[key]
        if key == self._moving:
            self._values[key] = value = value + self._drift
        if key in self._lengths:
            value = round((value + source.gauss(0.0, self._noise_m)) / self._step_m) * self._step_m
        elif key in self._pressures:
            value = round(value + source.gauss(0.0, 5.0))
        elif key not in self._flows:
            value = round(value + source.gauss(0.0, 0.02), 2)
        if self._is_float32:
            (value,) = struct.unpack("<f", struct.pack("<f", value))
        return Reading(*key, float(value), Quality.GOOD, None, at, at - self._now_ns + self.monotonic_ns(), (1,))


def random_tanks(seeds: range) -> Iterator[SimulatedTank]:
    """Of each site, from a state that its instruments could show."""
    for seed in seeds:
        source = random.Random(seed)
        with tempfile.TemporaryDirectory() as folder:
            site, _ = taken(seed, Path(folder))
            setups = load(site, Path(folder))
        for seen in site.tanks:
            setup = setups[seen.tank.tag]
            _, _, latest = readings_of(setup, source.choice(seen.moments).shown)
            values = {key: reading.value for key, reading in latest.items() if reading.value is not None}
            if values:
                yield SimulatedTank(setup, values, source)


def of_random_sites(seeds: range, sheets: int) -> Iterator[TankRecord]:
    """So many of each tank of each site."""
    for tank in random_tanks(seeds):
        yield from tank.go_on(sheets)


def of_site_file(path: Path, sheets: int, seed: int) -> Iterator[TankRecord]:
    """So many of each tank, half full."""
    source = random.Random(seed)
    for setup in load_site(path, now=NOW).tanks:
        yield from SimulatedTank(setup, _half_full(setup, source), source).go_on(sheets)


def _half_full(setup: TankSetup, source: random.Random) -> dict[Key, float]:
    plan, binding = setup.plan, setup.binding
    level_m = plan.reference_height_m * source.uniform(0.4, 0.6)
    nozzle_m = plan.gauge.nozzle_height_m if isinstance(plan.gauge, HeadPlan) else 0.5
    is_ullage = isinstance(plan.gauge, GaugePlan) and plan.gauge.kind is GaugeKind.ULLAGE
    gauge_m = plan.reference_height_m - level_m if is_ullage else level_m
    given: list[tuple[Source | None, float]] = [
        (binding.level, gauge_m),
        (binding.second_level, gauge_m),
        (binding.bottom_pressure, 900.0 * 9.80665 * (level_m - nozzle_m)),
        (binding.vapour_pressure, 600_000.0 if plan.pressurised else 1_000.0),
        (binding.water, 0.04),
        (binding.ambient, 12.0),
        *((each, 15.0 + 0.4 * index) for index, each in enumerate(binding.elements)),
        *((each, 0.0) for each in binding.flows),
    ]
    return {each.key: value for each, value in given if each is not None}
