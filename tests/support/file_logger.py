"""A second kind of source, for the tests: a logger that drops files, one JSON object of signals for each instrument.

Nothing of the gateway knows it but the table of kinds, into which a test puts it.
"""

import asyncio
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.acquisition.source import Surroundings
from gateway.records import Quality, Reading, Reason, ReasonCode
from gateway.status import Histogram, InstrumentStatus, LineStatus

__all__ = ["FileLogger", "LoggerPlan"]

_NOTHING = Histogram((math.inf,), (0,), 0.0)


@dataclass(frozen=True)
class LoggerPlan:
    name: str
    folder: Path
    instruments: tuple[str, ...]
    signals: tuple[str, ...] = ("level",)
    period_s: float = 0.02

    @property
    def meanings(self) -> Mapping[str, object]:
        return dict.fromkeys(self.instruments, (self.folder, self.signals))

    @property
    def descriptors(self) -> int:
        return 1

    @property
    def longest_turn_s(self) -> float:
        return self.period_s

    def faster(self, factor: float) -> "LoggerPlan":
        return replace(self, period_s=self.period_s / factor)


class FileLogger:
    """Looks into the folder again and again. A file that is there is taken, and removed."""

    def __init__(self, plan: LoggerPlan, around: Surroundings) -> None:
        self._plan = plan
        self._around = around
        self._connected = False
        self._taken = dict.fromkeys(plan.instruments, 0)
        self._last_ns: dict[str, int] = {}

    async def run(self) -> None:
        try:
            while True:
                self._connected = self._plan.folder.is_dir()
                for instrument in self._plan.instruments:
                    self._look(instrument)
                self._around.came_round(self._plan.period_s)
                await asyncio.sleep(self._plan.period_s)
        finally:
            self._connected = False

    def status(self) -> LineStatus:
        return LineStatus(self._plan.name, self._connected, 0.0, _NOTHING, path=str(self._plan.folder))

    def instrument_statuses(self) -> Sequence[InstrumentStatus]:
        return [
            InstrumentStatus(tag, self._plan.name, self._connected, taken, {}, self._last_ns.get(tag), _NOTHING)
            for tag, taken in self._taken.items()
        ]

    def _look(self, instrument: str) -> None:
        utc_ns, monotonic_ns = self._around.clock.utc_ns(), self._around.clock.monotonic_ns()
        if not self._connected:
            reason = Reason(ReasonCode.NO_CONNECTION, f"there is no folder {self._plan.folder}")
            bad = [self._reading(instrument, name, None, reason, utc_ns, monotonic_ns) for name in self._plan.signals]
            self._around.sink(bad)
            return
        file = self._plan.folder / f"{instrument}.json"
        try:
            values = json.loads(file.read_text("utf-8"))
            file.unlink()
        except (OSError, ValueError):
            return
        self._taken[instrument] += 1
        self._last_ns[instrument] = utc_ns
        self._around.sink(
            [self._reading(instrument, name, values[name], None, utc_ns, monotonic_ns) for name in self._plan.signals]
        )

    def _reading(
        self, instrument: str, signal: str, value: float | None, reason: Reason | None, utc_ns: int, monotonic_ns: int
    ) -> Reading:
        quality = Quality.BAD if value is None else Quality.GOOD
        return Reading(instrument, signal, value, quality, reason, utc_ns, monotonic_ns, ())
