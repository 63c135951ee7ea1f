"""Pure: words of one block, or the lack of them, become the readings of its signals."""

import struct
from dataclasses import replace

from gateway.acquisition.polling.blocks import Block
from gateway.acquisition.signals.decode import run_format, scaling, signal_decoder
from gateway.records import Quality, Reading, Reason

__all__ = ["BlockReader"]


class BlockReader:
    """Reads one block; see `Block` for its attributes."""

    __slots__ = (
        "_decoders",
        "_instrument",
        "_numbers",
        "_pack",
        "_plain",
        "address",
        "count",
        "names",
        "table",
        "text",
    )

    def __init__(self, instrument: str, block: Block) -> None:
        """Raises ValueError when a signal cannot be decoded."""
        self._instrument = instrument
        self.table = block.table
        self.address = block.address
        self.count = block.count
        self.text = block.text
        self.names = tuple(signal.name for signal in block.signals)
        places = [
            slice(signal.address - block.address, signal.address - block.address + signal.registers)
            for signal in block.signals
        ]
        # Whoever reads why a value is Bad wants to know of which instrument, not only which of its signals.
        decoders = [signal_decoder(replace(signal, name=f"{instrument}.{signal.name}")) for signal in block.signals]
        self._decoders = tuple(zip(self.names, places, decoders, strict=True))
        # The same numbers with the same scale, only unpacked at one go: half the time for a block of temperatures.
        numbers = run_format(block.signals, block.address)
        self._numbers = None if numbers is None else struct.Struct(numbers).unpack_from
        self._pack = struct.Struct(f">{block.count}H").pack
        self._plain = (
            ()
            if numbers is None
            else tuple(
                (signal.name, place, decoder, *scaling(signal))
                for signal, place, decoder in zip(block.signals, places, decoders, strict=True)
            )
        )

    def decode(self, words: tuple[int, ...], time_ns: int, monotonic_ns: int) -> list[Reading]:
        """`words` as they came: exactly those of the block."""
        instrument = self._instrument
        readings = []
        if self._numbers is None:
            for name, place, decoder in self._decoders:
                raw = words[place]
                value, quality, reason = decoder(raw)
                readings.append(Reading(instrument, name, value, quality, reason, time_ns, monotonic_ns, raw))
            return readings
        good = Quality.GOOD
        new = tuple.__new__  # what the constructor of a NamedTuple calls, at half its price
        numbers = self._numbers(self._pack(*words))
        for number, (name, place, decoder, factor, divisor, constant, low, high, special, tiny) in zip(
            numbers, self._plain, strict=True
        ):
            raw = words[place]
            value = (number * factor if divisor is None else number / divisor) + constant
            if (
                low <= value <= high
                and (number >= tiny or number <= -tiny or not number)
                and not (special and number in special)
            ):
                readings.append(new(Reading, (instrument, name, value, good, None, time_ns, monotonic_ns, raw)))
            else:
                readings.append(Reading(instrument, name, *decoder(raw), time_ns, monotonic_ns, raw))
        return readings

    def failed(self, reason: Reason, time_ns: int, monotonic_ns: int) -> list[Reading]:
        instrument = self._instrument
        return [Reading(instrument, name, None, Quality.BAD, reason, time_ns, monotonic_ns, ()) for name in self.names]
