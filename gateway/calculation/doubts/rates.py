"""Readings against their own past: a change that is faster than any pump, or than any liquid warms (common practice).

What is followed is a track: readings that each could have come about from those before. One that could not have is in
doubt, and with it begins a rival track: the doubt ends

- when readings come back to where a pump could have brought the old level meanwhile, at once;
- when a pump could have made the whole change by now: from then on it is no proof of anything;
- when a witness of its own past bears the rival out: the other gauge, where that one has not jumped;
- when the old track is NEW, some readings after a start that nothing has confirmed, and the rival has stood for longer
  than it did: which of the two was false nobody can tell, so the older one is no base to judge by;
- after a day, for a tank whose pumps would take longer than that.

The last two hold only where no other gauge, that has not jumped, contradicts the rival.
"""

from enum import StrEnum
from typing import NamedTuple, Protocol

from gateway.calculation.plan import TankPlan
from gateway.plain_form import SteadyTime
from gateway.records import Reason, ReasonCode, because

__all__ = [
    "NO_TRACK",
    "LevelLimits",
    "Sample",
    "TemperatureLimits",
    "Track",
    "TrackState",
    "follow",
    "speed_m_s",
    "volume_near",
]

_SPAN_S = 60.0
"""Rates are taken over at least this long, so that one digit of an instrument is not a flood."""
_STEP_S = 10.0
"""Samples are kept this far apart: eight of them span the window."""
_SETTLED_S = 300.0
"""A track that has stood for this long is one to judge others by."""
_LONGEST_S = 86_400.0
_PUMPING_ALLOWANCE = 1.5
_TEMPERATURE_RATE_C_MIN = 2.0
_TEMPERATURE_RATE_C_S = _TEMPERATURE_RATE_C_MIN / 60.0
_TEMPERATURE_RESOLUTION_C = 0.1


class Sample(NamedTuple):
    """One reading of a track."""

    time_s: SteadyTime
    """When it was read."""
    value: float
    """Level in m, or temperature in degC."""
    volume_m3: float = 0.0
    """Of a level, from `volume_near`."""
    used: tuple[bool, ...] = ()
    """Which elements made a temperature: only averages of the same elements are compared."""


class TrackState(StrEnum):
    NOTHING = "nothing"
    """Nothing has been read yet."""
    NEW = "new"
    """Its readings agree, but have not done so for long enough to judge others by."""
    SETTLED = "settled"
    JUMPED = "jumped"
    """The last reading could not have come about from those before."""


class Track(NamedTuple):
    """Readings that follow from one another, and those that have since contradicted them."""

    samples: tuple[Sample, ...] = ()
    since_s: SteadyTime = 0.0
    """From when on they follow from one another."""
    rival: tuple[Sample, ...] = ()
    """None while the last reading follows from `samples`."""
    rival_since_s: SteadyTime = 0.0

    @property
    def state(self) -> TrackState:
        if not self.samples:
            return TrackState.NOTHING
        if self.rival:
            return TrackState.JUMPED
        return TrackState.SETTLED if self._stood_s >= _SETTLED_S else TrackState.NEW

    @property
    def _stood_s(self) -> float:
        return self.samples[-1].time_s - self.since_s

    @property
    def yields_after_s(self) -> float:
        """How long a rival must stand before it is believed though nothing bears it out."""
        stood_s = self._stood_s
        return _LONGEST_S if stood_s >= _SETTLED_S else max(_SPAN_S, stood_s)


NO_TRACK = Track()


class Limits(Protocol):
    """What a quantity can do."""

    def fault(self, base: Sample, sample: Sample) -> Reason | None:
        """What is wrong when `sample` cannot have come about from `base`, else None."""
        ...


class LevelLimits(NamedTuple):
    """What pumps can do to a level. None: nobody has said."""

    flow_in_m3_s: float | None
    flow_out_m3_s: float | None
    resolution_m: float

    def fault(self, base: Sample, sample: Sample) -> Reason | None:
        """A change of volume faster than 1.5 times the greatest flow, less what is one step of the gauge."""
        rise_m = sample.value - base.value
        beyond_m = abs(rise_m) - self.resolution_m
        limit = self.flow_in_m3_s if rise_m > 0 else self.flow_out_m3_s
        if beyond_m <= 0 or limit is None:
            return None
        elapsed_s = sample.time_s - base.time_s
        rate = abs(sample.volume_m3 - base.volume_m3) * beyond_m / abs(rise_m) / max(elapsed_s, _SPAN_S)
        if rate <= _PUMPING_ALLOWANCE * limit:
            return None
        return because(
            ReasonCode.RATE_IMPLAUSIBLE,
            _RISES if rise_m > 0 else _FALLS,
            base=base.value,
            change=abs(rise_m),
            elapsed=max(elapsed_s, 0.0),
            rate=rate,
            allowance=_PUMPING_ALLOWANCE,
            limit=limit,
        )


class TemperatureLimits(NamedTuple):
    """What heating and filling can do to the average of the same elements."""

    def fault(self, base: Sample, sample: Sample) -> Reason | None:
        """A change by more than 2 degC a minute."""
        change_c = abs(sample.value - base.value)
        elapsed_s = sample.time_s - base.time_s
        if change_c - _TEMPERATURE_RESOLUTION_C <= _TEMPERATURE_RATE_C_S * max(elapsed_s, _SPAN_S):
            return None
        return because(
            ReasonCode.RATE_IMPLAUSIBLE,
            "temperature changed from {base:degC .1f} by {change:apart degC .1f} within {elapsed:duration}, faster "
            "than {limit:apart degC g} a minute",
            base=base.value,
            change=change_c,
            elapsed=max(elapsed_s, 0.0),
            limit=_TEMPERATURE_RATE_C_MIN,
        )


_RISES = (
    "level rises from {base:m .3f} by {change:mm .0f} within {elapsed:duration}, {rate:m3/h .0f}, faster than "
    "{allowance:g} times the greatest flow of {limit:m3/h .0f}"
)
_FALLS = (
    "level falls from {base:m .3f} by {change:mm .0f} within {elapsed:duration}, {rate:m3/h .0f}, faster than "
    "{allowance:g} times the greatest flow of {limit:m3/h .0f}"
)


def follow(
    track: Track, sample: Sample, limits: Limits, is_borne_out: bool = False, is_contradicted: bool = False
) -> tuple[Track, Reason | None]:
    """The track with the newest reading, and what is wrong with it, if anything.

    `is_borne_out`: whether a witness with a past of its own says the same; `is_contradicted`: whether one that has not
    jumped says something else. A reading that was seen before changes nothing; one from far before the newest is by
    another clock, and starts afresh.
    """
    samples, now_s = track.samples, sample.time_s
    if not samples or now_s < samples[-1].time_s - _SPAN_S:
        return Track((sample,), now_s), None
    fault = limits.fault(_base(samples, now_s), sample)
    rival = track.rival
    follows_rival = bool(rival) and limits.fault(_base(rival, now_s), sample) is None
    if fault is None:
        # Where both could be, it is the rival that time has made possible: it goes on from there.
        followed = _extended(rival if follows_rival else samples, sample)
        return track if followed is samples and not rival else Track(followed, track.since_s), None
    since_s = track.rival_since_s if follows_rival else now_s
    rival = _extended(rival, sample) if follows_rival else (sample,)
    if is_borne_out or (not is_contradicted and now_s - since_s >= track.yields_after_s):
        return Track(rival, since_s), None
    return Track(samples, track.since_s, rival, since_s), fault


def speed_m_s(track: Track, sample: Sample) -> float:
    """How fast a level has changed over the last minute, or between two readings that are further apart."""
    if not track.samples:
        return 0.0
    base = _base(track.samples, sample.time_s)
    return (sample.value - base.value) / max(sample.time_s - base.time_s, _SPAN_S)


def volume_near(plan: TankPlan, level_m: float) -> float:
    """Volume in m3 to judge changes by, never to be shown: beyond the capacity's ends it goes on with the surface area
    there, so that a jump out of the table is seen for what it is."""
    capacity = plan.capacity
    if level_m > capacity.top_m:
        return plan.top_volume_m3 + (level_m - capacity.top_m) * plan.top_area_m2
    if level_m < capacity.bottom_m:
        return plan.empty_volume_m3 - (capacity.bottom_m - level_m) * plan.bottom_area_m2
    return capacity.volume(level_m)


def _extended(samples: tuple[Sample, ...], sample: Sample) -> tuple[Sample, ...]:
    """The window with `sample` in it, no longer than the span needs."""
    if sample.time_s - samples[-1].time_s < _STEP_S:
        return samples
    keep_from = 0
    # The newest sample that is a full span old is the one rates are taken from; older ones are of no use.
    while keep_from + 1 < len(samples) and sample.time_s - samples[keep_from + 1].time_s >= _SPAN_S:
        keep_from += 1
    return (*samples[keep_from:], sample)


def _base(samples: tuple[Sample, ...], now_s: float) -> Sample:
    """The newest sample at least a span old, or else the oldest."""
    base = samples[0]
    for sample in samples[1:]:
        if now_s - sample.time_s < _SPAN_S:
            break
        base = sample
    return base
