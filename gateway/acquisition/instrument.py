"""What a line keeps about each of its instruments: its blocks ready to decode, its statistics, its last failure."""

from collections.abc import Sequence

from gateway.acquisition.blocks import Block, plan_blocks
from gateway.acquisition.decode import judge_faults, signal_decoder
from gateway.acquisition.plan import InstrumentPlan
from gateway.acquisition.statistics import InstrumentStatistics
from gateway.records import Quality, Reading, Reason, ReasonCode

__all__ = ["BlockReader", "Instrument"]


class BlockReader:
    """Turns the words of one block, or the lack of them, into the readings of its signals."""

    __slots__ = ("_decoders", "_instrument", "_names", "address", "count", "table", "text")

    def __init__(self, instrument: str, block: Block) -> None:
        self._instrument = instrument
        self.table = block.table
        self.address = block.address
        self.count = block.count
        self.text = block.text
        self._names = tuple(signal.name for signal in block.signals)
        self._decoders = tuple(
            (
                signal.name,
                slice(signal.address - block.address, signal.address - block.address + signal.registers),
                signal_decoder(signal),
            )
            for signal in block.signals
        )

    def decode(self, words: tuple[int, ...], time_ns: int, monotonic_ns: int) -> list[Reading]:
        instrument = self._instrument
        readings = []
        for name, part, decoder in self._decoders:
            raw = words[part]
            value, quality, reason = decoder(raw)
            readings.append(Reading(instrument, name, value, quality, reason, time_ns, monotonic_ns, raw))
        return readings

    def failed(self, reason: Reason, time_ns: int, monotonic_ns: int) -> list[Reading]:
        instrument = self._instrument
        return [Reading(instrument, name, None, Quality.BAD, reason, time_ns, monotonic_ns, ()) for name in self._names]


class Instrument:
    """One instrument of a line."""

    __slots__ = ("announced", "blocks", "failed_polls", "failure", "name", "plan", "statistics", "tag")

    def __init__(self, plan: InstrumentPlan, line: str) -> None:
        """Raises ValueError when a signal of the map cannot be read or decoded."""
        self.plan = plan
        self.tag = plan.tag
        self.name = f"{plan.tag} (unit {plan.unit})"
        self.blocks = tuple(BlockReader(plan.tag, block) for block in plan_blocks(plan.map))
        self.statistics = InstrumentStatistics(plan.tag, line)
        self.failure: Reason | None = None
        """Why the last poll was not answered in full; None when it was, or before the first."""
        self.failed_polls = 0
        """In a row, those left out for want of a connection or during a back-off among them."""
        self.announced = ""
        """What the log last said of it; empty when nothing yet."""

    def succeeded(self) -> None:
        self.statistics.up = True
        self.failure = None
        self.failed_polls = 0

    def failed(self, reason: Reason) -> None:
        self.failure = reason
        self.left_out()

    def left_out(self) -> None:
        """The instrument was due and was not read."""
        self.statistics.up = False
        self.failed_polls += 1

    def judged(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """The readings of one poll, in the light of the instrument's own fault signals."""
        return judge_faults(self.plan.map, readings) if self.plan.map.fault_signals else readings

    def readings_without(self, reason: Reason | None, time_ns: int, monotonic_ns: int) -> list[Reading]:
        """A Bad reading of every signal: for `reason`, else for the last failure."""
        reason = reason or self.failure or Reason(ReasonCode.NOT_YET_READ, f"{self.name} has not been read yet")
        return [reading for block in self.blocks for reading in block.failed(reason, time_ns, monotonic_ns)]
