"""A block read several times in a row, to see whether two devices answer by turns."""

from collections.abc import Sequence

from gateway.acquisition.links.link import DoubtedWords, Link
from gateway.acquisition.polling.instrument import Instrument
from gateway.acquisition.polling.parts import Part
from gateway.clock import Clock
from gateway.errors import DeviceExceptionError, LinkError
from gateway.records import Reading

__all__ = ["read_in_a_row"]

_VALUES = 4
_READS = 6
_WITHIN_NS = 750_000_000
"""No liquid has gone up and down again within that: the waves of a tank take seconds."""


async def read_in_a_row(
    link: Link, instrument: Instrument, part: Part, first: Sequence[Reading], timeout_s: float, clock: Clock
) -> None:
    """Hands the readings to the instrument's watch; `first` were read just now. Spares a device that needs pauses."""
    reader = part.reader
    begun_ns = clock.monotonic_ns()
    readings = [first]
    for _ in range(0 if instrument.plan.pause_s else _READS):
        try:
            words = await link.read(instrument.plan.unit, reader.table, reader.address, reader.count, timeout_s)
        except DeviceExceptionError:
            continue  # two that answer at once are told so by some serial servers
        except LinkError:
            break
        now_ns = clock.monotonic_ns()
        if now_ns - begun_ns > _WITHIN_NS or isinstance(words, DoubtedWords):
            break
        readings.append(reader.decode(words, clock.utc_ns(), now_ns))
        if len(readings) == _VALUES:
            break
    instrument.duplicate.read_in_a_row(readings)
