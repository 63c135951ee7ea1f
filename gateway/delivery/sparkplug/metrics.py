"""Pure: one metric at one instant, as it is told, and what of it counts as a change."""

from datetime import datetime
from typing import NamedTuple

from gateway.delivery.sparkplug.datatypes import QUALITY_BAD, QUALITY_GOOD, QUALITY_STALE
from gateway.delivery.sparkplug.names import MetricDefinition
from gateway.records import Figure, Quality, Reason, ReasonCode

__all__ = ["Metric", "Value", "milliseconds", "of_figure", "plain"]

Value = float | int | str | bool
_NOT_FINITE = Reason(ReasonCode.INPUT_BAD, "what was calculated is not a finite number")
_NEVER_S = 1e10
"""An age of centuries, or without end, is that of what was never read."""
_CODES = QUALITY_GOOD, QUALITY_STALE, QUALITY_BAD
"""By our quality, from Good to Bad."""


class Metric(NamedTuple):
    """Without a value it is null, as a Bad one always is."""

    definition: MetricDefinition
    value: Value | None
    time_ms: int
    """Since 1970: when what it rests on was read."""
    quality: int = QUALITY_GOOD
    stated: str = "Good"
    """The quality in our own words: Sparkplug has none for Uncertain."""
    reasons: tuple[Reason, ...] = ()
    manual: bool = False

    @property
    def does_not_apply(self) -> bool:
        return self.value is None and bool(self.reasons) and self.reasons[0].code is ReasonCode.NOT_APPLICABLE

    @property
    def essence(self) -> tuple[object, ...]:
        """Equal where nothing has changed that a host must be told: value, quality in words and so on. Sentences carry
        ages, which always change."""
        if not self.reasons:
            return self.value, self.stated, self.manual
        return self.value, self.stated, self.manual, *[reason.code for reason in self.reasons]


def milliseconds(instant: datetime, age_s: float = 0.0) -> int:
    """Since 1970, of what was read so long before; of what never was, of the instant itself."""
    return _before(round(instant.timestamp() * 1000.0), age_s)


def _before(now_ms: int, age_s: float) -> int:
    # Before 1970 Sparkplug has no time.
    return max(0, now_ms - round(age_s * 1000.0) if age_s < _NEVER_S else now_ms)


def of_figure(definition: MetricDefinition, figure: Figure, now_ms: int) -> Metric:
    """A figure of a sheet of `now_ms` since 1970: Bad has no value, whatever the record says, and what is not finite is
    Bad."""
    value, quality, reasons, age_s, manual = figure
    if quality is Quality.BAD:
        value = None
    elif value is not None and value - value != 0.0:
        value, quality, reasons = None, Quality.BAD, (_NOT_FINITE, *reasons)
    return Metric(definition, value, _before(now_ms, age_s), _CODES[quality], quality.word, tuple(reasons), manual)


def plain(
    definition: MetricDefinition, value: Value | datetime | None, time_ms: int, quality: Quality = Quality.GOOD
) -> Metric:
    """What is no figure: a state, a name, a time. Bad has no value."""
    if quality is Quality.BAD:
        value = None
    elif isinstance(value, datetime):
        value = milliseconds(value)
    return Metric(definition, value, time_ms, _CODES[quality], quality.word)
