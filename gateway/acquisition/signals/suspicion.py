"""Pure: what the pattern of answers and errors lets one suspect: two devices with one address, or a second master; and
readings that may be another's: kept, and never Good.

Neither can be proved from one end of a wire; both are common practice to look for when a line misbehaves.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from itertools import islice, pairwise
from statistics import fmean
from typing import NamedTuple

from gateway.acquisition.signals.bands import Bands
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.records import Quality, Reading, Reason, ReasonCode, because

__all__ = ["DuplicateAddressWatch", "SecondMasterWatch", "TwoPlaces", "doubted", "two_places"]

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

_FEWEST_FAILED = 5
"""Of the newest polls: a fifth."""

_SIGNALS = 4
"""The first of an instrument's numbers are watched: two devices differ in all."""
_TRIES = 8
"""Polls in which a block is read several times in a row, until it is left alone for `_REST` polls."""
_REST = 96
_SWITCHES_IN_A_ROW = 2
_PROOFS = 2

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
    switches = _switches(sides)
    if switches < _FEWEST_SWITCHES:
        return None
    return TwoPlaces(fmean(low), fmean(high), switches)


class DuplicateAddressWatch:
    """One instrument. What is suspect: values that go to and fro while frames break, or while many requests fail, as
    where two devices answer at once; and values that jump between two bands from one read to the next.

    Nothing that is measured does the last. It is looked for by reading a block a few times in a row where its values,
    poll by poll, lie in two bands: waves, a deadband and a mixer make such too, and are not quick enough.
    """

    __slots__ = (
        "_bands",
        "_broken",
        "_confirmed",
        "_failed",
        "_looked_at",
        "_middle",
        "_places",
        "_polls",
        "_proofs",
        "_resolutions",
        "_rest_until",
        "_sides",
        "_signals",
        "_tries",
        "_values",
        "seen",
        "suspicions",
    )

    def __init__(self, instrument_map: InstrumentMap) -> None:
        self._signals = {signal.name: signal for signal in instrument_map.signals}
        told = (instrument_map.age_signal, instrument_map.counter_signal)
        self._resolutions = {
            signal.name: _resolution(signal)
            for signal in instrument_map.signals
            if signal.name not in told
            and not (signal.table.holds_bits or signal.bit is not None or signal.type is ValueType.BOOL)
        }
        self._bands = {name: Bands(step) for name, step in islice(self._resolutions.items(), _SIGNALS)}
        self._values: dict[str, deque[float]] = {}
        self._broken: deque[int] = deque(maxlen=_FEWEST_BROKEN)
        """In which polls the newest broken frames came."""
        self._failed: deque[int] = deque(maxlen=_FEWEST_FAILED)
        """In which polls the newest requests were not answered."""
        self._polls = 0
        self._looked_at = ""
        """The signal whose block is read several times in a row; empty while none is."""
        self._tries = self._proofs = self._rest_until = 0
        self._confirmed = ""
        """The signal that jumped from one read to the next; empty while none does."""
        self._middle = 0.0
        self._places = (0.0, 0.0)
        self._sides: deque[bool] = deque(maxlen=_POLLS)
        """In which of its bands the newest values of that are."""
        self.seen: Reason | None = None
        """What is seen of two devices; None while nothing is suspected."""
        self.suspicions = 0

    def frame_broke(self) -> None:
        self._broken.append(self._polls)

    def request_failed(self) -> None:
        self._failed.append(self._polls)

    def look(self, readings: Sequence[Reading]) -> None:
        """Takes the readings of a poll."""
        self._polls += 1
        bands_of, left = self._bands.get, len(self._bands)
        for reading in readings:
            bands = bands_of(reading.signal)
            if bands is None:
                continue
            value = reading.value
            if value is not None and value != bands.last and bands.take(value):
                self._look_closer_at(reading.signal)
            left -= 1
            if not left:
                break
        was_suspected = self.seen is not None
        if not (self._confirmed or self._broken or self._failed or was_suspected):
            return
        self.seen = None
        if self._confirmed:
            self.seen = self._still_confirmed(readings)
        if self.seen is None and (self._broken or self._failed):
            self.seen = self._seen_with_failures(readings, was_suspected)
        self.suspicions += self.seen is not None and not was_suspected

    def _look_closer_at(self, signal: str) -> None:
        if not self._looked_at and self._polls >= self._rest_until:
            self._looked_at, self._tries, self._proofs = signal, _TRIES, 0

    def is_looked_at(self, names: Sequence[str]) -> bool:
        """Whether the block of these signals is to be read several times in a row."""
        return bool(self._looked_at) and self._looked_at in names

    def read_in_a_row(self, readings: Sequence[Sequence[Reading]]) -> None:
        """Takes the readings of such a block, read so quickly that nothing measured can have gone to and fro."""
        bands = self._bands[self._looked_at]
        middle = bands.middle
        values = [
            reading.value
            for each in readings
            for reading in each
            if reading.signal == self._looked_at and reading.value is not None
        ]
        self._tries -= 1
        if middle == middle and _switches(value > middle for value in values) >= _SWITCHES_IN_A_ROW:
            self._proofs += 1
            if self._proofs >= _PROOFS:
                self._confirmed, self._tries = self._looked_at, 0
                self._middle, self._places = middle, bands.places
                self._sides.clear()
        if middle != middle or self._tries <= 0:
            self._looked_at = ""
            self._rest_until = self._polls + _REST

    def _still_confirmed(self, readings: Sequence[Reading]) -> Reason | None:
        name = self._confirmed
        values = [reading.value for reading in readings if reading.signal == name and reading.value is not None]
        self._sides.extend(value > self._middle for value in values)
        if len(self._sides) < _POLLS or _switches(self._sides):
            low, high = self._places
            return because(
                ReasonCode.DUPLICATE_ADDRESS,
                "{signal} goes to and fro between {low:.6g}{unit:behind} and {high:.6g}{unit:behind} from one read to "
                "the next",
                signal=name,
                low=low,
                high=high,
                unit=self._signals[name].unit,
            )
        self._confirmed = ""
        return None

    def _seen_with_failures(self, readings: Sequence[Reading], was_suspected: bool) -> Reason | None:
        for reading in readings:
            if reading.value is not None and reading.quality is not Quality.BAD and reading.signal in self._resolutions:
                values = self._values.setdefault(reading.signal, deque(maxlen=_POLLS))
                values.append(reading.value)
        since = self._polls - _POLLS
        frames_break = len(self._broken) == _FEWEST_BROKEN and self._broken[0] > since
        requests_fail = len(self._failed) == _FEWEST_FAILED and self._failed[0] > since
        seen = self._two_places() if frames_break or requests_fail or was_suspected else None
        if seen is None and max([*self._broken, *self._failed]) <= since:
            self._broken.clear()
            self._failed.clear()
            self._values.clear()
        return seen

    def _two_places(self) -> Reason | None:
        """The first signal that stands at two places, while frames break or requests fail."""
        for name, values in self._values.items():
            places = two_places(values, self._resolutions[name])
            if places is None:
                continue
            unit = self._signals[name].unit
            if self._broken:
                return because(
                    ReasonCode.DUPLICATE_ADDRESS,
                    "{signal} goes to and fro between {low:.6g}{unit:behind} and {high:.6g}{unit:behind}, and frames "
                    "break",
                    signal=name,
                    low=places.low,
                    high=places.high,
                    unit=unit,
                )
            return because(
                ReasonCode.DUPLICATE_ADDRESS,
                "{signal} goes to and fro between {low:.6g}{unit:behind} and {high:.6g}{unit:behind}, and requests "
                "fail",
                signal=name,
                low=places.low,
                high=places.high,
                unit=unit,
            )
        return None


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
        return because(
            ReasonCode.SECOND_MASTER,
            "frames come that answer no request: another master may be on the line, and an answer may be to its "
            "request",
        )

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


def doubted(readings: Sequence[Reading], reason: Reason) -> list[Reading]:
    """The same readings, those that were Good Uncertain for this reason."""
    return [_doubted(reading, reason) if reading.quality is Quality.GOOD else reading for reading in readings]


def _doubted(reading: Reading, reason: Reason) -> Reading:
    if reading.value is None:
        # Nothing detected stays that: the code tells it from a value that is missing.
        reason = because(ReasonCode.NONE_DETECTED, "nothing detected; {doubt}", doubt=reason)
    return reading._replace(quality=Quality.UNCERTAIN, reason=reason)


def _switches(sides: Iterable[bool]) -> int:
    """How often they went from one to the other."""
    return sum(before is not after for before, after in pairwise(sides))


def _resolution(signal: Signal) -> float:
    """One step of the number that the instrument sends, in SI; 0 for a floating-point number."""
    if signal.type in (ValueType.FLOAT32, ValueType.FLOAT64):
        return 0.0
    if signal.loop is not None:
        return abs(signal.scale * (signal.loop.high - signal.loop.low) / 16.0)
    return abs(signal.scale * signal.si_factor)
