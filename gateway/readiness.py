"""Whether all that is watched can be, from the newest records and how the lines do."""

from collections.abc import Sequence

from gateway.status import LineStatus
from gateway.tank_record import TankRecord
from gateway.web.plan import Readiness

__all__ = ["readiness_of"]


def readiness_of(records: Sequence[TankRecord], lines: Sequence[LineStatus], tanks: int) -> Readiness:
    """Every line in use connected, no tank Bad or without a sheet. `tanks`: how many there are."""
    counts, beyond = [0, 0, 0], 0
    for record in records:
        counts[record.inventory.quality] += 1
        beyond += record.inventory.level_state.limit.is_beyond
    connected = sum(line.connected for line in lines)
    good, uncertain, bad = counts
    ready = connected == len(lines) and good + uncertain == tanks
    awaited = tanks - good - uncertain - bad
    return Readiness(ready, len(lines), connected, tanks, good, uncertain, bad, awaited, beyond)
