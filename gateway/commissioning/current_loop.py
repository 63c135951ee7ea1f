"""Pure: a 4-20 mA loop at a few fed currents, judged by what the registers say of it.

The error is that of the whole way from the terminals to the number, in parts of the span of 16 mA. A tolerance of half
a per cent of the span is common practice; the instrument's own data sheet goes first.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from gateway.acquisition.signals.decode import signal_decoder
from gateway.acquisition.signals.register_map import Signal
from gateway.commissioning.decodings import number_of
from gateway.records import Quality

__all__ = ["LoopPoint", "LoopReading", "judge_loop", "judge_point", "read_loop"]

_SPAN_MA = 16.0
_ALIKE = 1e-9


class LoopReading(NamedTuple):
    """One read at one fed current."""

    raw: tuple[int, ...]
    milliampere: float
    """NaN where the words are no number."""
    value: float | None
    """SI, as the site file reads it; None when Bad."""
    quality: Quality
    reason: str


class LoopPoint(NamedTuple):
    """All reads at one fed current."""

    fed_ma: float
    expected: float
    """What the fed current means, SI."""
    readings: tuple[LoopReading, ...]
    mean_ma: float
    error: float
    """Worst of the reads, in parts of the span, with its sign."""
    spread: float
    """Between the reads, in parts of the span."""
    passed: bool
    why: str
    """Why it did not pass; empty when it did."""


def read_loop(signal: Signal, raw: tuple[int, ...]) -> LoopReading:
    """What the words say. Raises ValueError when the signal is no current loop."""
    if signal.loop is None:
        raise ValueError(f"{signal.name} is no current loop")
    number = number_of(raw, signal.type, signal.order) * signal.scale + signal.offset
    value, quality, reason = signal_decoder(signal)(raw)
    return LoopReading(raw, number, value, quality, "" if reason is None else reason.text)


def judge_point(signal: Signal, fed_ma: float, raws: Sequence[tuple[int, ...]], tolerance: float) -> LoopPoint:
    """`tolerance` in parts of the span. Every single read must lie within it. Raises ValueError without a read."""
    if not raws or signal.loop is None:
        raise ValueError("nothing to judge: no read, or no current loop")
    readings = tuple(read_loop(signal, raw) for raw in raws)
    currents = [reading.milliampere for reading in readings]
    mean_ma = math.fsum(currents) / len(currents)
    errors = [(current - fed_ma) / _SPAN_MA for current in currents]
    finite = all(math.isfinite(error) for error in errors)
    error = max(errors, key=abs) if finite else math.nan
    spread = (max(currents) - min(currents)) / _SPAN_MA if finite else math.nan
    expected = signal.loop.low + (fed_ma - 4.0) * (signal.loop.high - signal.loop.low) / _SPAN_MA
    why = _why(fed_ma, readings, mean_ma, error, spread, tolerance)
    return LoopPoint(fed_ma, expected, readings, mean_ma, error, spread, not why, why)


def judge_loop(points: Sequence[LoopPoint]) -> tuple[bool, str]:
    """(passed, what the whole says): all points passed, and the words moved with the current."""
    currents = [point.fed_ma for point in points]
    words = {reading.raw for point in points for reading in point.readings}
    if len(set(currents)) > 1 and len(words) == 1:
        return False, (
            "the words stayed the same at every current: this is not the channel that is fed, or it is frozen"
        )
    by_current = sorted(points, key=lambda point: point.fed_ma)
    means = [point.mean_ma for point in by_current]
    if len(set(currents)) > 1 and means == sorted(means, reverse=True):
        return False, "the reading falls as the current rises: the channel or its scale is turned round"
    failed = [f"{point.fed_ma:g} mA" for point in points if not point.passed]
    if failed:
        return False, f"out of tolerance at {', '.join(failed)}"
    return True, "every read lies within the tolerance"


def _why(
    fed_ma: float, readings: Sequence[LoopReading], mean_ma: float, error: float, spread: float, tolerance: float
) -> str:
    if not math.isfinite(error):
        return "the words are no number: look at type and byte order"
    if abs(error) <= tolerance * (1 + _ALIKE) + _ALIKE:
        bad = next((reading for reading in readings if reading.quality is Quality.BAD), None)
        return "" if bad is None else f"the site file calls it Bad: {bad.reason}"
    if spread > tolerance:
        return f"unsteady: the reads differ by {spread:.2%} of the span; wait longer, look for noise"
    if abs(mean_ma - fed_ma) > _SPAN_MA / 4:
        return f"{mean_ma:.3f} mA is far from the current fed: look at scale, channel and wiring"
    return f"off by {error:+z.2%} of the span, more than {tolerance:.2%}"
