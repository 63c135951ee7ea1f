"""Records like those of real sites, in time: noisy, stratified, stale and stepped, of random sites and of the sites
that come with the program. Every sheet is calculated by the pipeline; only what the instruments say is made up.
"""

import math
import random
import struct
import tempfile
from collections.abc import Iterator
from pathlib import Path

from gateway.binding import Source
from gateway.calculation.plan import GaugeKind, GaugePlan, HeadPlan
from gateway.kept_memory import Kept
from gateway.ledger.selection import Selection
from gateway.pipeline import Pipeline
from gateway.records import Quality, Reading, Reason, ReasonCode
from gateway.settings import load_site
from gateway.settings.tanks.plans import TankSetup
from gateway.tank_record import TankRecord
from tests.settings.test_demo_site import NOW
from tests.site_fuzz.through_gateway import load, readings_of, taken

__all__ = ["EVERY_S", "SimulatedTank", "of_random_sites", "of_site_file", "random_tanks"]

EVERY_S = 10.0
_BOOT = "0123456789abcdef" * 2
_S = 1_000_000_000
_STALE, _STEPPED, _MOVING = 0.1, 0.3, 0.4
"""Of the tanks: one instrument falls silent; the level is read in steps of 1 mm; the level moves."""
Key = tuple[str, str]


class SimulatedTank:
    """One tank and what its instruments say, ten seconds after ten seconds."""

    def __init__(self, setup: TankSetup, values: dict[Key, float], source: random.Random) -> None:
        self._values = values
        self._random = source
        self.records: list[TankRecord] = []
        self._now_ns = int(NOW.timestamp()) * _S
        binding = setup.binding
        # As often as the sources say that they are read, or more often: one that is late is another record.
        patience = [each.overdue_after_s for each in binding.sources if math.isfinite(each.overdue_after_s)]
        self._poll_s = min(EVERY_S, *[each / 3.0 for each in patience]) if patience else EVERY_S
        self._selection = Selection(EVERY_S)
        tanks, watches = [(setup.plan, binding, self._poll_s)], {setup.plan.tank: setup.watch}
        self._pipeline = Pipeline("north", _BOOT, tanks, self._take, self, watches=watches)
        lengths = (binding.level, binding.second_level, binding.water)
        self._lengths = {each.key for each in lengths if each is not None}
        self._pressures = {each.key for each in (binding.bottom_pressure, binding.vapour_pressure) if each is not None}
        self._flows = {each.key for each in binding.flows}
        self._level = binding.level.key if binding.level is not None else None
        self._drift_m = source.choice((-1.0, 1.0)) * 0.0003 * self._poll_s if source.random() < _MOVING else 0.0
        self._step_m = 0.001 if source.random() < _STEPPED else 0.0001
        self._is_float32 = source.random() < 0.5
        instruments = sorted({key[0] for key in values})
        self._silent = source.choice(instruments) if source.random() < _STALE else None

    def utc_ns(self) -> int:
        return self._now_ns

    def monotonic_ns(self) -> int:
        return self._now_ns - int(NOW.timestamp()) * _S + 1000 * _S

    def _take(self, record: TankRecord) -> None:
        if self._selection.takes(record)[0]:
            self.records.append(record)

    def go_on(self, sheets: int) -> list[TankRecord]:
        while len(self.records) < sheets:
            self._now_ns += round((self._poll_s + self._random.uniform(-0.02, 0.02)) * _S)
            by_instrument: dict[str, list[Reading]] = {}
            for key in self._values:
                by_instrument.setdefault(key[0], []).append(self._reading(key))
            for instrument, readings in by_instrument.items():
                if instrument != self._silent or len(self.records) < sheets // 2:
                    self._pipeline.take(readings)
            for _ in self._pipeline.overdue():
                pass
        return self.records

    def memory(self) -> Kept:
        """What the calculation remembers of it."""
        return self._pipeline.memories()

    def _reading(self, key: Key) -> Reading:
        source = self._random
        at = self._now_ns - round(source.uniform(0.0, 0.2) * _S)
        if source.random() < 0.0003:
            reason = Reason(ReasonCode.NO_ANSWER, "it did not answer")
            return Reading(*key, None, Quality.BAD, reason, at, at - self._now_ns + self.monotonic_ns(), ())
        value = self._values[key]
        if key == self._level:
            self._values[key] = value = value + self._drift_m
        if key in self._lengths:
            value = round((value + source.gauss(0.0, 0.0003)) / self._step_m) * self._step_m
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
