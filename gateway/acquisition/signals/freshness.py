"""Pure: how old what a device passes on is, where it answers at once from a copy.

A concentrator or a wireless gateway answers every request, whether it has heard from the instrument behind it or not. A
map names the signal that tells: one that gives the age of the copy, or one that counts with each new measurement. Then
readings bear the time of the measurement, not that of the answer; too old, they are Bad.
"""

from collections.abc import Sequence

from gateway.acquisition.plan import InstrumentPlan
from gateway.records import Quality, Reading, Reason, ReasonCode, because

__all__ = ["Freshness"]

_NS_PER_S = 1_000_000_000


class Freshness:
    """The copies of one instrument."""

    __slots__ = ("_age_signal", "_counter_signal", "_limit_ns", "_number", "_since_ns", "watching")

    def __init__(self, plan: InstrumentPlan) -> None:
        self._age_signal = plan.map.age_signal
        self._counter_signal = plan.map.counter_signal
        self._limit_ns = round(plan.stale_after_s * _NS_PER_S)
        self.watching = self._age_signal is not None or self._counter_signal is not None
        self._number: float | None = None
        self._since_ns = 0
        """When the counter was first seen at its present number, monotonic."""

    def aged(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """The readings of one poll, each as old as what it was read from."""
        told = (self._age_signal, self._counter_signal)
        for reading in readings:
            if reading.signal in told and reading.value is None:
                return [self._of_unknown_age(each, reading) for each in readings]
        age_ns = 0
        for reading in readings:
            if reading.value is None:
                continue
            if reading.signal == self._age_signal:
                age_ns = max(age_ns, round(reading.value * _NS_PER_S))
            elif reading.signal == self._counter_signal:
                if reading.value != self._number:
                    self._number, self._since_ns = reading.value, reading.monotonic_ns
                age_ns = max(age_ns, reading.monotonic_ns - self._since_ns)
        return [each if each.signal in told else self._older(each, age_ns) for each in readings]

    def _older(self, reading: Reading, age_ns: int) -> Reading:
        if not age_ns or reading.quality is Quality.BAD:
            return reading
        if age_ns <= self._limit_ns:
            return reading._replace(time_ns=reading.time_ns - age_ns, monotonic_ns=reading.monotonic_ns - age_ns)
        # That it has none is known since now.
        reason = because(
            ReasonCode.DEVICE_STALE,
            "{instrument}: the device answers, but passes on a value of {age:s .0f} ago",
            instrument=reading.instrument,
            age=age_ns / _NS_PER_S,
        )
        return reading._replace(value=None, quality=Quality.BAD, reason=reason)

    def _of_unknown_age(self, reading: Reading, told: Reading) -> Reading:
        if reading.signal == told.signal or reading.quality is Quality.BAD:
            return reading
        return reading._replace(quality=Quality.UNCERTAIN, reason=reading.reason or _does_not_tell(told))


def _does_not_tell(told: Reading) -> Reason:
    if told.reason is None:
        return because(
            ReasonCode.DEVICE_STALE,
            "{instrument}: {signal} does not tell how old its values are",
            instrument=told.instrument,
            signal=told.signal,
        )
    return because(
        ReasonCode.DEVICE_STALE,
        "{instrument}: {signal} does not tell how old its values are: {cause}",
        instrument=told.instrument,
        signal=told.signal,
        cause=told.reason,
    )
