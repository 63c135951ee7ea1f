"""Words of one block, or the lack of them, become the readings of its signals."""

from gateway.acquisition.blocks import Block
from gateway.acquisition.decode import signal_decoder
from gateway.records import Quality, Reading, Reason

__all__ = ["BlockReader"]


class BlockReader:
    """Turns the words of one block, or the lack of them, into the readings of its signals."""

    __slots__ = ("_decoders", "_instrument", "address", "count", "names", "table", "text")

    def __init__(self, instrument: str, block: Block) -> None:
        self._instrument = instrument
        self.table = block.table
        self.address = block.address
        self.count = block.count
        self.text = block.text
        self.names = tuple(signal.name for signal in block.signals)
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
        return [Reading(instrument, name, None, Quality.BAD, reason, time_ns, monotonic_ns, ()) for name in self.names]
