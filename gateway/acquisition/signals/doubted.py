"""Pure: readings that may be another's: kept, and never Good."""

from collections.abc import Sequence

from gateway.records import Quality, Reading, Reason, ReasonCode, because

__all__ = ["doubted"]


def doubted(readings: Sequence[Reading], reason: Reason) -> list[Reading]:
    """The same readings, those that were Good Uncertain for this reason."""
    return [_doubted(reading, reason) if reading.quality is Quality.GOOD else reading for reading in readings]


def _doubted(reading: Reading, reason: Reason) -> Reading:
    if reading.value is None:
        # Nothing detected stays that: the code tells it from a value that is missing.
        reason = because(ReasonCode.NONE_DETECTED, "nothing detected; {doubt}", doubt=reason)
    return reading._replace(quality=Quality.UNCERTAIN, reason=reason)
