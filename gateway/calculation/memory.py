"""What a tank's sheet hands on to its next: the whole state of the calculation, frozen and serialisable."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from gateway.calculation.temperature import NOWHERE, Placement
from gateway.records import Figure, Figures, LastGood, Quality, ReasonCode
from gateway.states import LimitState, RoofZone

__all__ = [
    "EMPTY_MEMORY",
    "NO_LOW_HEADS",
    "LowHeads",
    "Memory",
    "Sample",
    "Stillness",
    "last_good",
    "low_heads",
    "remember_good",
]


class Sample(NamedTuple):
    """One point of the rate window."""

    time_s: float
    """Steady, as all times in here."""
    level_m: float
    volume_m3: float | None
    temperature_c: float | None
    used: tuple[bool, ...]
    """Which elements made the temperature: only averages of the same elements are compared."""


class Stillness(NamedTuple):
    """A level gauge that has said the same since some time."""

    since_s: float
    reading: float
    """What it says, in its own quantity: m, or Pa where the level comes from pressure."""
    last_s: float
    """When it was last read."""
    flow_m3_s: float
    """What surely flowed into the tank then; negative for out of it, 0 where nothing did or nobody knows."""
    due_m3: float = 0.0
    """What has surely flowed in since."""
    flowing_s: float = 0.0
    """For how long something did."""
    due_m: float = 0.0
    """By how much the level was due to move."""
    doubted: bool = False


class LowHeads(NamedTuple):
    """Which borders of a liquid column's pressure are crossed downwards: each is left some way above."""

    level: bool = False
    """Too little liquid for a level that is Good."""
    below_zero: bool = False
    """A pressure that no liquid has."""
    density: bool = False
    """Too little liquid to measure a density by."""


NO_LOW_HEADS = LowHeads()


class Memory(NamedTuple):
    """No memory (EMPTY_MEMORY) is valid: elements then count from their entering threshold."""

    placed: Placement = NOWHERE
    """Where the temperature elements stood."""
    window: tuple[Sample, ...] = ()
    gauges_differ_since_s: float | None = None
    still: Stillness | None = None
    figures: Figures | None = None
    """The figures of the last sheet, and its steady time."""
    instant_s: float = 0.0
    last_good: Mapping[str, LastGood] = MappingProxyType({})
    """Of the figures that were not Good in the last sheet: when they last were."""
    limit: LimitState = LimitState.UNKNOWN
    roof: RoofZone | None = None
    """Where the floating roof stood when the level was last known."""
    pressure_doubts: frozenset[ReasonCode] = frozenset()
    """What was wrong with the vapour pressure, by `pressure_above.pressure_doubts`."""
    low_heads: LowHeads = NO_LOW_HEADS


EMPTY_MEMORY = Memory()


def last_good(memory: Memory, name: str) -> LastGood | None:
    """The last Good value of a figure before now, or None."""
    if memory.figures is not None:
        figure = getattr(memory.figures, name)
        if figure.quality == Quality.GOOD and figure.value is not None:
            return LastGood(figure.value, memory.instant_s - figure.age_s)
    return memory.last_good.get(name)


def remember_good(memory: Memory, figures: Figures) -> Mapping[str, LastGood]:
    """Last Good values of the figures that are not Good now."""
    remembered: dict[str, LastGood] = {}
    for name, figure in zip(Figures._fields, figures, strict=True):
        if figure.quality is not Quality.GOOD:
            last = last_good(memory, name)
            if last is not None:
                remembered[name] = last
    return remembered


def low_heads(level: Figure, measured_density: Figure) -> LowHeads:
    """What a sheet tells of the borders of its column; `level` as its pressure alone gives it."""
    return LowHeads(
        _has(level, ReasonCode.LOW_HEAD),
        _has(level, ReasonCode.BELOW_DATUM),
        _has(measured_density, ReasonCode.LOW_HEAD),
    )


def _has(figure: Figure, code: ReasonCode) -> bool:
    return any(reason.code == code for reason in figure.reasons)
