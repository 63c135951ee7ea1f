"""The contents as they are followed from sheet to sheet: their mean over the window, and what steps without moving.

A temperature element that fails, a dip of the free water, another density or another gauge change the quantity, and
nothing has moved: what is remembered is shifted by as much, so that it stays comparable.
"""

from statistics import median
from typing import NamedTuple

from gateway.plain_form import SteadyTime
from gateway.watch.course.basis import Basis
from gateway.watch.course.contents import Contents
from gateway.watch.course.window import Window

__all__ = ["NO_STEP", "Followed", "Step", "as_they_are", "next_followed", "settled", "step_between"]

_MOST = 0.25
"""Of its weight that the first reading after a gap has: one that is wrong by itself is no movement."""


class Followed(NamedTuple):
    """The contents of late."""

    time_s: SteadyTime
    """When the level was last read."""
    last: Contents
    basis: Basis
    quantity: float
    """Mean over the window, as `Contents.quantity`."""
    level_m: float
    """Mean over the window."""


class Step(NamedTuple):
    """What a change of the basis alone did to the contents."""

    quantity: float = 0.0
    water_m3: float = 0.0
    by_water: bool = False
    """Whether that was the free water, newly dipped or measured."""


NO_STEP = Step()


def next_followed(
    before: Followed,
    contents: Contents,
    basis: Basis,
    time_s: float,
    window_s: float,
    step: Step,
) -> Followed:
    """`before` with the contents of now, of a tank at rest; `step`: between the two."""
    passed_s = time_s - before.time_s
    quantity = before.quantity + step.quantity
    if passed_s <= 0.0:
        return before._replace(last=contents, basis=basis, quantity=quantity)
    share = min(_MOST, passed_s / (window_s + passed_s))
    off, off_m = contents.quantity - quantity, contents.level_m - before.level_m
    return Followed(time_s, contents, basis, quantity + share * off, before.level_m + share * off_m)


def as_they_are(contents: Contents, basis: Basis, time_s: float) -> Followed:
    """Followed from here on: what came before is another state."""
    return Followed(time_s, contents, basis, contents.quantity, contents.level_m)


def settled(contents: Contents, basis: Basis, time_s: float, window: Window) -> Followed:
    """The same by the medians of a window at rest, in which one wrong reading tells nothing."""
    quantity = contents.quantity + contents.per_m3 * (median(window.readings.volumes) - contents.volume_m3)
    return Followed(time_s, contents, basis, quantity, median(window.readings.levels))


def step_between(before: Followed | None, now: Contents, basis: Basis) -> Step:
    """What a change of the basis has done to the contents since they were last followed."""
    if before is None or basis == before.basis:
        return NO_STEP
    changed = now.quantity - before.last.quantity
    if basis.level is before.basis.level:
        # The level is one and the same: what it has moved by meanwhile is a movement.
        changed -= now.per_m3 * (now.volume_m3 - before.last.volume_m3)
    by_water = basis.water is not before.basis.water or basis.entered_water != before.basis.entered_water
    water_m3 = (now.water_m3 or 0.0) - (before.last.water_m3 or 0.0) if by_water else 0.0
    return Step(changed, water_m3, by_water)
