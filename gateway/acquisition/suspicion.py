"""Pure: what the pattern of answers and errors lets one suspect: two devices with one address, or a second master.

Neither can be proved from one end of a wire; both are common practice to look for when a line misbehaves.
"""

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean
from typing import NamedTuple

from gateway.acquisition.register_map import InstrumentMap, Signal, ValueType
from gateway.records import Quality, Reading, Reason, ReasonCode

__all__ = ["DuplicateAddressWatch", "SecondMasterWatch", "TwoPlaces", "two_places"]

_NS_PER_S = 1_000_000_000

_POLLS = 24
"""Newest polls that are looked at."""
_FEWEST = 8
_FEWEST_BROKEN = 2
_FEWEST_SWITCHES = 4
_SMALLER_SHARE = 0.2
_APART = 8.0
"""The two places must lie so many times further apart than the values at either scatter ..."""
_APART_SHARE = 0.01
"""... and by this share of the greater of them: the last digit of one instrument also flickers between two values."""

_FRAMES = 5.0
_MOST_FRAMES = 10.0
_FORGOTTEN_S = 12.0


class TwoPlaces(NamedTuple):
    low: float
    high: float
    switches: int
    """How often the values went from one to the other."""


def two_places(values: Sequence[float], resolution: float = 0.0) -> TwoPlaces | None:
    """Where the values stand, if they go to and fro between two places far apart; else None.

    `values` in the order of reading. A level that rises or falls passes from one place to another once.
    """
    if len(values) < _FEWEST:
        return None
    ordered = sorted(values)
    gap, border = max((high - low, place) for place, (low, high) in enumerate(pairwise(ordered), 1))
    low, high = ordered[:border], ordered[border:]
    if min(len(low), len(high)) < _SMALLER_SHARE * len(values):
        return None
    scatter = max(low[-1] - low[0], high[-1] - high[0], resolution)
    if gap <= max(_APART * scatter, _APART_SHARE * max(abs(low[0]), abs(high[-1]))):
        return None
    sides = [value >= high[0] for value in values]
    switches = sum(before != after for before, after in pairwise(sides))
    if switches < _FEWEST_SWITCHES:
        return None
    return TwoPlaces(fmean(low), fmean(high), switches)


class DuplicateAddressWatch:
    """One instrument. Costs nothing until a frame breaks: two devices that answer at once do break frames."""

    __slots__ = ("_broken", "_polls", "_resolutions", "_values", "suspicions", "text")

    def __init__(self, instrument_map: InstrumentMap) -> None:
        self._resolutions = {
            signal.name: _resolution(signal)
            for signal in instrument_map.signals
            if not (signal.table.holds_bits or signal.bit is not None or signal.type is ValueType.BOOL)
        }
        self._values: dict[str, deque[float]] = {}
        self._broken: deque[int] = deque(maxlen=_FEWEST_BROKEN)
        """In which polls the newest broken frames came."""
        self._polls = 0
        self.text = ""
        """What is seen of two devices; empty while nothing is suspected."""
        self.suspicions = 0

    @property
    def watching(self) -> bool:
        return bool(self._broken)

    def frame_broke(self) -> None:
        self._broken.append(self._polls)

    def look(self, readings: Sequence[Reading]) -> None:
        """Takes the readings of a poll; of no consequence unless `watching`."""
        if not self._broken:
            return
        self._polls += 1
        for reading in readings:
            if reading.value is not None and reading.quality is not Quality.BAD and reading.signal in self._resolutions:
                values = self._values.setdefault(reading.signal, deque(maxlen=_POLLS))
                values.append(reading.value)
        was_suspected = bool(self.text)
        frames_break = len(self._broken) == _FEWEST_BROKEN and self._broken[0] > self._polls - _POLLS
        self.text = self._seen() if frames_break or was_suspected else ""
        if self.text and not was_suspected:
            self.suspicions += 1
        if not self.text and self._broken[-1] <= self._polls - _POLLS:
            self._broken.clear()
            self._values.clear()

    def _seen(self) -> str:
        for name, values in self._values.items():
            places = two_places(values, self._resolutions[name])
            if places is not None:
                return f"{name} goes to and fro between {places.low:.6g} and {places.high:.6g}, and frames break"
        return ""


class SecondMasterWatch:
    """One line: frames that answer no request of ours, more than a stray one now and then."""

    __slots__ = ("_frames", "_level", "_looked_ns", "suspected", "suspicions")

    def __init__(self) -> None:
        self._frames = 0
        self._level = 0.0
        """Frames of late; one is forgotten each `_FORGOTTEN_S`."""
        self._looked_ns = 0
        self.suspected = False
        self.suspicions = 0

    @property
    def reason(self) -> Reason:
        """Why no value of the line is certain while it is suspected."""
        text = (
            "frames come that answer no request: another master may be on the line, and an answer may be to its request"
        )
        return Reason(ReasonCode.SECOND_MASTER, text)

    def look(self, frames: int, now_ns: int) -> bool:
        """Takes how many there have been since the start. Returns whether the suspicion has come or gone."""
        if frames == self._frames and not self.suspected:
            return False
        forgotten = (now_ns - self._looked_ns) / (_FORGOTTEN_S * _NS_PER_S)
        self._level = min(_MOST_FRAMES, max(0.0, self._level - forgotten) + frames - self._frames)
        self._frames = frames
        self._looked_ns = now_ns
        before = self.suspected
        self.suspected = self._level > 0.0 if before else self._level >= _FRAMES
        self.suspicions += self.suspected and not before
        return self.suspected is not before


def _resolution(signal: Signal) -> float:
    """One step of the number that the instrument sends, in SI; 0 for a floating-point number."""
    if signal.type in (ValueType.FLOAT32, ValueType.FLOAT64):
        return 0.0
    if signal.loop is not None:
        return abs(signal.scale * (signal.loop.high - signal.loop.low) / 16.0)
    return abs(signal.scale * signal.si_factor)
