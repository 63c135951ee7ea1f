"""Readings against time and against each other, before the sheet: rate, two gauges, mixed ages (common practice)."""

from gateway.calculation.memory import Sample
from gateway.records import Figure

__all__ = [
    "GAUGES_DIFFER_FOR_S",
    "gauges_differ_since",
    "is_moving",
    "level_rate_fault",
    "next_window",
    "temperature_rate_fault",
]

_SPAN_S = 60.0
"""Rates are taken over at least this long, so that one digit of an instrument is not a flood."""
_STEP_S = 10.0
"""Samples are kept this far apart: eight of them span the window."""
_PUMPING_ALLOWANCE = 1.5
_TEMPERATURE_RATE_C_S = 2.0 / 60.0
_TEMPERATURE_RESOLUTION_C = 0.1
_MOVING_M = 0.002
GAUGES_DIFFER_FOR_S = 600.0


def next_window(window: tuple[Sample, ...], sample: Sample) -> tuple[Sample, ...]:
    """The window with `sample` in it, no longer than the span needs. A time gone back starts it afresh."""
    if not window:
        return (sample,)
    if sample.time_s < window[-1].time_s:
        return (sample,)
    if sample.time_s - window[-1].time_s < _STEP_S:
        return window
    keep_from = 0
    # The newest sample that is a full span old is the one rates are taken from; older ones are of no use.
    while keep_from + 1 < len(window) and sample.time_s - window[keep_from + 1].time_s >= _SPAN_S:
        keep_from += 1
    return (*window[keep_from:], sample)


def _base(window: tuple[Sample, ...], now_s: float) -> Sample | None:
    """The newest sample at least a span old, or else the oldest."""
    if not window or now_s < window[-1].time_s:
        return None
    base = window[0]
    for sample in window[1:]:
        if now_s - sample.time_s < _SPAN_S:
            break
        base = sample
    return base


def level_rate_fault(
    window: tuple[Sample, ...],
    now_s: float,
    level_m: float,
    volume_m3: float | None,
    resolution_m: float,
    flow_in_m3_s: float | None,
    flow_out_m3_s: float | None,
) -> str | None:
    """What is wrong when the volume changes faster than 1.5 times the greatest pumping rate, else None."""
    base = _base(window, now_s)
    if base is None or volume_m3 is None or base.volume_m3 is None:
        return None
    rise_m = level_m - base.level_m
    beyond_m = abs(rise_m) - resolution_m
    limit = flow_in_m3_s if rise_m > 0 else flow_out_m3_s
    if beyond_m <= 0 or limit is None:
        return None
    change_m3 = abs(volume_m3 - base.volume_m3) * beyond_m / abs(rise_m)
    rate = change_m3 / max(now_s - base.time_s, _SPAN_S)
    if rate <= _PUMPING_ALLOWANCE * limit:
        return None
    direction = "rises" if rise_m > 0 else "falls"
    return (
        f"level {direction} by {abs(rise_m) * 1000:.0f} mm, {rate * 3600:.0f} m3/h, "
        f"faster than 1.5 times the greatest flow of {limit * 3600:.0f} m3/h"
    )


def temperature_rate_fault(
    window: tuple[Sample, ...], now_s: float, temperature_c: float, used: tuple[bool, ...]
) -> str | None:
    """What is wrong when the average of the same elements changes by more than 2 degC a minute, else None."""
    base = _base(window, now_s)
    if base is None or base.temperature_c is None or base.used != used:
        return None
    change_c = abs(temperature_c - base.temperature_c) - _TEMPERATURE_RESOLUTION_C
    elapsed_s = max(now_s - base.time_s, _SPAN_S)
    if change_c <= _TEMPERATURE_RATE_C_S * elapsed_s:
        return None
    return f"temperature changed by {abs(temperature_c - base.temperature_c):.1f} degC within {elapsed_s:.0f} s"


def is_moving(window: tuple[Sample, ...], now_s: float, level_m: float, resolution_m: float) -> bool:
    """Whether the level has changed by more than ripple over the window."""
    base = _base(window, now_s)
    return base is not None and abs(level_m - base.level_m) > max(_MOVING_M, 2.0 * resolution_m)


def gauges_differ_since(since_s: float | None, now_s: float, difference: Figure, limit_m: float) -> float | None:
    """When the present disagreement of the two gauges began, or None while they agree or cannot be compared."""
    if difference.value is None or abs(difference.value) <= limit_m:
        return None
    if since_s is None or since_s > now_s:
        return now_s
    return since_s
