"""Levels of concern: given as levels or as parts of the capacity, and what both are as levels of this tank."""

import re
from typing import Annotated, Any, NamedTuple

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import LimitPlan
from gateway.calculation.shapes.whole import whole_volume
from gateway.calculation.tables.level_of_volume import level_of_volume
from gateway.errors import LimitError, QuantityError
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.fields import Length, Section, refuse, require_text
from gateway.units.quantity import Dimension, parse_quantity

__all__ = ["LIMITS", "CapacityShare", "LimitLevels", "LimitsModel", "limit_levels"]

LIMITS = ("minimum", "maximum_working", "high_high", "critical_high")
_BARE = re.compile(r"[+-]?[0-9.]+")
_WANTED = "a level or a part of the capacity, for example 13.200 m or 85 %"


class CapacityShare(NamedTuple):
    """The level at which a tank is this full."""

    share: float


def _read_limit(value: Any) -> float | CapacityShare:
    text = require_text(value, _WANTED)
    if _BARE.fullmatch(text) is not None:
        raise refuse(f"'{text}' has no unit; give {_WANTED}")
    try:
        if not text.endswith("%"):
            return parse_quantity(text, Dimension.LENGTH)
        share = parse_quantity(text, Dimension.RATIO)
    except QuantityError as error:
        raise refuse(str(error)) from error
    if not 0.0 < share <= 1.0:
        raise refuse(f"{text} is no part of the capacity; give more than 0 % and at most 100 %, or a level")
    return CapacityShare(share)


Limit = Annotated[
    float | CapacityShare,
    BeforeValidator(_read_limit),
    WithJsonSchema(
        {
            "type": "string",
            "description": "A level above the datum with its unit, or a part of the full capacity in %",
            "examples": ["13.200 m", "85 %"],
        }
    ),
]


class LimitsModel(Section):
    """Levels of concern, rising. Setting them is for competent people under local codes."""

    minimum: Limit | None = None
    maximum_working: Limit | None = None
    high_high: Limit | None = None
    critical_high: Limit | None = None
    overflow: Annotated[Length | None, Field(description="Where it runs over: no limit may lie higher")] = None


class LimitLevels(NamedTuple):
    """By name, for the limits that are given: the level in m above the datum, and how people read it."""

    levels: dict[str, float]
    words: dict[str, str]
    """As written, with the level behind it where it was written as a part of the capacity."""
    shares: tuple[str, ...]
    """The names of those."""

    def plan(self) -> LimitPlan:
        return LimitPlan(*[self.levels.get(name) for name in LIMITS])

    def remarks(self, path: KeyPath) -> tuple[str, ...]:
        """What each part of the capacity is as a level, by its key."""
        where = ".".join(str(part) for part in path)
        return tuple(f"{where}.limits.{name}: {self.words[name]}" for name in self.shares)


def limit_levels(
    model: LimitsModel, capacity: Capacity | None, document: Document, path: KeyPath, mistakes: Mistakes
) -> LimitLevels:
    """The limits of a tank at `path` as levels. `capacity` None: its parts stay unknown and are left out."""
    levels: dict[str, float] = {}
    words: dict[str, str] = {}
    shares: list[str] = []
    for name in LIMITS:
        given: float | CapacityShare | None = getattr(model, name)
        here: KeyPath = (*path, "limits", name)
        written = document.text(here)
        if given is None:
            continue
        if not isinstance(given, CapacityShare):
            levels[name], words[name] = given, written
            continue
        if capacity is None:
            continue
        full_m3 = whole_volume(capacity)
        volume_m3 = given.share * full_m3
        try:
            level_m = level_of_volume(capacity, volume_m3)
        except LimitError:
            most_m3 = capacity.volume(capacity.top_m)
            if volume_m3 > most_m3:
                text = f"{written} of the capacity is more than it holds at its highest level, {capacity.top_m:.3f} m"
                text = f"{text}; give at most {100.0 * most_m3 / full_m3:.4g} %, or a level"
            else:
                least = capacity.volume(capacity.bottom_m) / full_m3 * 100.0
                text = f"{written} of the capacity is less than it holds at its lowest level, {capacity.bottom_m:.3f} m"
                text = f"{text}; give more than {least:.4g} %, or a level"
            mistakes.add(here, text)
            continue
        levels[name], words[name] = level_m, f"{written} ({level_m:.3f} m)"
        shares.append(name)
    return LimitLevels(levels, words, tuple(shares))
