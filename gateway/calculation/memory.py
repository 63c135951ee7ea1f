"""What a tank's sheet hands on to its next: the whole state of the calculation, frozen and serialisable."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from gateway.calculation.doubts.densities_apart import Densities
from gateway.calculation.doubts.flow_direction import Course
from gateway.calculation.doubts.movement import Movement
from gateway.calculation.doubts.rates import NO_TRACK, Track
from gateway.calculation.doubts.stillness import Stillness
from gateway.calculation.doubts.two_gauges import Apart
from gateway.calculation.doubts.words import Recurring
from gateway.calculation.temperature.average import NOWHERE, Placement
from gateway.plain_form import SteadyTime
from gateway.records import Figure, Figures, LastGood, Quality, ReasonCode
from gateway.states import LimitState, RoofZone

__all__ = [
    "EMPTY_MEMORY",
    "NO_DOUBTS",
    "NO_LOW_HEADS",
    "Doubts",
    "LowHeads",
    "Memory",
    "last_good",
    "low_heads",
    "remember_good",
]

_GOOD = Quality.GOOD


class Doubts(NamedTuple):
    """What is remembered of the judgements on readings against time and against each other.

    Each is a small machine of its own, whose states are told where it is made.
    """

    first: Track = NO_TRACK
    """Of the first gauge, `second` of the second: neither is judged by what the other read before."""
    second: Track = NO_TRACK
    temperature: Track = NO_TRACK
    first_movement: Movement | None = None
    second_movement: Movement | None = None
    apart: Apart | None = None
    still: Stillness | None = None
    course: Course | None = None
    densities: Densities | None = None
    recurring: Recurring = ()
    read_s: SteadyTime | None = None
    """When the level was last read."""


NO_DOUBTS = Doubts()


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
    doubts: Doubts = NO_DOUBTS
    """Of the judgements against time."""
    figures: Figures | None = None
    """The figures of the last sheet, and its time."""
    instant_s: SteadyTime = 0.0
    last_good: Mapping[str, LastGood] = MappingProxyType({})
    """Of the figures that were not Good in the last sheet: when they last were."""
    limit: LimitState = LimitState.UNKNOWN
    roof: RoofZone | None = None
    """Where the floating roof stood when the level was last known."""
    pressure_doubts: frozenset[ReasonCode] = frozenset()
    """What was wrong with the vapour pressure, by `vapour.pressure_above.pressure_doubts`."""
    method_doubts: frozenset[ReasonCode] = frozenset()
    """What was wrong with method and density, by `density.at_temperature.standing_doubts`."""
    low_heads: LowHeads = NO_LOW_HEADS


EMPTY_MEMORY = Memory()


def last_good(memory: Memory, name: str) -> LastGood | None:
    """The last Good value of a figure before now, or None."""
    if memory.figures is not None:
        figure = getattr(memory.figures, name)
        value, quality, _, age_s, _ = figure
        if value is not None and quality is _GOOD:
            return LastGood(value, memory.instant_s - age_s)
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
